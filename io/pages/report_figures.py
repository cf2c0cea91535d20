"""What a reader takes away from the report page: the few figures below the verdict, and the settings as words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Floats
from hubtack.io.pages.words import Sign
from hubtack.io.writers.sheets import names, one_dimensional_factor, percent, plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


@dataclass(frozen=True)
class Figure:
    """One figure: its name, its value, and a line that says how to take it."""

    name: str
    value: str
    more: str = ""
    sign: Sign = ""


def key_figures(a: Adjustment, job: Job) -> list[Figure]:
    """Global test, weakest position and height, unchecked marks, decisions."""
    g, m, level = a.global_test, a.marks, percent(a.settings.confidence)
    found = []
    if math.isfinite(g.variance_factor):
        words = f"{'within' if g.passed else 'outside'} {g.lower:.2f} to {g.upper:.2f} ({level})"
        sign: Sign = "" if g.passed else "flagged"
        found.append(Figure("Variance factor", plain(g.variance_factor, 2), words, sign))
    factor = one_dimensional_factor(a.settings.confidence)
    found += _weakest("Weakest position", m.semi_major, f"semi-major axis, 2D {level}", a, job)
    found += _weakest("Weakest height", factor * m.sigma_height, f"half-width, 1D {level}", a, job)
    loose = np.flatnonzero(m.unchecked)
    words = (
        f"{names(m.mark[loose], 4)}: a mistake there would go unseen"
        if len(loose)
        else "no single mistake stays unseen"
    )
    found.append(Figure("Unchecked marks", f"{len(loose)} of {len(m)}", words, "watch" if len(loose) else ""))
    out = sum(d.action == "leave_out" for d in job.decisions)
    put = len(job.decisions) - out
    words = ", ".join(w for w, n in ((f"{out} left out", out), (f"{put} corrected", put)) if n)
    found.append(
        Figure(
            "Decisions taken",
            str(len(job.decisions)) if job.decisions else "none",
            words or "nothing left out or corrected",
        )
    )
    return found


def _weakest(name: str, values: Floats, words: str, a: Adjustment, job: Job) -> list[Figure]:
    sizes = np.nan_to_num(values)
    if not len(sizes) or sizes.max() <= 0.0:
        return []
    i = int(sizes.argmax())
    return [Figure(name, f"{a.marks.mark[i]}: {job.units.show_small_length(float(sizes[i]))}", words)]


def settings_rows(a: Adjustment, job: Job) -> list[tuple[str, str]]:
    """Every choice that is not a reading, and what it means."""
    s, units = a.settings, job.units
    level = f"{units.show_length(a.reference_height, 3)} {units.length_name}"
    told = "" if s.reference_height is not None else " (mean of the control heights, or 0)"
    shared = {
        "shared": "shared: an error of centring or height is common to all sights of its setup",
        "independent": "independent: errors of centring and height go into each reading's own sigma",
    }
    frame = [
        (
            "Frame",
            f"plane, sphere of radius {s.radius / 1000.0:.0f} km unrolled at reference height {level}{told}",
        ),
        ("Scale factor (grid / ground)", f"{s.scale_factor:.8g}"),
    ]
    if s.frame == "earth":
        frame = [("Frame", f"earth: {job.system}, heights {s.heights}")]
    return [
        *frame,
        (
            "Refraction coefficient",
            f"{s.refraction:g}" + (f", sigma {s.refraction_sigma:g}" if s.refraction_sigma else ", held"),
        ),
        ("Setup effects", shared[s.correlation]),
        ("Confidence of ellipses and global test", percent(s.confidence)),
        ("Factor of the ellipses (2D)", f"{a.ellipse_factor:.4f}"),
        ("Factor of single values (1D)", f"{one_dimensional_factor(s.confidence):.4f}"),
        ("Variance factor", "a priori 1; sigmas are not rescaled by the estimated one"),
        (
            "Alpha of one test",
            f"{s.alpha:g}; critical |w| {a.critical:.4f}, centring (2D) {a.critical_centring:.4f}",
        ),
        ("Power of smallest detectable biases", f"{s.power:g}"),
        ("Unchecked", f"an undetectable mistake may move the mark by more than {s.unchecked_ratio:g} sigma"),
        ("Units", f"lengths {units.length_name}, angles {units.angle_name}"),
    ]
