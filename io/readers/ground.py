"""marks.csv, setups.csv and the devices of job.toml to the tables of the network."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from hubtack.adjust.ground.network import Instruments, Marks, Setups, Supports, Targets
from hubtack.adjust.ground.table import Flags, Floats, Ints
from hubtack.adjust.trouble import Trouble
from hubtack.io.faults import Nearest, listed
from hubtack.io.readers.cells import Cells, rows_where
from hubtack.io.readers.jobfile import JobFile
from hubtack.io.readers.jobkeys import HEIGHT_DEFAULTS, InstrumentKeys, SupportKeys, TargetKeys
from hubtack.io.units import parse_angle_quantity, quoted
from hubtack.io.weather import parse_humidity, parse_pressure, parse_temperature

COMPONENTS = {"e": "east", "n": "north", "h": "height"}
MOST_SLANT = math.radians(70.0)  # beyond, a distance without a prism is refused: common practice, no source
ROLES = ("instrument", "target")
_CONTROL = re.compile(r"(held|weighted)(?:-([enh]{1,3}))?")


def read_marks(cells: Cells, positions: Mapping[str, Floats] | None = None) -> Marks:
    """The marks; sigmas 0 where held, as given where weighted, infinite where free.

    `positions` are coordinates that were made of others (latitudes, say), column → (n,) m.
    """
    cells.identities("mark")
    positions = positions or {}
    values = {c: positions[c] if c in positions else cells.lengths(c) for c in COMPONENTS.values()}
    sigmas = {c: cells.lengths(f"sigma_{c}") for c in COMPONENTS.values()}
    given = {c: np.isfinite(positions[c]) if c in positions else cells.given(c) for c in COMPONENTS.values()}
    given_sigma = {c: cells.given(f"sigma_{c}") for c in COMPONENTS.values()}
    used = "".join(letter for letter, c in COMPONENTS.items() if given[c].any()) or "enh"
    prior = {c: np.full(len(cells), math.inf) for c in COMPONENTS.values()}
    for row, cell in enumerate(cells.text("control")):
        control = _control(cells, row, cell, used)
        missing: list[str] = []
        for letter, c in COMPONENTS.items():
            word = control.get(letter)
            sigma = sigmas[c][row]
            if word and not given[c][row]:
                missing.append(c)
            elif word == "weighted" and not given_sigma[c][row]:
                cells.fault(
                    row, f"sigma_{c}", "TAB216", f"A weighted {c} needs its sigma", "Give it, or hold it."
                )
            elif given_sigma[c][row] and sigma < 0:
                found = f"{quoted(cells.text(f'sigma_{c}')[row])} is negative"
                cells.fault(row, f"sigma_{c}", "TAB216", found, "Write 0 or more.")
            elif (
                word != "weighted"
                and given_sigma[c][row]
                and not (word == "held" and sigma == 0)
                and _clear(cells, row)
            ):
                found = f"A sigma is given, but the {c} is {'held' if word else 'no control'}"
                cells.fault(
                    row, f"sigma_{c}", "TAB216", found, f"Write weighted-{letter}, or remove the sigma."
                )
            elif word:
                prior[c][row] = 0.0 if word == "held" else sigma
        if missing:
            there = "".join(x for x in control if given[COMPONENTS[x]][row])
            wanted = (
                f"Give it, or write {control[there[0]]}-{there}."
                if there
                else "Give them, or leave control blank."
            )
            found = f"{quoted(cell)} needs {' and '.join(missing)}, and nothing is there"
            cells.fault(row, missing[0], "TAB215", found, wanted)
    return Marks(
        mark=cells.names("mark"),
        **values,
        sigma_east=prior["east"],
        sigma_north=prior["north"],
        sigma_height=prior["height"],
        undulation=cells.lengths("undulation"),
        deflection_north=cells.quantities("deflection_north", parse_angle_quantity),
        deflection_east=cells.quantities("deflection_east", parse_angle_quantity),
    )


def _control(cells: Cells, row: int, cell: str, used: str) -> dict[str, str]:
    """Letter of a component → held or weighted. A bare word means all that the table has coordinates of."""
    control: dict[str, str] = {}
    for token in cell.split():
        match = _CONTROL.fullmatch(token)
        letters = (match[2] or used) if match else ""
        if match is None or len(set(letters)) < len(letters):
            wanted = "Write held or weighted, alone or with e, n, h: held-en, weighted-h."
            cells.fault(row, "control", "TAB214", f"{quoted(token)} is no control", wanted)
            return {}
        if any(letter in control for letter in letters):
            found = f"{quoted(cell)} speaks twice of one component"
            cells.fault(row, "control", "TAB214", found, "Name each of e, n, h once: held-en weighted-h.")
            return {}
        control |= dict.fromkeys(letters, match[1])
    return control


def _clear(cells: Cells, row: int) -> bool:
    """Whether the control cell of a row could be read: a fault in it is told once."""
    return all(_CONTROL.fullmatch(t) for t in cells.text("control")[row].split())


def read_supports(job: JobFile, remarks: list[Trouble]) -> Supports:
    """The supports of job.toml; a height sigma not stated comes from the kind of height, with a remark."""
    specs = {name: spec or SupportKeys(kind="stand") for name, spec in job.supports.items()}
    sigmas = []
    for name, spec in specs.items():
        sigma = spec.height_sigma
        if sigma is None:
            sigma = HEIGHT_DEFAULTS[spec.height]
            text = f"Support {name} states no height_sigma: {sigma * 1e3:.1f} mm is taken ({spec.height})."
            remarks.append(Trouble("REM501", text, "State height_sigma if the crew's own figure is known."))
        sigmas.append(sigma)
    same = (
        "kind",
        "bubble",
        "bubble_off_centre",
        "bubble_error",
        "plummet",
        "mark",
        "slant_offset",
        "slant_radius",
        "height_offset",
        "height_offset_sigma",
    )
    columns: dict[str, Any] = {name: [getattr(s, name) for s in specs.values()] for name in same}
    columns |= {
        "support": list(specs),
        "height_kind": [s.height for s in specs.values()],
        "height_sigma": sigmas,
        "centring_sigma": [
            math.nan if s.centring_sigma is None else s.centring_sigma for s in specs.values()
        ],
    }
    return Supports(**columns)


def read_instruments(job: JobFile) -> Instruments:
    """The instruments of job.toml."""
    specs = [spec or InstrumentKeys(1.0, 1.0, (1.0, 0.0)) for spec in job.instruments.values()]
    same = (
        "direction",
        "zenith",
        "distance_zero_sigma",
        "distance_scale_sigma",
        "collimation_sigma",
        "index_sigma",
        "distance_zero",
        "distance_scale",
        "collimation",
        "index",
    )
    columns: dict[str, Any] = {name: [getattr(s, name) for s in specs] for name in same}
    for name in ("distance", "reflectorless"):
        pairs = [getattr(s, name) or (math.nan, math.nan) for s in specs]
        columns |= {name: [p[0] for p in pairs], f"{name}_ppm": [p[1] for p in pairs]}
    air = [s.reference_air or (math.nan,) * 3 for s in specs]
    for k, name in enumerate(("temperature", "pressure", "humidity")):
        columns[f"reference_{name}"] = [a[k] for a in air]
    columns["wavelength"] = [math.nan if s.wavelength is None else s.wavelength for s in specs]
    columns |= {name: [getattr(s, name) for s in specs] for name in ("atmosphere", "spot")}
    return Instruments(**columns | {"instrument": list(job.instruments)})


def read_targets(job: JobFile) -> Targets:
    """The targets of job.toml, and `prism` where it is not among them."""
    specs = {name: spec or TargetKeys() for name, spec in job.targets.items()}
    specs.setdefault("prism", TargetKeys())
    columns: dict[str, Any] = {
        "target": list(specs),
        "reflectorless": [s.mode == "reflectorless" for s in specs.values()],
        "constant": [s.constant for s in specs.values()],
        "scanner_sigma": [math.nan if s.scanner_sigma is None else s.scanner_sigma for s in specs.values()],
        "constant_sigma": [s.constant_sigma for s in specs.values()],
    }
    return Targets(**columns)


def read_setups(
    cells: Cells, job: JobFile, marks: dict[str, int] | None, targets: dict[str, int], vertical: set[str]
) -> Setups:
    """The setups. `vertical` names those with a zenith angle or slope distance, which need a height."""
    cells.identities("setup")
    role = cells.choices("role", ROLES)
    mark = cells.indices("mark", marks, "TAB210", "mark", "marks.csv")
    supports = {name: i for i, name in enumerate(job.supports)}
    if job.readable:
        support = cells.indices("support", supports, "TAB212", "support", "job.toml")
        device = _devices(cells, role == "instrument", {n: i for i, n in enumerate(job.instruments)}, targets)
    else:
        support = device = np.full(len(cells), -1, dtype=np.int64)
    base = cells.groups("base")
    _check_bases(cells, base, mark)
    constant = cells.lengths("prism_constant")
    for row in rows_where((role == "instrument") & (constant != 0) & ~np.isnan(constant)):
        found = "An instrument setup has no prism"
        cells.fault(row, "prism_constant", "TAB232", found, "Give the constant at the target's setup.")
    incidence = cells.angles("incidence")
    for row in rows_where((incidence < 0.0) | (incidence > MOST_SLANT)):
        found = f"An incidence of {quoted(cells.text('incidence')[row])} is beyond 0 to 70 degrees from the normal"
        wanted = "Leave the distance out, or measure from where the surface is seen less at a slant."
        cells.fault(row, "incidence", "TAB255", found, wanted)
    return Setups(
        setup=cells.names("setup"),
        instrument=role == "instrument",
        mark=mark,
        support=support,
        device=device,
        height=_heights(cells, job, support, vertical),
        base=base,
        height_base=cells.groups("height_base"),
        prism_constant=constant,
        temperature=cells.quantities("temperature", parse_temperature),
        pressure=cells.quantities("pressure", parse_pressure),
        humidity=cells.quantities("humidity", parse_humidity),
        incidence=incidence,
    )


def _devices(cells: Cells, instrument: Flags, instruments: dict[str, int], targets: dict[str, int]) -> Ints:
    """Rows of the devices, in instruments or in targets as the role says; a target's blank means prism."""
    rows = np.full(len(cells), -1, dtype=np.int64)
    nearest = {True: Nearest(instruments), False: Nearest(targets)}
    roles = cells.text("role")
    for row, cell in enumerate(cells.text("device")):
        if roles[row] not in ROLES:
            continue
        role = bool(instrument[row])
        own, other = (instruments, targets) if role else (targets, instruments)
        name = cell or ("" if role else "prism")
        rows[row] = own.get(name, -1)
        if rows[row] >= 0:
            continue
        what, kind = ("an instrument", "a target") if role else ("a target", "an instrument")
        if not cell:
            found, wanted = "There is no device", "Name an instrument of job.toml."
        elif cell in other:
            found, wanted = f"{quoted(cell)} is {kind}, this setup {what}'s", "Change the device or the role."
        else:
            found = f"There is no {what.split()[1]} {quoted(cell)}"
            wanted = nearest[role].advice(cell, f"Known in job.toml: {listed(own)}.")
        cells.fault(row, "device", "TAB213" if cell else "TAB208", found, wanted)
    return rows


def _check_bases(cells: Cells, base: Ints, mark: Ints) -> None:
    """A base stands on one mark."""
    first: dict[int, int] = {}
    for row, group in enumerate(base.tolist()):
        if group < 0:
            continue
        start = first.setdefault(group, row)
        if mark[row] != mark[start] and mark[row] >= 0 and mark[start] >= 0:
            name, marks = cells.text("base")[row], cells.text("mark")
            found = f"Base {name} stands on {marks[row]} here and on {marks[start]} in {cells.place(start)}"
            cells.fault(row, "base", "TAB223", found, "A base that is moved needs a new name.")


def _heights(cells: Cells, job: JobFile, support: Ints, vertical: set[str]) -> Floats:
    """Heights as entered, a fixed support's where blank, NaN where none is needed."""
    heights = cells.lengths("height")
    given = cells.given("height")
    specs = list(job.supports.items())
    for row, name in enumerate(cells.text("setup")):
        if support[row] < 0:
            continue
        support_name, spec = specs[support[row]]
        if spec is None:
            continue
        if not given[row]:
            if spec.height == "fixed" and spec.target_height is not None:
                heights[row] = spec.target_height
            elif name in vertical:
                found = f"Setup {name} on {support_name} has no height; zenith angles, slope distances and vectors need it"
                wanted = "Give its height."
                if spec.height == "fixed":
                    wanted = f"Give its height, or target_height in [supports.{support_name}]."
                cells.fault(row, "height", "TAB217", found, wanted)
        elif spec.height == "slant" and abs(heights[row]) < spec.slant_radius:
            found = f"The slant height {quoted(cells.text('height')[row])} is shorter than the slant_radius"
            cells.fault(row, "height", "TAB231", found, f"See height, and slant_radius of {support_name}.")
    return heights


def _a(word: str) -> str:
    return ("an " if word[0] in "aeiou" else "a ") + word
