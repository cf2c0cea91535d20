"""A made-up adjustment: numbers of the right shape, sense in no one of them. For what goes out, not for
what is computed.

The scenario: a pump house yard with its pier, names as odd as users make them.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from hubtack.adjust.ground.network import (
    Instruments,
    Marks,
    Network,
    Reduced,
    Setups,
    Sights,
    Supports,
    Targets,
)
from hubtack.adjust.results import (
    AdjustedMarks,
    AdjustedObservations,
    AdjustedSetups,
    Adjustment,
    Constants,
    ControlFit,
    GlobalTest,
    Orientations,
    Relative,
)
from hubtack.adjust.settings import Settings
from hubtack.adjust.trouble import Trouble
from hubtack.io.job import Decision, Job
from hubtack.io.units import Units

MM, ARCSEC = 1e-3, np.pi / 648_000
WEIRD = (
    "PIER-1",
    "PIER-2",
    "=SUM(A1:A9)",
    "<b>bold</b>",
    "Çay & Söhne",
    "-7",
    "$x_1$",
    "a very long name for one small mark",
)


def made_up(
    count: int = 8,
    seed: int = 1,
    flagged: bool = True,
    units: Units | None = None,
    name: str = "Pump house yard, day 2",
) -> tuple[Adjustment, Job]:
    """A 3D network of `count` marks, its adjustment and its job. The first two marks are control."""
    rng = np.random.default_rng(seed)
    names = [*WEIRD, *(f"Y{i}" for i in range(len(WEIRD), count))][:count]
    side = 40.0 * np.sqrt(count)
    east, north = 1000.0 + side * 1.4 * rng.random(count), 5000.0 + side * rng.random(count)
    height = 12.0 + 3.0 * rng.random(count)
    sigma_e, sigma_n, sigma_h = (s * MM * (0.5 + rng.random(count)) for s in (1.2, 1.0, 0.7))
    for s in (sigma_e, sigma_n, sigma_h):
        s[0] = 0.0
    covariance = np.zeros((count, 3, 3))
    for i, s in enumerate((sigma_e, sigma_n, sigma_h)):
        covariance[:, i, i] = s**2
    covariance[:, 0, 1] = covariance[:, 1, 0] = 0.5 * sigma_e * sigma_n
    values = [np.linalg.eigh(c[:2, :2]) for c in covariance]
    control = np.array(["held", "weighted-en", *[""] * (count - 2)], dtype=object)
    unchecked = np.arange(count) == count - 1
    marks = AdjustedMarks(
        mark=names,
        east=east,
        north=north,
        height=height,
        sigma_east=sigma_e,
        sigma_north=sigma_n,
        sigma_height=sigma_h,
        covariance=covariance,
        control=control,
        semi_major=[2.4477 * np.sqrt(v[0][1]) for v in values],
        semi_minor=[2.4477 * np.sqrt(v[0][0]) for v in values],
        ellipse_azimuth=[np.arctan2(v[1][0, 1], v[1][1, 1]) % np.pi for v in values],
        unchecked=unchecked,
        unchecked_by=[("s12.distance", "T5") if u else () for u in unchecked],
    )
    instruments = max(2, count // 3)
    stands, supports, roles = [], [], []
    sight_from, sight_to = [], []
    for i in range(instruments):
        stands.append(i)
        roles.append(True)
        supports.append(0)
        near = np.argsort(np.hypot(east - east[i], north - north[i]))[1:6]
        for j in near:
            sight_from.append(len(stands) - 1)
            sight_to.append(-int(j) - 1)
    for k, j in enumerate(sight_to):
        stands.append(-j - 1)
        roles.append(False)
        supports.append(int(k % 2) + 1)
        sight_to[k] = len(stands) - 1
    n_setups, n_sights = len(stands), len(sight_from)
    setup_names = [f"{'I' if r else 'T'}{i + 1:03d}" for i, r in enumerate(roles)]
    network = Network(
        marks=Marks(mark=names, east=east, north=north, height=height),
        setups=Setups(
            setup=setup_names,
            instrument=roles,
            mark=stands,
            support=supports,
            device=[0] * n_setups,
            height=np.where(roles, 1.5, 0.21),
        ),
        sights=Sights(id=[str(i + 1) for i in range(n_sights)], start=sight_from, end=sight_to),
        reduced=Reduced.empty(),
        supports=Supports(
            support=["tripod", "low-stand", "pole"],
            kind=["tribrach", "stand", "pole"],
            height_kind=["taped", "fixed", "undeclared"],
        ),
        instruments=Instruments(instrument=["ts-a"], direction=[ARCSEC], zenith=[ARCSEC], distance=[MM]),
        targets=Targets(target=["prism"]),
    )
    setups = AdjustedSetups(
        setup=setup_names,
        sigma_centring=[0.5 * MM] * n_setups,
        sigma_height=[0.8 * MM] * n_setups,
        centring_east=0.3 * MM * rng.standard_normal(n_setups),
        centring_north=0.3 * MM * rng.standard_normal(n_setups),
        height_error=0.4 * MM * rng.standard_normal(n_setups),
        standardized_centring=np.abs(rng.standard_normal(n_setups)),
        standardized_height=rng.standard_normal(n_setups),
        redundancy_height=rng.random(n_setups),
        minimal_detectable_height=4 * MM * (1 + rng.random(n_setups)),
        minimal_detectable_centring=5 * MM * (1 + rng.random(n_setups)),
        flagged=[False] * n_setups,
    )
    if flagged:
        last = n_setups - 1
        setups = setups.replace(
            height_error=_with(setups.height_error, last, -48.7 * MM),
            standardized_height=_with(setups.standardized_height, last, -22.4),
            flagged=np.arange(n_setups) == last,
        )
    observations = _observations(network, marks, rng, flagged)
    pairs = sorted({(stands[a], stands[b]) for a, b in zip(sight_from, sight_to, strict=True)})
    start, end = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    relative = Relative(
        start=[names[i] for i in start],
        end=[names[i] for i in end],
        start_mark=start,
        end_mark=end,
        distance=np.hypot(east[end] - east[start], north[end] - north[start]),
        sigma_distance=[0.9 * MM] * len(pairs),
        semi_major=[2.5 * MM] * len(pairs),
        semi_minor=[1.5 * MM] * len(pairs),
        ellipse_azimuth=[0.7] * len(pairs),
        sigma_height=[0.6 * MM] * len(pairs),
    )
    control_fit = ControlFit(
        mark=[names[0]] * 3 + [names[1]] * 2,
        component=["east", "north", "height", "east", "north"],
        held=[True, True, True, False, False],
        misfit=[1.1 * MM, -0.4 * MM, np.nan, 2.2 * MM, 0.1 * MM],
        sigma=[1.0 * MM, 1.0 * MM, np.nan, 1.5 * MM, 1.5 * MM],
        standardized=[1.1, -0.4, np.nan, 1.47, 0.07],
        flagged=[False] * 5,
    )
    adjustment = Adjustment(
        network=network,
        settings=Settings(),
        marks=marks,
        observations=observations,
        left_out=observations.take(slice(0, 1)).replace(
            id=["999.direction"],
            standardized=[np.nan],
            sigma=[np.nan],
            redundancy=[np.nan],
            minimal_detectable_bias=[np.nan],
            flagged=[False],
        ),
        setups=setups,
        relative=relative,
        control=control_fit,
        orientations=Orientations(
            setup=setup_names[:instruments],
            setup_row=np.arange(instruments),
            round=[1] * instruments,
            value=rng.random(instruments),
            sigma=[2 * ARCSEC] * instruments,
        ),
        constants=Constants(
            name=["refraction"],
            quantity=["number"],
            value=[0.21],
            sigma=[0.1],
            prior=[0.13],
            prior_sigma=[0.3],
        ),
        global_test=GlobalTest(
            variance_factor=1.62 if flagged else 1.02, lower=0.78, upper=1.25, passed=not flagged
        ),
        iterations=3,
        degrees_of_freedom=148,
        reference_height=12.0,
        datum=(),
        datum_marks=(),
        critical=3.2905,
        critical_centring=3.7169,
        ellipse_factor=2.4477,
        remarks=(Trouble("REM510", "No height of anything fixes the yard's well.", marks=(names[-1],)),),
    )
    job = Job(
        name=name,
        folder=Path("yard"),
        network=network,
        settings=adjustment.settings,
        units=units or Units(),
        decisions=(
            Decision(
                "leave_out",
                "sight 999",
                "",
                "",
                "prism kicked over, crew note 14:20",
                "party chief",
                "job.toml:42",
            ),
            Decision(
                "correct",
                "setup T014 height",
                "1.532 m",
                "1.500 m",
                "photo of the <pole>",
                "office",
                "job.toml:46",
            ),
        ),
        places={
            "setups": tuple(range(2, n_setups + 2)),
            "marks": tuple(range(2, count + 2)),
            "sights": tuple(range(2, n_sights + 2)),
        },
        files={"job.toml": "ab" * 32, "marks.csv": "cd" * 32},
        remarks=(
            Trouble(
                "REM501",
                "Support low-stand has no height_sigma: 0.2 mm is taken (fixed).",
                "State it in job.toml.",
            ),
        ),
    )
    return adjustment, job


def levelling(count: int = 7, seed: int = 3) -> tuple[Adjustment, Job]:
    """A net of heights only: rises between marks, no position of anything."""
    adjustment, job = made_up(count, seed, flagged=False, name="Weir benchmarks")
    n = count
    nan = np.full(n, np.nan)
    covariance = adjustment.marks.covariance.copy()
    covariance[:, :2, :] = np.nan
    covariance[:, :, :2] = np.nan
    marks = adjustment.marks.replace(
        east=nan,
        north=nan,
        sigma_east=nan,
        sigma_north=nan,
        covariance=covariance,
        semi_major=nan,
        semi_minor=nan,
        ellipse_azimuth=nan,
        control=np.array(["held-h", *[""] * (n - 1)], dtype=object),
    )
    pairs = [(i, (i + 1) % n) for i in range(n)] + [(0, n // 2)]
    k = len(pairs)
    start, end = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    names, height = marks.mark, marks.height
    observations = AdjustedObservations(
        id=[f"L{i}" for i in range(k)],
        kind=["rise"] * k,
        quantity=["length"] * k,
        start=names[start],
        end=names[end],
        start_mark=start,
        end_mark=end,
        start_setup=[-1] * k,
        end_setup=[-1] * k,
        round=[0] * k,
        observed=height[end] - height[start] - 0.2 * MM,
        adjusted=height[end] - height[start],
        residual=[0.2 * MM] * k,
        sigma=[0.5 * MM] * k,
        standardized=[0.6] * k,
        redundancy=[2 / k] * k,
        minimal_detectable_bias=[3 * MM] * k,
        flagged=[False] * k,
        rows=[(f"L{i}",) for i in range(k)],
    )
    reduced = Reduced(
        id=observations.id,
        kind=observations.kind,
        start=start,
        end=end,
        value=observations.observed,
        sigma=observations.sigma,
    )
    network = Network(marks=job.network.marks.replace(east=nan, north=nan), reduced=reduced)
    adjustment = dataclasses.replace(
        adjustment,
        network=network,
        marks=marks,
        observations=observations,
        left_out=AdjustedObservations.empty(),
        setups=AdjustedSetups.empty(),
        relative=Relative.empty(),
        orientations=Orientations.empty(),
        constants=Constants.empty(),
        control=ControlFit.empty(),
        datum=("height",),
        datum_marks=tuple(names[:3]),
        remarks=(),
    )
    return adjustment, dataclasses.replace(job, network=network, decisions=(), remarks=(), places={})


def _observations(
    network: Network, marks: AdjustedMarks, rng: np.random.Generator, flagged: bool
) -> AdjustedObservations:
    s, stands = network.sights, network.setups.mark
    n = len(s)
    a, b = stands[s.start], stands[s.end]
    d_e, d_n = marks.east[b] - marks.east[a], marks.north[b] - marks.north[a]
    rise = marks.height[b] - marks.height[a]
    values = {
        "direction": np.arctan2(d_e, d_n) % (2 * np.pi),
        "zenith": np.arctan2(np.hypot(d_e, d_n), rise),
        "distance": np.sqrt(d_e**2 + d_n**2 + rise**2),
    }
    parts = []
    for kind, adjusted in values.items():
        unit = MM if kind == "distance" else 2 * ARCSEC
        w = rng.standard_normal(n)
        if flagged and kind == "distance":
            w[min(2, n - 1)] = 5.1
        bias = 5.0 * unit * np.ones(n)
        bias[-1] = np.inf
        parts.append(
            AdjustedObservations(
                id=[f"{i}.{kind}" for i in s.id],
                kind=[kind] * n,
                quantity=["length" if kind == "distance" else "angle"] * n,
                start=network.setups.setup[s.start],
                end=network.setups.setup[s.end],
                start_mark=a,
                end_mark=b,
                start_setup=s.start,
                end_setup=s.end,
                round=[1] * n,
                observed=adjusted - unit * w,
                adjusted=adjusted,
                residual=unit * w,
                sigma=[unit] * n,
                standardized=w,
                redundancy=rng.random(n),
                minimal_detectable_bias=bias,
                flagged=np.abs(w) > 3.2905,
                rows=[(i,) for i in s.id],
            )
        )
    columns = [c.name for c in AdjustedObservations.columns()]
    return AdjustedObservations(**{c: np.concatenate([getattr(p, c) for p in parts]) for c in columns})


def _with(array: np.ndarray, row: int, value: float) -> np.ndarray:
    copy = array.copy()
    copy[row] = value
    return copy
