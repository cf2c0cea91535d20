"""What an adjustment came to, in one shape for the engine and for the recomputation. SI and radian."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment

Figures = dict[str, float]
COMPONENTS = ("east", "north", "height")


@dataclass
class Outcome:
    """Figures by name. Ellipses are at one sigma; residual = adjusted − observed."""

    marks: dict[str, Figures] = field(default_factory=dict)
    observations: dict[str, Figures] = field(default_factory=dict)
    angular: set[str] = field(default_factory=set)  # ids of the observations that are angles
    left_out: Figures = field(default_factory=dict)  # residuals of what a decision left out
    pairs: dict[str, Figures] = field(default_factory=dict)
    network: Figures = field(default_factory=dict)
    largest: str = ""  # id of the observation with the largest |w|
    flagged: str = ""  # ids of the observations beyond the critical value of one test at 0.001, in order


def mark_figures(name: str, position: np.ndarray, covariance: np.ndarray) -> Figures:
    """Coordinates (3,) m and their covariance (3, 3) m² as figures; NaN where a coordinate is unknown."""
    figures: Figures = {}
    unknown = ~np.isfinite(position)
    covariance = np.where(unknown[:, None] | unknown[None, :], math.nan, covariance)
    for i, component in enumerate(COMPONENTS):
        figures[component] = float(position[i])
        figures[f"variance_{component}"] = float(covariance[i, i])
        figures[f"sigma_{component}"] = math.nan if unknown[i] else math.sqrt(max(covariance[i, i], 0.0))
    figures["covariance_east_north"] = float(covariance[0, 1])
    figures.update(ellipse(covariance[:2, :2]))
    return figures


def ellipse(covariance: np.ndarray) -> Figures:
    """Axes and azimuth of the one-sigma ellipse of a (2, 2) covariance of east and north, by eigenvalues."""
    if not np.all(np.isfinite(covariance)):
        return {"semi_major": math.nan, "semi_minor": math.nan, "ellipse_azimuth": math.nan}
    values, vectors = np.linalg.eigh(covariance)
    return {
        "semi_major": math.sqrt(max(values[1], 0.0)),
        "semi_minor": math.sqrt(max(values[0], 0.0)),
        "ellipse_azimuth": math.atan2(vectors[0, 1], vectors[1, 1]) % math.pi,
    }


def horizontal_trace(outcome: Outcome) -> float:
    """Trace of the covariance of all horizontal coordinates, m²."""
    variances = [f["variance_east"] + f["variance_north"] for f in outcome.marks.values()]
    return float(np.nansum(variances))


def add_shifts(outcome: Outcome, given: dict[str, tuple[float, float]]) -> None:
    """Root mean square and maximum of adjusted minus given coordinates, where given (control or start
    values).
    """
    shifts = np.array(
        [(outcome.marks[m]["east"] - e, outcome.marks[m]["north"] - n) for m, (e, n) in given.items()]
    ).ravel()
    shifts = shifts[np.isfinite(shifts)]
    if shifts.size:
        outcome.network["shift_rms"] = float(np.sqrt(np.mean(shifts**2)))
        outcome.network["shift_max"] = float(np.abs(shifts).max())


def of_adjustment(adjustment: Adjustment) -> Outcome:
    """The engine's result in this shape."""
    outcome = Outcome()
    marks, observations, network = adjustment.marks, adjustment.observations, adjustment.network
    for i, name in enumerate(marks.mark):
        position = np.array([marks.east[i], marks.north[i], marks.height[i]])
        figures = mark_figures(name, position, marks.covariance[i])
        for component in COMPONENTS:  # the engine's own sigmas, not ours from its covariance
            figures[f"sigma_{component}"] = float(getattr(marks, f"sigma_{component}")[i])
        figures["semi_major"] = float(marks.semi_major[i]) / adjustment.ellipse_factor
        figures["semi_minor"] = float(marks.semi_minor[i]) / adjustment.ellipse_factor
        figures["ellipse_azimuth"] = float(marks.ellipse_azimuth[i])
        outcome.marks[name] = figures
    for i, name in enumerate(observations.id):
        r, s = float(observations.redundancy[i]), float(observations.sigma[i])
        outcome.observations[name] = {
            "residual": float(observations.residual[i]),
            "adjusted": float(observations.adjusted[i]),
            "sigma": s,
            "redundancy": r,
            "standardized": float(observations.standardized[i]),
            "bias": float(observations.minimal_detectable_bias[i]),
            # right where the observation is correlated with no other
            "sigma_adjusted": s * math.sqrt(max(1.0 - r, 0.0)),
        }
        if observations.quantity[i] == "angle":
            outcome.angular.add(name)
    readings = np.array([k != "effect" for k in observations.kind], dtype=bool)
    w = np.where(readings, np.abs(np.nan_to_num(observations.standardized)), -1.0)
    outcome.largest = str(observations.id[int(np.argmax(w))]) if len(w) else ""
    flagged = [str(i) for i, f in zip(observations.id, observations.flagged, strict=True) if f]
    outcome.flagged = " ".join(sorted(flagged))
    for i, name in enumerate(adjustment.left_out.id):
        outcome.left_out[name] = float(adjustment.left_out.residual[i])
        if adjustment.left_out.quantity[i] == "angle":
            outcome.angular.add(name)
    relative = adjustment.relative
    for i, (a, b) in enumerate(zip(relative.start, relative.end, strict=True)):
        figures = {
            "distance": float(relative.distance[i]),
            "sigma_distance": float(relative.sigma_distance[i]),
            "semi_major": float(relative.semi_major[i]) / adjustment.ellipse_factor,
            "semi_minor": float(relative.semi_minor[i]) / adjustment.ellipse_factor,
            "ellipse_azimuth": float(relative.ellipse_azimuth[i]),
        }
        outcome.pairs[f"{a},{b}"] = outcome.pairs[f"{b},{a}"] = figures
    outcome.network = {
        "variance_factor": adjustment.global_test.variance_factor,
        "degrees_of_freedom": float(adjustment.degrees_of_freedom),
        "trace": horizontal_trace(outcome),
    }
    add_shifts(outcome, _given(network.marks.mark, network.marks.east, network.marks.north))
    return outcome


def _given(names: np.ndarray, east: np.ndarray, north: np.ndarray) -> dict[str, tuple[float, float]]:
    """Coordinates as given, control and start values alike."""
    return {
        str(m): (float(e), float(n))
        for m, e, n in zip(names, east, north, strict=True)
        if math.isfinite(e) and math.isfinite(n)
    }


def differences(ours: Outcome, theirs: Outcome) -> list[str]:
    """Where two outcomes of one job differ, in words.

    1e-7 m: both stop their iterations below that. 1e-6 of a sigma: the sigmas of a nonlinear net differ by
    what the last step moved it. Of an observation with redundancy below 1e-6 no w is compared: it is 0/0.
    """
    told = []

    def same(what: str, a: float, b: float, tolerance: float) -> None:
        both_undefined = math.isnan(a) and math.isnan(b)
        if not both_undefined and not abs(a - b) <= tolerance:
            told.append(f"{what}: {a!r} and {b!r}")

    effects = {i for i in ours.observations if ".effect." in i}
    for group in ("marks", "left_out"):
        if set(getattr(ours, group)) != set(getattr(theirs, group)):
            return [f"not the same {group}"]
    if set(theirs.observations) | effects != set(ours.observations):
        return ["not the same observations"]
    for name, figures in theirs.marks.items():
        for component in COMPONENTS:
            same(f"{name} {component}", ours.marks[name][component], figures[component], 1e-7)
            sigma = figures[f"sigma_{component}"]
            mine = ours.marks[name][f"sigma_{component}"]
            same(f"{name} sigma_{component}", mine, sigma, 1e-6 * sigma + 1e-12)
        scale = figures["variance_east"] + figures["variance_north"]
        own_covariance, covariance = (
            ours.marks[name]["covariance_east_north"],
            figures["covariance_east_north"],
        )
        same(f"{name} covariance", own_covariance, covariance, 1e-6 * scale + 1e-18)
        for axis in ("semi_major", "semi_minor"):  # a vanishing minor axis is the root of rounding
            spread = figures["semi_major"]
            same(f"{name} {axis}", ours.marks[name][axis], figures[axis], 1e-6 * spread + 1e-12)
    for name, figures in theirs.observations.items():
        own, sigma = ours.observations[name], figures["sigma"]
        v = figures["residual"]
        same(f"{name} sigma", own["sigma"], sigma, 1e-9 * sigma)
        same(f"{name} residual", own["residual"], v, 1e-6 * sigma + 1e-6 * abs(v))
        same(f"{name} redundancy", own["redundancy"], figures["redundancy"], 1e-6)
        if figures["redundancy"] > 1e-6:
            w, bias = figures["standardized"], figures["bias"]
            same(f"{name} w", own["standardized"], w, 1e-5 * max(1.0, abs(w)))
            same(f"{name} bias", own["bias"], bias, 1e-5 * bias)
    for name, figures in ours.pairs.items():  # the sighted ones; the recomputation knows all
        other = theirs.pairs.get(name)
        if other is None:
            if math.isfinite(figures["distance"]):
                told.append(f"pair {name}: in one only")
            continue
        same(f"{name} distance", figures["distance"], other["distance"], 1e-7)
        for key in ("sigma_distance", "semi_major", "semi_minor"):
            same(f"{name} {key}", figures[key], other[key], 1e-6 * other["semi_major"] + 1e-12)
    for name, residual in theirs.left_out.items():
        same(f"{name}, left out", ours.left_out[name], residual, 1e-6 * abs(residual) + 1e-9)
    f = theirs.network["degrees_of_freedom"]
    same("degrees of freedom", ours.network["degrees_of_freedom"], f, 0.0)
    factor = theirs.network["variance_factor"]
    same("variance factor", ours.network["variance_factor"], factor, 1e-6 * abs(factor))
    return told
