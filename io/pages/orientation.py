"""What orients a long network, in words: the pair, its lever, and the miss to expect at the far end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hubtack.io.pages.words import Row, Section
from hubtack.io.writers.sheets import names, percent, plain

if TYPE_CHECKING:
    from hubtack.adjust.outcome.orientation import Swing
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def orientation_section(a: Adjustment, job: Job) -> Section:
    """One paragraph for each part that a short base orients; nothing where none does."""
    from hubtack.adjust.outcome.orientation import swings

    rows = []
    for s in swings(a):
        rows += [Row("watch", (text,)) for text in _words(s, a, job)]
    return Section("orientation", "Orientation: a short base, a far end", tuple(rows))


def orientation_records(a: Adjustment) -> list[dict[str, Any]]:
    """The same for programs, SI."""
    from hubtack.adjust.outcome.orientation import swings

    m = a.marks.mark
    return [
        {
            "carriers": [str(m[i]) for i in s.carriers], "span": s.span, "far": str(m[s.far]), "lever": s.lever,
            "sigma": s.sigma, "swing": s.swing, "held": s.held, "vectors": s.vectors, "azimuths": s.azimuths,
        }
        for s in swings(a)
    ]  # fmt: skip


def _words(s: Swing, a: Adjustment, job: Job) -> list[str]:
    units, m = job.units, a.marks.mark
    far, pair = str(m[s.far]), names([m[i] for i in s.carriers], 4)

    def far_off(metres: float) -> str:
        return f"{plain(units.length_of(metres), 0 if metres > 30 else 1)} {units.length_name}"

    what = (
        f"The pair {pair.replace(', ', ' – ')}" if len(s.carriers) == 2 else f"Control and vectors at {pair}"
    )
    also = f", with {s.azimuths} azimuth{'s' * (s.azimuths > 1)}," if s.azimuths else ""
    one = plain(s.lever / s.span, 1)
    unit = "one millimetre" if units.length == "m" else f"0.001 {units.length_name}"
    orients = "orients" if len(s.carriers) == 2 else "orient"
    out = [
        f"{what}, {far_off(s.span)} apart{also} {orients} {s.marks} marks. {far} lies {far_off(s.lever)} off: {unit} "
        f"across that base is {one} times as much at {far}."
    ]
    level = percent(a.settings.confidence)
    if s.sigma > 0.0:
        swing, total = units.show_small_length(s.swing, 0), units.show_small_length(s.total, 0)
        out.append(
            f"As stated the base is good to {units.show_small_angle(s.sigma)} (1 sigma): expect a miss of {swing} across at "
            f"{far} ({level}); its whole ellipse has {total}."
        )
    else:
        out.append(
            f"The base is held, so none of that is in the ellipse of {far}. Weight it by what it is good for."
        )
    out.append(f"An azimuth, or control, near {far} would take this away.")
    return out
