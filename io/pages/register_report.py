"""A registration in words: how wrong the cloud will be, what the targets are good for, what does not fit, what would help."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hubtack.io.pages.register_causes import cause_rows
from hubtack.io.pages.words import Row, Section, Sign
from hubtack.io.writers.sheets import names, percent, plain

if TYPE_CHECKING:
    from hubtack.adjust.ground.table import Floats
    from hubtack.adjust.registration.predict import Errors
    from hubtack.adjust.registration.story import Registration
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

WAYS = ("low south-west", "low north-west", "low south-east", "low north-east",
        "high south-west", "high north-west", "high south-east", "high north-east")  # fmt: skip
BEND = 1e-4  # m; less than this between straight axes and site coordinates is not told
TOLD = 0.05  # equal weights are told where they make the worst corner worse by this share


@dataclass(frozen=True)
class Report:
    """A registration with what is needed to speak of it. `names` of its points; tolerance m; assumed: see read_scanned."""

    result: Registration
    adjustment: Adjustment
    job: Job
    names: tuple[str, ...]
    assumed: bool
    tolerance: float | None
    doubts: tuple[tuple[str, str], ...] = ()  # targets that the site's adjustment speaks against, and why

    @property
    def good(self) -> bool:
        """True if the scan fits and the tolerance is kept, as far as there is either."""
        r = self.result
        fits = r.fit is None or (r.explained is None and r.fit.passed)
        checks = r.checks is None or not r.checks.flagged.any()
        return bool(fits and checks and (self.tolerance is None or r.worst <= self.tolerance))

    def small(self, metres: float, decimals: int = 1) -> str:
        """Millimetres, or thousandths of a foot, without the unit."""
        return plain(self.job.units.small_length_of(metres), decimals)

    def signed(self, metres: float) -> str:
        """The same with its sign; nought has none."""
        text = self.small(metres)
        return f"+{text}" if metres > 0.0 and text.strip("0.") else text

    def told(self, metres: float, decimals: int = 1) -> str:
        """The same with its unit."""
        return self.job.units.show_small_length(metres, decimals) if math.isfinite(metres) else "any size"


def register_sections(r: Report, most: int = 6) -> tuple[Section, ...]:
    """All sections that have something to say; what does not fit first."""
    sections = (
        _verdict(r),
        cause_rows(r),
        _checks(r),
        _targets(r),
        _errors(r),
        _more(r, most),
        _parameters(r),
        _cautions(r),
    )
    return tuple(s for s in sections if s.rows)


def headline(r: Report) -> tuple[Sign, str]:
    """The sign of the whole and the verdict in a sentence."""
    result = r.result
    n = len(result.prediction.targets)
    if result.fit is None:
        kept = r.tolerance is None or result.worst <= r.tolerance
        word = "PREDICTED" if r.tolerance is None else "WITHIN TOLERANCE" if kept else "TOO WRONG"
        return ("ok" if kept else "flagged"), f"{word}: a cloud laid on {n} targets."
    if r.good:
        return "ok", f"FITS: the scan agrees with its {n} targets."
    if (
        result.explained is None
        and result.fit.passed
        and (result.checks is None or not result.checks.flagged.any())
    ):
        return "flagged", f"FITS, AND IS TOO WRONG: the scan agrees with its {n} targets."
    return "flagged", f"DOES NOT FIT: the scan and its {n} targets disagree."


def _verdict(r: Report) -> Section:
    result, level = r.result, percent(r.result.confidence)
    sign, words = headline(r)
    rows = [Row(sign, (words,))]
    worst = result.corners.worst
    away = result.corners.beyond[worst]
    where = f"{WAYS[worst]} corner" + (f", {_metres(r, away)} outside the targets" if away > 0.0 else "")
    kept: Sign = "" if r.tolerance is None else "ok" if result.worst <= r.tolerance else "flagged"
    fits = result.fit is None or result.explained is None
    kept = kept if fits else "watch"
    limit = "" if r.tolerance is None else f" Allowed: {r.told(r.tolerance)}."
    amid, there = (r.told(float(e.spatial[i])) for e, i in ((result.middle, 0), (result.corners, worst)))
    given = "" if fits else ", were its targets right"
    text = f"Error of the cloud{given} (spatial, {level}): {amid} amid the targets, {there} at the worst corner ({where}).{limit}"
    rows.append(Row(kept, (text,)))
    f = result.fit
    if f is not None:
        g = f.global_test
        good: Sign = "ok" if g.passed else "flagged" if g.variance_factor > g.upper else "watch"
        verb = {"ok": "passes", "flagged": "fails", "watch": "is passed too well"}[good]
        text = f"Global test {verb}: variance factor {g.variance_factor:.2f}, bounds {g.lower:.2f} to {g.upper:.2f} ({level}); "
        more = " The sigmas may be too large, and with them the errors told here." if good == "watch" else ""
        rows.append(Row(good, (text + f"{f.degrees_of_freedom} degrees of freedom.{more}",)))
        scale, sigma = 1e6 * f.scale, 1e6 * f.scale_sigma
        word = "does not differ from 1" if not f.scale_flagged else "differs from 1"
        why = result.explained.causes[0].cause if result.explained is not None else "scale"
        feigned = f.scale_flagged and why != "scale"
        tail = (
            "what does not fit (below) may feign that"
            if feigned
            else "six parameters are fitted, never seven"
        )
        text = f"Scale, as an alarm: {scale:+.0f} ± {sigma:.0f} ppm {word}; {tail}."
        sign = "ok" if not f.scale_flagged else "flagged" if why == "scale" else "watch"
        rows.append(Row(sign, (text,)))
    else:
        text = f"A scale error of the scanner would show from about {4.13e6 * result.prediction.scale_sigma():.0f} ppm."
        rows.append(Row("", (text,)))
    return Section("verdict", "Verdict", tuple(rows))


def _targets(r: Report) -> Section:
    p, f, u = r.result.prediction, r.result.fit, r.result.unseen
    t, unit = p.targets, r.job.units.small_length_name
    sigma = np.sqrt(np.maximum(np.diagonal(t.covariance), 0.0)).reshape(-1, 3)
    order = range(len(t)) if f is None else np.argsort(-f.statistic, kind="stable").tolist()
    rows = []
    for i in order:
        effects = (_or_any(r, float(u.detectable[i])), _or_any(r, float(u.effect[i])))
        scanner = r.small(float(t.scan_sigma[i]))
        if f is None:
            three = (r.small(float(s)) for s in sigma[i])
            rows.append(Row("", (str(t.name[i]), str(t.kind[i]), *three, scanner, *effects)))
            continue
        site = r.small(float(np.sqrt(np.mean(sigma[i] ** 2))))
        off = (r.signed(float(c)) for c in f.residual[i])
        T = plain(float(f.statistic[i]), 1)
        rows.append(
            Row("flagged" if f.flagged[i] else "ok", (str(t.name[i]), *off, T, site, scanner, *effects))
        )
    if f is None:
        title = f"Targets: sigmas, the least mistake that shows, what it does at the worst place [{unit}]"
        headings: tuple[str, ...] = ("target", "kind", "site e", "n", "h", "scanner", "least", "moves")
    else:
        title = (
            f"Targets: site − cloud, sigmas, the least mistake that shows, what it moves at worst [{unit}]"
        )
        headings = ("target", "east", "north", "height", "T", "site", "scanner", "least", "moves")
    return Section("targets", title, tuple(rows), headings)


def _errors(r: Report) -> Section:
    result, unit = r.result, r.job.units.small_length_name
    rows = [_error_row(r, "amid the targets", result.middle, 0)]
    rows += [_error_row(r, f"corner {WAYS[i]}", result.corners, i) for i in _by_error(result.corners)]
    rows += [_error_row(r, name, result.points, i) for i, name in enumerate(r.names)]
    worst = int(np.argmax(result.equal.spatial))
    equal, best = float(result.equal.spatial[worst]), float(result.corners.spatial.max())
    if equal > (1.0 + TOLD) * best:
        text = (
            f"With all targets weighted alike, as programs do that are given bare coordinates: {r.told(equal)} at the "
            f"corner {WAYS[worst]}, {100.0 * (equal / best - 1.0):.0f} % more."
        )
        rows.append(Row("watch", (text,)))
    level = percent(result.confidence)
    title = f"Error of the cloud against the site's coordinates, {level} [{unit}]"
    return Section(
        "errors",
        title,
        tuple(rows),
        ("where", "plan", "height", "spatial", f"outside [{r.job.units.length_name}]"),
    )


def _by_error(e: Errors) -> list[int]:
    """Corners, worst first; of two above one another the worse."""
    order: list[int] = np.argsort(-e.spatial, kind="stable").tolist()
    return [i for k, i in enumerate(order) if (i + 4) % 8 not in order[:k]]


def _error_row(r: Report, where: str, e: Errors, i: int) -> Row:
    limit = r.tolerance
    sign: Sign = "" if limit is None else "ok" if e.spatial[i] <= limit else "flagged"
    figures = (float(v[i]) for v in (e.plan, e.height, e.spatial))
    away = "" if e.beyond[i] <= 0.0 else plain(r.job.units.length_of(float(e.beyond[i])), 1)
    return Row(sign, (where, *(r.small(v) for v in figures), away))


def _more(r: Report, most: int) -> Section:
    more = r.result.more
    if more is None:
        return Section("more", "", ())
    rows: list[Row] = []
    shown: set[int] = set()
    for i in range(len(more.worst)):
        if int(more.places.mark[i]) in shown or len(rows) == most:
            continue  # places near one mark are much alike: the best is told
        shown.add(int(more.places.mark[i]))
        name = str(more.places.name[i])
        place = _place(r, more.places.point[i])
        gain = 100.0 * (1.0 - more.worst[i] / more.before)
        near = "" if name else f"near {r.adjustment.marks.mark[more.places.mark[i]]}"
        rows.append(Row("", (name or near, place, r.small(float(more.worst[i])), f"{gain:.0f} %")))
    title = f"One more target: what it makes of the worst place, now {r.told(more.before)}"
    unit = r.job.units.small_length_name
    head = ("at", f"east, north, height [{r.job.units.length_name}]", f"worst [{unit}]", "less")
    return Section("more", title, tuple(rows), head)


def _parameters(r: Report) -> Section:
    from hubtack.adjust.registration.rigid import quaternion

    f = r.result.fit
    if f is None:
        return Section("parameters", "", ())
    Q = f.covariance_at_origin()
    sigma = np.sqrt(np.diagonal(Q))
    units = r.job.units
    rows = [
        Row(
            "",
            (f"scanner's origin {axis}", units.show_length(float(f.shift[k]), 4), r.told(float(sigma[k]), 2)),
        )
        for k, axis in enumerate(("east", "north", "height"))
    ]
    q = quaternion(f.rotation)
    for k, name in enumerate(("w", "x", "y", "z")):
        turned = "" if k == 0 else units.show_small_angle(float(sigma[2 + k]), 1)
        about = ("", "about east", "about north", "about up")[k]
        rows.append(Row("", (f"quaternion {name}", f"{q[k]:.9f}", f"{about} {turned}".strip())))
    title = "Transformation, site = origin + R · scanner (with covariance: --parameters FILE)"
    return Section("parameters", title, tuple(rows), ("parameter", "value", "sigma"))


def _checks(r: Report) -> Section:
    c = r.result.checks
    if c is None:
        return Section("checks", "", ())
    rows = []
    for i in range(len(c.targets)):
        sigma = np.sqrt(np.diagonal(c.covariance[i]))
        parts = [
            f"{r.signed(float(d))} ± {r.small(float(s))}" for d, s in zip(c.difference[i], sigma, strict=True)
        ]
        sign: Sign = "flagged" if c.flagged[i] else "ok"
        rows.append(Row(sign, (str(c.targets.name[i]), *parts, plain(float(c.statistic[i]), 1))))
    title = f"Checks: targets that took no part, site − cloud ± sigma [{r.job.units.small_length_name}]"
    return Section("checks", title, tuple(rows), ("target", "east", "north", "height", "T"))


def _cautions(r: Report) -> Section:
    result, p = r.result, r.result.prediction
    t, rows = p.targets, []
    extents, axes = p.extents()
    if len(t) == 3:
        text = "Three targets alone: a wrong one may be seen, and hardly told from the others. Take five."
        rows.append(Row("watch", (text,)))
    elif len(t) < 5:
        rows.append(
            Row("watch", (f"{len(t)} targets: a wrong one shows, but leaves few to go on with. Take five.",))
        )
    if p.narrow:
        along = _way(axes[0])
        text = (
            f"The targets are nearly on one line ({along}, {_metres(r, float(extents[0]))} r.m.s. along, "
            f"{_metres(r, float(extents[1]))} beside): the cloud may turn about it. Put one well to the side."
        )
        rows.append(Row("watch", (text,)))
    blind = [str(n) for n, e in zip(t.name, result.unseen.effect, strict=True) if math.isinf(e)]
    if blind:
        rows.append(
            Row(
                "watch",
                (f"Nothing checks {names(blind, 6)} in every direction: a mistake there goes unseen.",),
            )
        )
    outside = int((result.corners.beyond > 0.0).sum())
    if outside:
        text = f"{outside} of 8 corners lie outside the targets, where the error grows with the distance."
        rows.append(Row("watch", (text,)))
    if r.assumed:
        text = "No sigma of the scanner is stated: 2 mm per axis is taken (common practice, no source). Say --sigma."
        rows.append(Row("watch", (text,)))
    f = result.fit
    if f is not None and f.rotation[2, 2] < 0.0:
        text = "The scanner would stand upside down. With targets in one plane that is what exchanged axes look like."
        rows.append(Row("watch", (text,)))
    used = {str(n) for n in t.name}
    for name, why in r.doubts[:6]:
        away = "It is kept out." if name not in used else "It is used all the same."
        rows.append(Row("watch", (f"{name} should not be used: {why}. {away}",)))
    if result.bend > BEND:
        k = result.local.factor
        text = (
            f"Site coordinates are no straight axes at ground scale: grid / ground is {k:.6f}, and heights follow the earth; "
            f"{r.told(result.bend)} at most here. The cloud is fitted in straight axes through the middle of the targets. "
            "A program that lays it on the grid as it stands is off by as much."
        )
        rows.append(Row("watch", (text,)))
    if r.adjustment.flagged:
        text = "The adjustment of the site is flagged by itself: settle that first (hubtack adjust)."
        rows.append(Row("watch", (text,)))
    if r.adjustment.datum:
        text = "The site's network is free: errors are those in its own datum."
        rows.append(Row("", (text,)))
    text = "Residuals at targets say nothing about the error elsewhere; bends and drifts within the cloud come on top."
    rows.append(Row("", (text,)))
    return Section("cautions", "To be borne in mind", tuple(rows))


def _or_any(r: Report, metres: float) -> str:
    return r.small(metres) if math.isfinite(metres) else "any"


def _place(r: Report, point: Floats) -> str:
    """Coordinates as fine as a place for a target needs them: to a tenth in a hall, to a metre on a mountain."""
    size = float(np.ptp(r.result.asked[:8], axis=0).max())
    return ", ".join(r.job.units.show_length(float(c), 1 if size < 200.0 else 0) for c in point)


def _metres(r: Report, metres: float) -> str:
    units = r.job.units
    return f"{plain(units.length_of(metres), 1)} {units.length_name}"


def _way(axis: Floats) -> str:
    """The direction of a line in plan, or `upright`."""
    if abs(axis[2]) > 0.8:
        return "upright"
    turn = math.degrees(math.atan2(axis[0], axis[1])) % 180.0
    ways = (
        "north to south",
        "north-east to south-west",
        "east to west",
        "south-east to north-west",
        "north to south",
    )
    return ways[round(turn / 45.0)]
