"""`published.toml`: what a source printed, and how near a solution must come to it.

`[expected]` holds figures as the source prints them, `[recomputed]` figures of an independent solution
where the source prints none or fewer digits, `[refuted]` printed figures that are no least-squares solution
and must not come out. A figure is a string: half a unit of its last digit is the tolerance, unless a
`[[wider]]` entry says otherwise and why. `[compare]` states the source's habits: units, scaled sigmas, the
unit of the variance factor. Every source here takes residuals as adjusted minus observed, as we do.

Keys of `[compare]`: residual_unit, residual_angle_unit, sigma_unit, bias_unit; variance_unit, by which our
variance factor is multiplied to be the source's; sigmas_scaled = true where the source multiplies sigmas by
the root of the variance factor (false: a priori), or sigma_factor where it multiplies them by a figure of
its own.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from decimal import Decimal
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from .outcome import Outcome
from .recompute import ANGLES, LENGTHS

TEXTS = ("network.largest", "network.flagged")  # names, not figures
GROUPS = ("marks", "observations", "left_out", "pairs")


@dataclass(frozen=True)
class Check:
    """One printed figure: `path` such as marks.B.height, `text` as printed, `tolerance` in the same unit."""

    table: str  # expected, recomputed or refuted
    path: str
    text: str
    tolerance: float
    because: str

    def agrees(self, found: float | str) -> bool:
        """True if the figure found, in the unit of the print, rounds to the one printed."""
        if isinstance(found, str):
            return found == self.text
        slack = 1e-12 + 1e-13 * abs(found)  # a tie of decimal halves in binary
        return math.isfinite(found) and abs(found - float(self.text)) <= self.tolerance + slack


@dataclass(frozen=True)
class Published:
    """A folder's published.toml."""

    name: str
    source: dict[str, Any]
    compare: dict[str, Any]
    length: str
    checks: tuple[Check, ...]

    def figure(self, outcome: Outcome, path: str) -> float | str:
        """The figure of an outcome that a path names, in the unit of the print."""
        group, _, rest = path.partition(".")
        item, _, key = rest.rpartition(".")
        say = self.compare
        s0 = math.sqrt(outcome.network["variance_factor"]) if say.get("sigmas_scaled") else 1.0
        s0 = float(say.get("sigma_factor", s0))  # where the source scales by a figure of its own
        unit = float(say.get("variance_unit", "1"))
        if group == "network":
            f = outcome.network
            made = {
                "s0": lambda: math.sqrt(f["variance_factor"] * unit),
                "vPv": lambda: f["variance_factor"] * unit * f["degrees_of_freedom"],
                "variance_factor": lambda: f["variance_factor"] * unit,
                "trace_mm2": lambda: f["trace"] * 1e6,
                "largest": lambda: outcome.largest,
                "flagged": lambda: outcome.flagged,
            }
            return made[key]() if key in made else f[key]
        figures = outcome.left_out if group == "left_out" else getattr(outcome, group)[item]
        metre = LENGTHS[self.length]
        sigma = LENGTHS[say.get("sigma_unit", self.length)]
        if item in outcome.angular:
            turn = ANGLES[say.get("residual_angle_unit", "arcsec")]
            residual = spread = bias = turn
        else:
            residual = LENGTHS[say.get("residual_unit", self.length)]
            spread, bias = sigma, LENGTHS[say.get("bias_unit", self.length)]
        if group == "left_out":
            return figures[item] / residual
        if key.endswith("_scaled"):
            return figures[key.removesuffix("_scaled")] / metre**2 * outcome.network["variance_factor"]
        if key.startswith(("variance_", "covariance_")):
            return figures[key] / metre**2
        if key == "standardized_abs":
            return abs(figures["standardized"])
        if key == "ellipse_azimuth":
            return math.degrees(figures[key])
        if key == "sigma_adjusted":
            return figures[key] * s0 / spread
        if key.startswith(("sigma_", "semi_")):
            return figures[key] * s0 / sigma
        units = {"residual": residual, "bias": bias, "redundancy": 1.0, "standardized": 1.0}
        return figures[key] / units.get(key, metre)


def load(folder: Path) -> Published:
    """Read a folder's published.toml and the unit of its job."""
    raw = tomllib.loads((folder / "published.toml").read_text(encoding="utf-8"))
    job = tomllib.loads((folder / "job.toml").read_text(encoding="utf-8"))
    wider = raw.get("wider", [])
    checks, used = [], set()
    printed = dict(_leaves(raw.get("expected", {})))
    for table in ("expected", "recomputed", "refuted"):
        tree = raw.get(table, {})
        for path, text in _leaves(tree):
            tolerance = math.nan if path in TEXTS else half_last_digit(text)
            because = tree.get("because", "")
            for i, entry in enumerate(wider):
                meant = table == "expected" or (table == "recomputed" and path not in printed)
                if meant and any(fnmatchcase(path, p) for p in entry["values"]):
                    if float(entry["tolerance"]) > tolerance:
                        tolerance, because = float(entry["tolerance"]), entry["because"]
                    used.add(i)
            checks.append(Check(table, path, text, tolerance, because))
    unused = [entry["values"] for i, entry in enumerate(wider) if i not in used]
    if unused:
        raise ValueError(f"{folder.name}: nothing matches the wider tolerances {unused}")
    compare, length = raw.get("compare", {}), job["units"]["length"]
    return Published(folder.name, raw["source"], compare, length, tuple(checks))


def half_last_digit(text: str) -> float:
    """Half a unit of the last printed digit: "1.30" → 0.005, "2.08e-4" → 5e-7."""
    exponent = Decimal(text).as_tuple().exponent
    if not isinstance(exponent, int):
        raise ValueError(f"no number: {text!r}")
    return 0.5 * 10.0**exponent


def _leaves(tree: dict[str, Any]) -> list[tuple[str, str]]:
    leaves = [(f"network.{key}", text) for key, text in tree.get("network", {}).items()]
    for group in GROUPS:
        for item, figures in tree.get(group, {}).items():
            leaves += [(f"{group}.{item}.{key}", text) for key, text in figures.items()]
    return leaves
