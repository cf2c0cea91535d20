"""Why a scan does not fit its targets, in sentences: what explains it, what else would, what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hubtack.io.pages.words import Row, Section, joined
from hubtack.io.writers.sheets import names

if TYPE_CHECKING:
    from hubtack.adjust.registration.causes import Cause, Explained
    from hubtack.adjust.registration.fit import Fit
    from hubtack.io.pages.register_report import Report

AXES = ("east", "north", "height")
NEAR = 16.27  # χ²₃ at 0.999


def cause_rows(r: Report) -> Section:
    """The causes of a misfit, the first with its size, the rivals behind it."""
    e, f = r.result.explained, r.result.fit
    if e is None or f is None:
        return Section("causes", "", ())
    first = e.causes[0]
    rows = []
    if not e.told:
        text = "No single cause explains it beyond chance. Likeliest: " if e.causes else ""
        rows.append(Row("watch", (text + words_of(first, r) + ".",)))
    elif e.rivals:
        told = [words_of(c, r) for c in e.causes[:4]]
        more = f" (and {len(e.causes) - 4} more)" if len(e.causes) > 4 else ""
        rows.append(Row("flagged", (f"Can't be told apart: {'; or '.join(told)}{more}.",)))
        rows.append(Row("watch", (_apart(first, e, f),)))
    else:
        rows.append(Row("flagged", (f"{_capital(words_of(first, r))}.",)))
        rows += [Row("", (text,)) for text in _look(first, e, r)]
        advice = _advice(first, f)
        if advice:
            rows.append(Row("", (advice,)))
    rest, left = e.rest
    if np.isfinite(rest) and left > 0 and e.told:
        from hubtack.adjust.estimate.quantiles import chi2_quantile

        fits = rest <= chi2_quantile(0.5 + 0.5 * r.result.confidence, left)
        what = "one of them" if e.rivals else "that"
        does = "fits" if fits else "still does not fit"
        text = f"Once {what} is allowed for, the rest {does} (variance factor {rest / left:.2f})."
        rows.append(Row("ok" if fits else "watch", (text,)))
    return Section("causes", "What would explain it", tuple(rows))


def words_of(c: Cause, r: Report) -> str:
    """One cause as a clause."""
    f = r.result.fit
    assert f is not None
    who = [str(f.targets.name[i]) for i in c.targets]
    if c.cause == "names":
        return f"the names of {who[0]} and {who[1]} are exchanged"
    if c.cause == "scale":
        return (
            f"the cloud's scale is off by {1e6 * float(c.size[0]):+.0f} ± {1e6 * float(c.sigma[0]):.0f} ppm"
        )
    if c.cause == "height of kind":
        side = "above" if c.size[0] > 0 else "below"
        kind = f.targets.kind[c.targets[0]]
        return f"all {len(who)} targets of kind {kind} are {r.told(abs(float(c.size[0])))} {side} where the scanner saw them"
    size = c.size.reshape(-1, 3)
    parts = [
        f"{n} is {r.told(float(np.linalg.norm(s)))} off ({_parts(s, r)})"
        for n, s in zip(who, size, strict=True)
    ]
    if len(c.targets) == 1 and c.freedom < 3:
        parts[0] += ", as far as anything shows it"
    return joined(parts)


def _parts(size: np.ndarray[tuple[int], np.dtype[np.float64]], r: Report) -> str:
    return ", ".join(f"{axis} {r.signed(float(s))}" for axis, s in zip(AXES, size, strict=True))


def _look(c: Cause, e: Explained, r: Report) -> list[str]:
    """What else stands where the scanner saw a wrong target: another mark, or its own mark below."""
    if c.cause != "target":
        return []
    f, a = r.result.fit, r.adjustment
    assert f is not None
    out, m, t = [], a.marks, f.targets
    points = np.column_stack([m.east, m.north, m.height])
    whole = np.flatnonzero(np.isfinite(points).all(axis=1))
    points = r.result.local.of(points[whole])
    for i in c.targets:
        try:
            inverse = np.linalg.inv(e.seen_covariance[i] + np.diag(np.full(3, (3e-3) ** 2)))
        except np.linalg.LinAlgError:
            continue
        d = t.mark_point[i] - e.seen[i]
        if (
            t.setup[i] >= 0
            and np.linalg.norm(t.centre[i] - t.mark_point[i]) > 0.01
            and d @ inverse @ d < NEAR
        ):
            out.append(
                f"The scanner saw {t.name[i]} where its mark is: the height of the target was left out."
            )
            continue
        away = points - e.seen[i]
        statistic = np.einsum("mi,ij,mj->m", away, inverse, away)
        statistic[whole == t.mark[i]] = np.inf
        others = [j for j in range(len(t)) if j != i]
        centre = np.einsum("mi,ij,mj->m", t.centre[others] - e.seen[i], inverse, t.centre[others] - e.seen[i])
        if len(others) and centre.min() < NEAR:
            out.append(
                f"The scanner saw {t.name[i]} where {t.name[others[int(np.argmin(centre))]]} is: look at the names."
            )
        elif statistic.min(initial=np.inf) < NEAR:
            out.append(
                f"The scanner saw {t.name[i]} at the mark {m.mark[whole[int(np.argmin(statistic))]]}: look at the names."
            )
    return out


def _apart(c: Cause, e: Explained, f: Fit) -> str:
    """What would tell rivals apart."""
    wrong = sorted({i for cause in e.causes if cause.cause == "target" for i in cause.targets})
    if len(f.targets) < 5:
        return "With so few targets nobody can tell. Scan one more, and sight it from the stations."
    if wrong:
        return f"To tell: look at {names([str(f.targets.name[i]) for i in wrong], 5)} in the cloud, or sight them once more."
    return "To tell: look at the targets in the cloud, or sight them once more."


def _advice(c: Cause, f: Fit) -> str:
    if c.cause == "target":
        who = ",".join(str(f.targets.name[i]) for i in c.targets)
        return f"Look at it in the cloud and on the site. To go on without: --without {who}."
    if c.cause == "names":
        return "Exchange the names in the scanner's list, and say so in its note."
    if c.cause == "scale":
        return "Ask which scale the site's coordinates have (grid or ground), and what the scanner corrects for temperature."
    return ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:] if text.startswith(("the ", "all ")) else text
