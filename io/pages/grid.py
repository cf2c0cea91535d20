"""What the grid does to a job, in words: its system, its scale and convergence, and whether the distances agree with it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.ground.table import Floats
from hubtack.adjust.outcome.lines import line_table, place_table
from hubtack.adjust.outcome.scale import ScaleTest, scale_test
from hubtack.io.pages.words import Row, Section

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FAR = 10e-6  # a declared scale is told where it is this far from the grid's own: 1 mm in 100 m; our choice
TIMES = {
    0.0: "applied before they came here",
    1.0: "left to the tool, as it should be",
    2.0: "taken out before",
}


def grid_section(a: Adjustment, job: Job) -> Section:
    """The system, the factors, and the alarm of the scale; nothing without a system."""
    rows: list[Row] = []
    if a.settings.frame == "earth":
        rows = _on_earth(a, job)
    elif job.site is not None:
        rows = _in_plane(a, job)
    test = scale_test(a)
    if test is not None:
        rows.append(_alarm(test))
    elif rows and a.settings.frame == "earth":
        rows.append(Row("", ("The distances' own scale can't be told: the control leaves it to them.",)))
    return Section("grid", "Grid and scale", tuple(rows))


def _on_earth(a: Adjustment, job: Job) -> list[Row]:
    places, lines = place_table(a), line_table(a)
    assert places is not None
    units = job.units
    heights = f"heights {a.settings.heights}"
    if np.isfinite(places.undulation).any():
        low, high = _range(places.undulation)
        same = units.show_length(low, 3) == units.show_length(high, 3)
        span = units.show_length(low, 3) + ("" if same else f" to {units.show_length(high, 3)}")
        heights += f", undulation {span} {units.length_name}"
    lean = np.hypot(places.deflection_north, places.deflection_east)
    if np.nanmax(lean, initial=0.0) > 0.0:
        heights += f", deflections up to {units.show_small_angle(float(np.nanmax(lean)), 1)}"
    rows = [
        Row("", (f"{job.system}, {heights}.",)),
        Row(
            "",
            ("East, north, sigmas and ellipses are on the grid, along its axes; geodetic.csv has the rest.",),
        ),
    ]
    if lines is not None and len(lines):
        ppm = 1e6 * (lines.combined - 1.0)
        turn, bent = _range(places.convergence), float(np.nanmax(np.abs(lines.arc_to_chord), initial=0.0))
        worst = int(np.nanargmax(np.abs(lines.grid - lines.ground)))
        gap = units.show_small_length(abs(float(lines.grid[worst] - lines.ground[worst])), 1)
        words = (
            f"Grid / ground {_signed(*_range(ppm))} ppm from line to line: {lines.start[worst]} – {lines.end[worst]} is {gap} "
            f"{'shorter' if lines.grid[worst] < lines.ground[worst] else 'longer'} on the grid than on the ground (lines.csv)."
        )
        rows.append(Row("", (words,)))
        angles = f"{units.show_angle(turn[0], 0)} to {units.show_angle(turn[1], 0)} {units.angle_name}"
        rows.append(
            Row("", (f"Convergence {angles}, arc to chord up to {units.show_small_angle(bent, 2)}.",))
        )
    return rows


def _in_plane(a: Adjustment, job: Job) -> list[Row]:
    """A plane that names its grid: is its one scale factor that of the grid?"""
    from hubtack.adjust.earth.charts import factors

    assert job.site is not None
    rows = [Row("", (f"East and north are {job.system}.",))]
    m, chart = a.marks, job.site.chart
    known = np.isfinite(m.east) & np.isfinite(m.north)
    if not known.any():
        return rows
    latitude = chart.geodetic(m.east[known], m.north[known])[0]
    scale = factors(chart, m.east[known], m.north[known], latitude).scale
    height = m.height[known][np.isfinite(m.height[known])]
    level = float(height.mean()) if len(height) else 0.0
    own = float(np.nanmean(scale)) / (1.0 + level / a.settings.radius)
    apart = a.settings.scale_factor - own
    words = f"Scale factor {a.settings.scale_factor:.8g} is declared; the grid's own at the mean height is {own:.7f}"
    if abs(apart) > FAR and len(a.relative):
        words += f", {abs(apart) * 1e6:.0f} ppm {'less' if apart > 0 else 'more'}. "
        words += 'If both ends of the job are on the grid, declare that, or write frame = "earth".'
        return [*rows, Row("watch", (words,))]
    return [*rows, Row("", (f"{words} (undulation left aside: 30 m are 4.7 ppm).",))]


def _alarm(test: ScaleTest) -> Row:
    found = f"{_ppm(test.extra)} ± {1e6 * test.sigma:.1f} ppm"
    declared = f"the declared {_ppm(test.declared)} ppm"
    if test.alarm:
        words = (
            f"Fitted freely, the distances' scale adds {found} to {declared}: they want it {test.times:.0f} times, "
            f"as if it had been {TIMES[test.times]}. Nothing was changed."
        )
        return Row("flagged", (words,))
    if math.isnan(test.times):
        return Row(
            "", (f"Fitted freely, the distances' scale adds {found} to {declared}: too loose to check it.",)
        )
    words = f"Fitted freely, the distances' scale adds {found} to {declared}: it is applied once"
    if test.failed:
        return Row(
            "watch", (f"{words}; the rest is no matter of the grid. The air, or the instrument's own scale?",)
        )
    return Row("ok", (f"{words}.",))


def grid_document(a: Adjustment, job: Job) -> dict[str, Any]:
    """What result.json says of the earth: system, places, lines and the free scale; empty for a plane of its own."""
    from hubtack.io.writers.result import records

    out: dict[str, Any] = {}
    if job.site is not None:
        out["crs"] = {
            "job": job.site.crs.name, "name": job.site.crs.about.get("name", ""), "grid": job.site.grid.name,
            "ellipsoid": {"a": job.site.grid.ellipsoid.a, "f": job.site.grid.ellipsoid.f},
        }  # fmt: skip
    places, lines = place_table(a), line_table(a)
    if places is not None and lines is not None:
        out |= {"heights": a.settings.heights, "places": records(places), "lines": records(lines)}
    test = scale_test(a)
    if test is not None:
        out["scale"] = {
            "declared": test.declared, "extra": test.extra, "sigma": test.sigma,
            "times": None if math.isnan(test.times) else test.times, "alarm": test.alarm,
        }  # fmt: skip
    return out


def _range(values: Floats) -> tuple[float, float]:
    return float(np.nanmin(values)), float(np.nanmax(values))


def _signed(low: float, high: float) -> str:
    return f"{low:+.1f} to {high:+.1f}".replace("-", "−")


def _ppm(ratio: float) -> str:
    return f"{1e6 * ratio:+.1f}".replace("-", "−")
