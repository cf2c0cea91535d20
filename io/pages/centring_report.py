"""The centring of one setup in words, tables and a curve."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.network import Supports
from hubtack.adjust.planning.centring import (
    angle_by_instrument,
    angle_by_targets,
    in_sight,
    setup_budget,
    vial_radius,
)
from hubtack.io.pages.words import Row, Section
from hubtack.io.units import ARCSEC, Units
from hubtack.io.writers.atomic import Refused
from hubtack.io.writers.sheets import plain

if TYPE_CHECKING:
    from hubtack.adjust.planning.centring import SetupBudget

BAR = 22
HEIGHTS = (0.1, 0.2, 0.5, 1.0, 1.5, 1.8, 2.0)  # m
DISTANCES = (10.0, 20.0, 30.0, 50.0, 100.0, 200.0)  # m
TERMS = {
    "bubble": ("bubble off centre", "h·tan(tilt)"),
    "bubble_error": ("bubble misadjusted", "h·tan(error)/√2"),
    "plummet": ("plummet", "sigma·h / 1.5 m"),
    "mark": ("definition of the mark", ""),
}
ARC_MINUTE = 60 * ARCSEC


def centring_sections(
    name: str, support: Supports, height: float, zenith: float, units: Units
) -> tuple[Section, ...]:
    """Budget, curve over height, effect on readings, check values."""
    budget = setup_budget(support, height)
    return (
        _verdict(name, budget, units),
        _terms(support, budget, units),
        _curve(support, budget, units),
        _effects(budget, zenith, units),
        _checks(),
    )


def _verdict(name: str, b: SetupBudget, units: Units) -> Section:
    rows = [
        Row(
            "",
            (
                f"{name}, device {units.show_length(b.height, 3)} {units.length_name} over the mark: centring "
                f"{_small(b.total, units)} per axis, {_small(b.total * math.sqrt(2), units)} radial; "
                f"95 % of all setups within {_small(2.4477 * b.total, units)}.",
            ),
        ),
        Row(
            "",
            (
                "It is made once, when the device is set down, and shared by every sight to or from it: "
                "more rounds don't average it away.",
            ),
        ),
    ]
    return Section("verdict", "Verdict", tuple(rows))


def _terms(support: Supports, b: SetupBudget, units: Units) -> Section:
    rows = []
    for key, value in b.terms.items():
        words, formula = TERMS[key]
        share = 0.0 if b.total == 0.0 or b.overridden else (value / b.total) ** 2
        rows.append(Row("", (words, _number(value, units), plain(100 * share, 0), formula)))
    rows.append(
        Row(
            "",
            (
                "together" if not b.overridden else "centring_sigma instead",
                _number(b.total, units),
                "",
                "",
            ),
        )
    )
    bubble = float(support.bubble[0])
    if bubble > 0.0:
        run = f"2 mm of run for {math.degrees(bubble) * 60.0:g}′"
        words = f"The vial of such a bubble has a radius of {plain(vial_radius(bubble), 2)} m ({run})."
        rows.append(Row("", (words,)))
    headings = ("term", f"sigma per axis [{units.small_length_name}]", "share %", "how")
    return Section("terms", "Budget", tuple(rows), headings)


def _curve(support: Supports, b: SetupBudget, units: Units) -> Section:
    heights = sorted({*HEIGHTS, round(b.height, 4)})
    totals = [setup_budget(support, h).total for h in heights]
    most = max(totals) or 1.0
    rows = [
        Row(
            "ok" if math.isclose(h, b.height, abs_tol=1e-4) else "",
            (units.show_length(h, 3), _number(t, units), "█" * round(BAR * t / most)),
        )
        for h, t in zip(heights, totals, strict=True)
    ]
    headings = (f"height [{units.length_name}]", f"centring [{units.small_length_name}]", "")
    return Section("curve", "The same support at other heights", tuple(rows), headings)


def _effects(b: SetupBudget, zenith: float, units: Units) -> Section:
    rows = []
    for S in DISTANCES:
        one = in_sight(b.total, b.sigma_height, S, zenith)
        by = angle_by_instrument(b.total, S, S, math.pi)
        targets = angle_by_targets(b.total, S, S)
        rows.append(
            Row(
                "",
                (
                    units.show_length(S, 0),
                    _turn(one.direction, units),
                    _turn(one.zenith, units),
                    _number(one.distance, units),
                    plain(one.correlation, 2),
                    _turn(by, units),
                    _turn(targets, units),
                ),
            )
        )
    unit, turn = units.small_length_name, units.small_angle_name
    headings = (
        f"sight [{units.length_name}]",
        f"direction [{turn}]",
        "zenith",
        f"distance [{unit}]",
        "ρ",
        "angle",
        "targets",
    )
    title = "What it does to one sight; to an angle of 180°, under the instrument or both targets"
    return Section("effects", title, tuple(rows), headings)


def _checks() -> Section:
    """Figures that a handbook or a pocket calculator gives, beside ours."""

    def bubble(minutes: float, height: float) -> float:
        return 1e3 * height * math.tan(minutes * ARC_MINUTE * 0.5e-3 / 0.002)

    level = in_sight(1e-3, 0.0, 30.0, math.pi / 2).direction / ARCSEC
    corner = angle_by_instrument(1e-3, 30.0, 30.0, math.radians(135.0)) / ARCSEC
    cases = (
        ("pole 1.5 m, 40' bubble", 4.36, bubble(40, 1.5), "mm", 2, "derived"),
        ("pole 1.5 m, 8' bubble", 0.87, bubble(8, 1.5), "mm", 2, "derived"),
        ('stand 0.178 m, 60" bubble', 0.013, bubble(1, 0.178), "mm", 3, "derived"),
        ("1 mm, sight of 30 m", 6.88, level, "arcsec", 2, "derived"),
        ("1 mm, 135°, sides 30 m", 13, corner, "arcsec", 0, "Sensors 18 (2018) 3187"),
    )
    rows = [
        Row(
            "ok" if plain(ours, places) == plain(known, places) else "flagged",
            (words, f"{plain(known, places)} {unit}", f"{plain(ours, places + 1)} {unit}", source),
        )
        for words, known, ours, unit, places, source in cases
    ]
    title = "Check values: the same formulas on known cases (bubbles 0.5 mm off centre)"
    return Section("checks", title, tuple(rows), ("case", "known", "here", "source"))


def draw_curves(names: list[str], supports: list[Supports], units: Units, path: Path) -> None:
    """Centring against height, one line a support. Raises Refused."""
    from hubtack.io.pictures.budget_figure import KINDS, save

    kind = path.suffix.lower().lstrip(".")
    if kind not in KINDS:
        raise Refused(
            "RUN425",
            f'A picture can\'t be written as "{path.name}".',
            f"End it with {', '.join('.' + k for k in KINDS)}.",
        )
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 4.5), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    heights = np.linspace(0.0, 2.2, 89)
    dashes = ["-", "--", "-.", ":"]
    for i, (name, support) in enumerate(zip(names, supports, strict=True)):
        totals = [units.small_length_of(setup_budget(support, float(h)).total) for h in heights]
        axes.plot([units.length_of(float(h)) for h in heights], totals, dashes[i % 4], label=name)
    axes.set_xlabel(f"height of the device over the mark [{units.length_name}]")
    axes.set_ylabel(f"centring, sigma per axis [{units.small_length_name}]")
    axes.grid(color="#dddddd")
    axes.legend(frameon=False)
    axes.set_xlim(left=0.0)
    axes.set_ylim(bottom=0.0)
    save(figure, path, kind)


def _small(metres: float, units: Units) -> str:
    return units.show_small_length(metres, 2)


def _number(metres: float, units: Units) -> str:
    return plain(units.small_length_of(metres), 3)


def _turn(radians: float, units: Units) -> str:
    return plain(units.small_angle_of(radians), 1)
