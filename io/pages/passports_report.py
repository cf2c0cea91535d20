"""Passports in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.checks.constants import SEEN
from hubtack.adjust.estimate.quantiles import normal_probability
from hubtack.io.pages.words import Row, Section, Sign
from hubtack.io.writers.passport import TOGETHER
from hubtack.io.writers.sheets import plain

if TYPE_CHECKING:
    from hubtack.adjust.checks.constants import Known
    from hubtack.adjust.checks.passports import Constant, Sigma
    from hubtack.io.units import Units


SILENT = 0.97  # a constant whose sigma is beyond this share of its prior's: the days say nothing of it


def passport_sections(
    sigmas: Sequence[Sigma],
    constants: Sequence[Constant],
    known: Known,
    flagged: Sequence[str],
    names: Sequence[str],
    units: Units,
) -> tuple[Section, ...]:
    """Verdict, sigmas, constants, and what the days say of them one by one where they differ."""
    parts = (
        _verdict(sigmas, constants, known, flagged),
        _sigmas(sigmas, units),
        _known(known, units),
        _pairwise(known, units),
        _days(known, names, units),
        _constants(constants, units),
    )
    return tuple(s for s in parts if s.rows)


def needs_checking(sigmas: Sequence[Sigma], constants: Sequence[Constant], known: Known) -> list[str]:
    """Names of what is worse than stated, not as stated, or drifts."""
    worse = [f"{s.name} ({s.what})" for s in sigmas if s.verdict == "needs checking"]
    worse += [f"{c.name} ({c.what})" for c in constants if c.verdict == "drifts"]
    verdicts = [(n, known.verdict(i)) for i, n in enumerate(known.names)]
    worse += [
        f"{_pair_words(known, *p)} (not as stated)" for p in _pairs(known) if _pair_figures(known, *p)[3]
    ]
    return worse + [f"{n[1]} ({_words(n[2])} {v})" for n, v in verdicts if v in ("not as stated", "drifts")]


def _verdict(
    sigmas: Sequence[Sigma], constants: Sequence[Constant], known: Known, flagged: Sequence[str]
) -> Section:
    worse = needs_checking(sigmas, constants, known)
    rows = [
        Row("flagged", (f"NEEDS CHECKING: {', '.join(worse)}.",))
        if worse
        else Row("ok", ("NOTHING needs checking by what these days tell.",))
    ]
    if not worse and not known.told.any() and all(s.verdict == "cannot tell" for s in sigmas):
        rows = [Row("watch", ("NOTHING can be told yet: too little is observed twice.",))]
    if flagged:
        words = (
            f"Flagged by itself, so its sigmas may hold a mistake: {', '.join(flagged)}. Settle that first."
        )
        rows.append(Row("watch", (words,)))
    untold = sum(s.verdict == "cannot tell" for s in sigmas)
    if untold:
        rows.append(
            Row(
                "",
                (
                    f"{untold} sigma{'s' * (untold > 1)} can't be told yet: fewer than five degrees of freedom.",
                ),
            )
        )
    return Section("verdict", "Verdict", tuple(rows))


def _sigmas(sigmas: Sequence[Sigma], units: Units) -> Section:
    rows = []
    for s in sigmas:
        sign: Sign = {"needs checking": "flagged", "cannot tell": "watch"}.get(s.verdict, "ok")  # type: ignore[assignment]
        values = [_value(v, s.what, units) for v in (s.stated, s.estimated)]
        interval = (
            f"{_value(s.lower, s.what, units)} … {_value(s.upper, s.what, units)}"
            if math.isfinite(s.lower)
            else ""
        )
        unit = units.small_angle_name if s.what in ("direction", "zenith") else units.small_length_name
        rows.append(
            Row(sign, (s.name, f"{s.what} [{unit}]", *values, interval, plain(s.freedom, 0), s.verdict))
        )
    headings = ("device", "of", "stated", "found", "95 %", "f", "verdict")
    return Section("sigmas", "Sigmas: stated, and found by these days", tuple(rows), headings)


WORDS = {
    "distance_zero": "EDM zero",
    "distance_scale": "EDM scale",
    "constant": "prism constant",
    "height_offset": "height offset",
}


def _words(key: str) -> str:
    return WORDS.get(key, key)


def _known(known: Known, units: Units) -> Section:
    rows, silent = [], []
    together = {k for i, j, _ in _pairs(known) for k in (i, j)}
    for i, (_, name, key) in enumerate(known.names):
        if known.sigma[i] > SILENT * known.stated_sigma[i]:
            silent.append(f"{name} {_words(key)}")
            continue
        values, unit = _in_units(known, i, (known.stated[i], known.value[i], known.sigma[i]), units)
        verdict = known.verdict(i)
        if verdict == "cannot tell" and i in together:
            verdict = "not alone"
        sign: Sign = "ok" if verdict == "as stated" else ""
        if verdict in ("drifts", "not as stated"):
            sign = "flagged"
        rows.append(Row(sign, (name, f"{_words(key)} [{unit}]", *values, str(known.days[i]), verdict)))
    if silent and rows:
        rows.append(Row("", (f"These days say nothing of: {', '.join(silent)}.",)))
    headings = ("device", "constant", "stated", "found", "sigma", "days", "verdict")
    return Section("known", "Constants, from adjustments that leave them open", tuple(rows), headings)


def _pairs(known: Known) -> list[tuple[int, int, float]]:
    """Constants that are not told alone, each with the one it hangs together with most; and the sign of their correlation."""
    R = known.correlation - np.eye(len(known.names))
    found: list[tuple[int, int, float]] = []
    for i in np.flatnonzero(~known.told).tolist():
        j = int(np.abs(R[i]).argmax())
        if abs(R[i, j]) >= TOGETHER and (j, i) not in [f[:2] for f in found]:
            found.append((i, j, float(np.sign(R[i, j]))))
    return found


def _pairwise(known: Known, units: Units) -> Section:
    """Sums and differences that are told where their parts are not."""
    rows = []
    for i, j, sign in _pairs(known):
        *figures, wrong = _pair_figures(known, i, j, sign)
        values, unit = _in_units(known, i, figures, units)
        words = f"{_pair_words(known, i, j, sign)}: stated {values[0]}, found {values[1]}, sigma {values[2]} {unit}"
        rows.append(Row("flagged" if wrong else "ok", (words,)))
    return Section("pairs", "Told only together", tuple(rows))


def _pair_words(known: Known, i: int, j: int, sign: float) -> str:
    (_, one, key), (_, other, key_j) = known.names[i], known.names[j]
    if key == key_j:
        return f"{_words(key)}s, {one} {'less' if sign > 0 else 'and'} {other}"
    return f"{one} {_words(key)} {'less' if sign > 0 else 'and'} {other} {_words(key_j)}"


def _pair_figures(known: Known, i: int, j: int, sign: float) -> tuple[float, float, float, bool]:
    """Stated, found, its sigma, and whether they differ significantly."""
    C = known.covariance
    sigma = float(np.sqrt(C[i, i] + C[j, j] - 2.0 * sign * C[i, j]))
    stated, found = (float(v[i] - sign * v[j]) for v in (known.stated, known.value))
    return stated, found, sigma, 2.0 * normal_probability(-abs(found - stated) / sigma) < SEEN


def _days(known: Known, names: Sequence[str], units: Units) -> Section:
    """Every day's own figure of the constants that drift."""
    rows = []
    for i, (_, name, key) in enumerate(known.names):
        if known.verdict(i) == "drifts":
            for day, value, sigma in known.by_day[i]:
                values, unit = _in_units(known, i, (value, sigma), units)
                rows.append(Row("", (name, f"{_words(key)} [{unit}]", names[day], *values)))
    return Section(
        "days",
        "Constants that drift, day by day",
        tuple(rows),
        ("device", "constant", "day", "found", "sigma"),
    )


def _in_units(known: Known, i: int, values: Sequence[float], units: Units) -> tuple[list[str], str]:
    quantity = known.quantity[i]
    if quantity == "angle":
        return [plain(units.small_angle_of(v), 1) for v in values], units.small_angle_name
    if quantity == "length":
        return [plain(units.small_length_of(v), 2) for v in values], units.small_length_name
    return [plain(1e6 * v, 1) for v in values], "ppm"


def _constants(constants: Sequence[Constant], units: Units) -> Section:
    rows = []
    for c in constants:
        cells = [plain(units.small_angle_of(v), 1) for v in (c.mean, c.sigma, c.first, c.last)]
        rows.append(Row("flagged" if c.verdict == "drifts" else "ok", (c.name, c.what, *cells, c.verdict)))
    unit = units.small_angle_name
    headings = ("instrument", "constant", f"mean [{unit}]", "sigma", "first day", "last day", "verdict")
    return Section("constants", "Constants, from face pairs", tuple(rows), headings)


def _value(value: float, what: str, units: Units) -> str:
    angle = what in ("direction", "zenith")
    return plain(units.small_angle_of(value) if angle else units.small_length_of(value), 2)
