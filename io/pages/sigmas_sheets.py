"""The a priori sigmas of the report page, each with what it rests on: instruments, supports, reduced rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.supports import centring_terms, vertical_heights
from hubtack.io.writers.sheets import Heading, Sheet, Show, plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

_HEIGHTS = {
    "fixed": "known by construction",
    "graduated": "read on locking graduations",
    "taped": "taped vertically",
    "slant": "taped to the side, made vertical",
    "undeclared": "no kind declared",
}
_TERMS = {
    "bubble": "bubble",
    "bubble_error": "bubble out of adjustment",
    "plummet": "plummet",
    "mark": "mark",
}


def instruments_sheet(a: Adjustment, job: Job) -> Sheet:
    """What each instrument in use is taken to be good for."""
    show, net = Show(a, job.units), a.network
    angle, small = show.small_angle_name, show.small_length_name
    headings = (
        Heading("instrument", number=False),
        Heading("direction", angle),
        Heading("zenith angle", angle),
        Heading("distance", number=False),
        Heading("without a prism", number=False),
        Heading("setups"),
        Heading("why", number=False),
    )
    rows = []
    for i, name in enumerate(net.instruments.instrument):
        t = net.instruments
        stood = int((net.setups.instrument & (net.setups.device == i)).sum())
        rows.append(
            (
                str(name),
                show.small_turn(t.direction[i]),
                show.small_turn(t.zenith[i]),
                _distance(t.distance[i], t.distance_ppm[i], show, small),
                _distance(t.reflectorless[i], t.reflectorless_ppm[i], show, small),
                str(stood),
                "as job.toml states: angles mean one pointing in both faces (ISO 17123-3), distances one reading",
            )
        )
    return Sheet("Sigmas of instruments (1 sigma)", headings, tuple(rows))


def supports_sheet(a: Adjustment, job: Job) -> Sheet:
    """Centring and height of each support in use, with the terms and the reason."""
    show, net = Show(a, job.units), a.network
    small = show.small_length_name
    headings = (
        Heading("support", number=False),
        Heading("kind", number=False),
        Heading("setups"),
        Heading("usual height", job.units.length_name),
        Heading("centring, per axis", small),
        Heading("made of", number=False),
        Heading("height", small),
        Heading("why", number=False),
    )
    heights = vertical_heights(net) if len(net.setups) else np.zeros(0)
    defaults = " ".join(r.text for r in job.remarks if r.code == "REM501")
    rows = []
    for i, name in enumerate(net.supports.support):
        mine = np.flatnonzero(net.setups.support == i)
        if not len(mine):
            continue
        known = heights[mine][np.isfinite(heights[mine])]
        usual = float(np.median(known)) if len(known) else float("nan")
        terms = {k: float(v[0]) for k, v in centring_terms(net, np.array([i]), np.array([usual])).items()}
        override = float(net.supports.centring_sigma[i])
        total = override if np.isfinite(override) else float(np.sqrt(sum(t**2 for t in terms.values())))
        parts = [f"{_TERMS[k]} {show.small(t)}" for k, t in terms.items() if t > 0.0]
        made_of = (
            "as job.toml states it as a whole"
            if np.isfinite(override)
            else ", ".join(parts) or "nothing stated: 0"
        )
        kind = str(net.supports.height_kind[i])
        source = (
            "by default for this kind (common practice, no source)"
            if f"Support {name} states no" in defaults
            else "as job.toml states"
        )
        rows.append(
            (
                str(name),
                str(net.supports.kind[i]),
                str(len(mine)),
                job.units.show_length(usual, 3),
                show.small(total),
                made_of,
                show.small(net.supports.height_sigma[i]),
                f"height {_HEIGHTS.get(kind, kind)}; {source}",
            )
        )
    note = (
        "Centring terms at the usual (median) height of the support's setups, root of the sum of squares; of each setup its own "
        "height counts."
    )
    return Sheet("Sigmas of supports (1 sigma)", headings, tuple(rows), note=note)


def reduced_sheet(a: Adjustment, job: Job) -> Sheet:
    """Rows of reduced.csv and vectors.csv state their own sigmas: from which to which, by kind."""
    show, o = Show(a, job.units), a.observations
    rows = []
    for kind in ("rise", "horizontal", "azimuth", "angle", "vector"):
        mine = o.kind == kind
        if not mine.any():
            continue
        turn = o.quantity[mine][0] == "angle"
        form, unit = (
            (show.small_turn, show.small_angle_name) if turn else (show.small, show.small_length_name)
        )
        low, high = (form(float(f(o.sigma[mine]))) for f in (np.min, np.max))
        size = low if low == high else f"{low} to {high}"
        rows.append((kind, str(int(mine.sum())), f"{size} {unit}", "each as its row states"))
    words = (("kind", False), ("rows", True), ("sigma", False), ("why", False))
    headings = tuple(Heading(w, number=n) for w, n in words)
    return Sheet("Sigmas of reduced rows (1 sigma)", headings, tuple(rows))


def _distance(constant: float, ppm: float, show: Show, unit: str) -> str:
    if not np.isfinite(constant):
        return ""
    grows = f" + {plain(1e6 * ppm, 1)} ppm" if ppm > 0.0 else ""
    return f"{show.small(constant)} {unit}{grows}"
