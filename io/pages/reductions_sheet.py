"""What was done to the readings before they were adjusted, and where: for the report page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.atmosphere import NOT_APPLIED, velocity_factors
from hubtack.adjust.ground.supports import vertical_heights
from hubtack.adjust.model.reductions import prism_constants, reduce_readings
from hubtack.adjust.outcome.lines import line_table
from hubtack.io.writers.sheets import Heading, Sheet, names, plain

if TYPE_CHECKING:
    from hubtack.adjust.model.reductions import Observations
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

_SHOWN = 8
Line = tuple[str, str, str]


def reductions_sheet(adjustment: Adjustment, job: Job) -> Sheet:
    """One row a reduction: what, how much, and on which setups or readings."""
    network = adjustment.network
    obs = reduce_readings(network)
    obs = obs.take(obs.used)
    rows = [
        *_faces(obs, job),
        *_prisms(obs, job),
        *_slants(adjustment, job),
        *_curved(adjustment, obs, job),
        *_scaled(adjustment, obs),
    ]
    if np.isin(obs.kind.astype(str), ("distance", "level")).any():
        rows += _air(adjustment, obs)
    headings = tuple(Heading(w, number=False) for w in ("reduction", "how much", "where"))
    note = "Made on the readings before the adjustment, or within it where that is said. The raw tables are as they were."
    return Sheet("Reductions applied", headings, tuple(rows), note=note)


def _air(adjustment: Adjustment, obs: Observations) -> list[Line]:
    """The first velocity correction, instrument by instrument."""
    network = adjustment.network
    ranged = np.isin(obs.kind.astype(str), ("distance", "level"))
    start, end = obs.start_setup[ranged], obs.end_setup[ranged]
    ppm = 1e6 * (velocity_factors(network, start, end) - 1.0)
    device = network.setups.device[start]
    rows: list[Line] = []
    for d in np.unique(device).tolist():
        mine, name = device == d, str(network.instruments.instrument[d])
        if network.instruments.atmosphere[d] == NOT_APPLIED:
            words = f"{ppm[mine].min():+.1f} to {ppm[mine].max():+.1f} ppm"
            rows.append(("atmosphere", words, f"{int(mine.sum())} distances of {name}"))
        else:
            told = network.instruments.atmosphere[d] == "applied"
            words = "as the job says" if told else "as nothing else is said"
            rows.append(
                ("atmosphere", "none applied", f"distances of {name} are taken as corrected, {words}")
            )
    return rows


def _faces(obs: Observations, job: Job) -> list[Line]:
    angles = np.isin(obs.kind.astype(str), ("direction", "zenith"))
    both = angles & (np.abs(obs.balance) < 1.0)
    one = angles & (np.abs(obs.balance) == 1.0)
    rows: list[Line] = []
    if both.any():
        rows.append(
            (
                "both faces",
                "mean of face 1 and face 2 turned",
                f"{int(both.sum())} directions and zenith angles",
            )
        )
    if one.any():
        where = sorted({str(job.network.setups.setup[s]) for s in obs.start_setup[one].tolist()})
        words = f"{int(one.sum())} directions and zenith angles, from {names(where, _SHOWN)}"
        rows.append(("one face alone", "collimation and index stay in the reading", words))
    again = ~angles & (obs.count > 1)
    if again.any():
        most, least = int(obs.count[again].max()), int(obs.count[again].min())
        many = f"{least}" if least == most else f"{least} to {most}"
        rows.append(("repeated distances", f"mean of {many}", f"{int(again.sum())} distances"))
    return rows


def _prisms(obs: Observations, job: Job) -> list[Line]:
    network = job.network
    distances = np.flatnonzero(obs.kind == "distance")
    if not len(distances) or not len(network.setups):
        return []
    constants, own = prism_constants(network), ~np.isnan(network.setups.prism_constant)
    count = np.bincount(obs.end_setup[distances])
    named, devices = network.targets.target, network.setups.device.tolist()
    groups: dict[tuple[float, str], list[int]] = {}
    for s in dict.fromkeys(obs.end_setup[distances].tolist()):
        who = ""
        if own[s]:
            who = "as the setup states"
        elif 0 <= devices[s] < len(named) and not network.setups.instrument[s]:
            who = str(named[devices[s]])
        groups.setdefault((float(constants[s]), who), []).append(s)
    rows: list[Line] = []
    for (value, who), stood in sorted(groups.items()):
        where = [str(network.setups.setup[s]) for s in stood]
        much = f"{job.units.show_small_length(value)} added" if value else "0, nothing to add"
        words = f"{who}: {int(count[stood].sum())} distances to {len(where)} setups, {names(where, _SHOWN)}"
        rows.append(("prism constant", much, words.removeprefix(": ")))
    return rows


def _slants(a: Adjustment, job: Job) -> list[Line]:
    setups, supports = a.network.setups, a.network.supports
    if not len(setups):
        return []
    vertical = vertical_heights(a.network)
    slant = np.flatnonzero((supports.height_kind[setups.support] == "slant") & np.isfinite(vertical))
    show = job.units.show_length
    parts = [
        f"{setups.setup[i]} {show(setups.height[i], 3)} to {show(vertical[i], 3)}" for i in slant.tolist()
    ]
    if not parts:
        return []
    least, most = (float(f(vertical[slant] - setups.height[slant])) for f in (np.min, np.max))
    small = job.units.show_small_length
    much = small(least) if abs(most - least) < 5e-5 else f"{small(least)} to {small(most)}"
    return [("slant height made vertical", much, names(parts, _SHOWN))]


def _curved(a: Adjustment, obs: Observations, job: Job) -> list[Line]:
    """The largest effect of curvature and refraction on a height: (1 − k)·D²/2R."""
    zenith = np.flatnonzero(obs.kind == "zenith")
    m, s = a.marks, a.settings
    if not len(zenith):
        return []
    ends = obs.start_mark[zenith], obs.end_mark[zenith]
    far = np.nan_to_num(np.hypot(m.east[ends[1]] - m.east[ends[0]], m.north[ends[1]] - m.north[ends[0]]))
    i = int(far.argmax())
    found = [float(v) for n, v in zip(a.constants.name, a.constants.value, strict=True) if n == "refraction"]
    k, held = (found[0], "estimated") if found else (s.refraction, "held")
    effect = (1.0 - k) * far[i] ** 2 / (2.0 * s.radius)
    pair = f"{m.mark[ends[0][i]]} → {m.mark[ends[1][i]]}"
    away = f"{job.units.show_length(far[i], 1)} {job.units.length_name}"
    words = f"within the adjustment, on {len(zenith)} zenith angles; largest on {pair}, {away}"
    return [
        (
            "curvature and refraction",
            f"k = {plain(k, 3)} ({held}); up to {job.units.show_small_length(effect, 2)} of height",
            words,
        )
    ]


def _scaled(a: Adjustment, obs: Observations) -> list[Line]:
    lengths = np.isin(obs.kind.astype(str), ("distance", "level", "horizontal"))
    if not lengths.any():
        return []
    lines = line_table(a)
    if lines is not None:
        ppm = 1e6 * (lines.combined[np.isfinite(lines.combined)] - 1.0)
        span = f"{ppm.min():+.1f} to {ppm.max():+.1f} ppm" if len(ppm) else "undefined"
        words = f"within the adjustment, line by line (lines.csv), on {int(lengths.sum())} distances"
        return [("combined factor, grid / ground", span, words)]
    rows: list[Line] = []
    scale = a.settings.scale_factor
    much = "1, none applied" if scale == 1.0 else f"{scale:.8g} ({1e6 * (scale - 1.0):+.1f} ppm)"
    rows.append(
        ("scale factor, grid / ground", much, f"within the adjustment, on {int(lengths.sum())} distances")
    )
    heights = a.marks.height[obs.start_mark[lengths]] - a.reference_height
    known = heights[np.isfinite(heights)]
    if len(known) and len(a.network.sights):
        worst = float(known[np.abs(known).argmax()]) / a.settings.radius
        rows.append(
            (
                "to the reference height",
                f"up to {plain(abs(1e6 * worst), 2)} ppm",
                "within the adjustment, on the same distances",
            )
        )
    return rows
