"""Worst first, and what else could explain it.

One cause after the other is taken as present until nothing remains that is too large for chance, corrected for the
number of hypotheses. Then each is looked at again with the others taken as present: what no longer fails is readmitted,
what another cause explains better gives way.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..estimate.ranking import TIE, ranked
from ..ground.table import Flags, Floats
from .causes import CAUSES
from .statistics import Given, Tests, corrected, correlations, estimate, given

LEVEL = 0.01  # probability, corrected, below which a cause is a finding
MOST = 10  # findings, and rivals of each
NOT_EXCLUDED = 6.0  # 2 ln 20: a rival within a factor 20 in likelihood
EVEN = 2.2  # 2 ln 3: at odds below three to one no name is put forward
SAME = 0.999  # correlation from which a cause is a rival however much less it explains
CLOSE = 0.95  # correlation from which what is shared goes before what is single
EXACT = 0.02  # a size that must be 1 may miss by this: the way between two marks bends a little
ALIKE = 0.99  # correlation from which of two causes neither is put forward, and
CURVED = 0.01  # share of T within which the other is a rival: models are not that exact
LARGE = 300.0  # T beyond which a
TURNED = 0.9, 0.7  # correlation, and a share of it, do not exclude control
# m or rad: what is beyond is another kind of mistake, or only the straight line through something bent
OFF = 0.3  # m: a device further off stood on something else
LIMITS = {
    "off_mark": 5.0, "base_off_mark": 5.0, "height_wrong": 20.0, "prism_constant": 1.0, "device_constant": 1.0,
    "distance_zero": 1.0, "pole_lean": 0.5, "distance_scale": 0.02,
}  # fmt: skip
FOOT = 0.3048  # a scale beyond its limit is a unit mistaken for another, to within that limit
GROSS_RIVAL = 30.0  # drop of a gross T, and
BEND = 5e-5  # share of it, with which fewer freedoms are enough: what curvature leaves
GROSS = 1000.0  # T from which parsimony, and not the last digits of T, decides


@dataclass
class Search:
    """The causes found, and what was computed on the way."""

    tests: Tests
    tried: int
    found: list[int] = field(default_factory=list)
    columns: dict[int, Floats] = field(default_factory=dict)
    exhausted: bool = False  # more remains than can be found: then nothing that was found is sure


def search(tests: Tests) -> Search:
    """The causes that together leave nothing unexplained, worst first."""
    g = given(tests, (), {})
    s = Search(tests, max(1, int((g.told > 0).sum()) + tests.book.skipped))
    while len(s.found) < MOST:
        top = _worst(s, g)
        if top < 0:
            break
        s.found.append(top)
        g = given(tests, s.found, s.columns)
    s.exhausted = len(s.found) == MOST and _worst(s, g) >= 0
    if len(s.found) > 1:
        for _ in range(2):
            if not _reconsider(s):
                break
    return s


def _reconsider(s: Search) -> bool:
    """Each finding given the others: drop or exchange it. True where something changed."""
    changed = False
    for f in list(s.found):
        place = s.found.index(f)
        others = [k for k in s.found if k != f]
        g = given(s.tests, others, s.columns)
        if CAUSES[s.tests.hypotheses[f].cause].group == "mark" and g.T[f] > GROSS:
            continue  # nothing else is so far off
        top = _worst(s, g)
        if top < 0:
            s.found.remove(f)
            changed = True
        elif top != f and g.evidence[f] < g.evidence[top] - 1e-6 and top not in s.found:
            s.found[place] = top
            changed = True
    return changed


def _worst(s: Search, g: Given) -> int:
    """The cause with the strongest evidence, shared ones before single ones that look the same; −1 for none."""
    evidence = np.where(possible(g) & ~settled(g), g.evidence, 0.0)
    if not len(evidence):
        return -1
    # where two tie but for rounding, the one tried first: heights before control, what is shared before what is single
    best = int(np.argmax(evidence >= evidence.max() * (1.0 - TIE)))
    if not evidence[best] or probability(s, g, best) >= LEVEL:  # 0: of those left none is possible
        return -1
    hypotheses = s.tests.hypotheses
    if g.T[best] > GROSS:
        exact = [
            h for h in np.flatnonzero(0.99 * g.T[best] < g.T).tolist()
            if hypotheses[h].fixed is not None and evidence[h] > 0.0
        ]  # fmt: skip
        if exact:
            return _strongest(exact, g.T)
        mine = hypotheses[best]
        simpler = [
            h
            for h in np.flatnonzero(g.T[best] * (1.0 - BEND) - GROSS_RIVAL < g.T).tolist()
            if evidence[h] > 0.0 and hypotheses[h].q < mine.q and hypotheses[h].name == mine.name
            and not (mine.cause == "other_point" and hypotheses[h].cause == "off_mark")
        ]  # fmt: skip
        if simpler:
            least = min(hypotheses[h].q for h in simpler)
            return _strongest([h for h in simpler if hypotheses[h].q == least], g.T)
    near = np.flatnonzero(evidence > evidence[best] - NOT_EXCLUDED)
    if not hypotheses[best].shared and any(hypotheses[h].shared for h in near):
        rho = correlations(g, best, s.columns)
        shared = [h for h in near.tolist() if hypotheses[h].shared and rho[h] > CLOSE]
        if shared:
            return _strongest(shared, evidence)
    return best


def _strongest(rows: list[int], values: Floats) -> int:
    """The row with the largest value; of those that tie the one tried first."""
    return rows[ranked(values[rows].tolist())[0]]


def possible(g: Given) -> Flags:
    """Those whose size, where it must be 1, is 1, and else no larger than such a mistake can be."""
    out = g.told > 0
    bound = np.flatnonzero(~np.isnan(g.tests.fixed) & out)
    N = g.normal[bound, 0, 0]
    miss = np.abs(g.b[bound, 0] / N - g.tests.fixed[bound])
    out[bound] = miss < np.maximum(3.0 / np.sqrt(N), EXACT)
    elsewhere = {h.subject for h in g.tests.hypotheses if h.cause == "other_point"}
    for h in np.flatnonzero(out & (g.T > GROSS)).tolist():
        hypothesis = g.tests.hypotheses[h]
        limit = LIMITS.get(hypothesis.cause)
        if hypothesis.cause == "off_mark" and hypothesis.subject in elsewhere:
            limit = OFF
        if hypothesis.cause == "distance_scale":
            factor = 1.0 - float(estimate(g, h)[0][0])  # true / recorded
            if any(abs(factor / unit - 1.0) < LIMITS["distance_scale"] for unit in (FOOT, 1.0 / FOOT)):
                continue
        if limit is not None and np.linalg.norm(estimate(g, h)[0]) > limit:
            out[h] = False
    return np.asarray(out)


def settled(g: Given) -> Flags:
    """Hypotheses about setups (or the pair of a sight) that a found cause puts elsewhere by far.

    Their lines are drawn from where they did not stand, so the little that is left of them says nothing.
    """
    tests, obs = g.tests, g.tests.book.point.solved.obs
    out = np.zeros(len(tests.hypotheses), dtype=bool)
    setups: set[int] = set()
    pairs: set[tuple[int, int]] = set()
    for f in g.found:
        h = tests.hypotheses[f]
        if h.cause == "wrong_target":
            pairs.add((int(obs.start_setup[h.subject]), int(obs.end_setup[h.subject])))
        elif CAUSES[h.cause].group == "mark":
            setups.add(h.subject)
            if h.cause == "names_swapped":
                setups.add(int(str(h.detail[1])))
            elif h.cause == "other_point":
                setups.update(int(str(s)) for s in h.detail)  # the others of its mark
    if not setups and not pairs:
        return out
    for k, h in enumerate(tests.hypotheses):
        if h.what == "setup":
            out[k] = h.subject in setups
        elif h.what == "sight":
            ends = int(obs.start_setup[h.subject]), int(obs.end_setup[h.subject])
            out[k] = ends in pairs or not setups.isdisjoint(ends)
    return out


def probability(s: Search, g: Given, h: int) -> float:
    """Of so large a T in any of the hypotheses tried, if nothing is wrong."""
    return corrected(-0.5 * float(g.evidence[h]), s.tried)


def rivals(s: Search, g: Given, top: int) -> list[tuple[int, float]]:
    """Hypotheses that are not excluded, or can't be told from `top`, with |ρ|: strongest first, ties as they were tried."""
    rho = correlations(g, top, s.columns)
    evidence = np.where(possible(g), g.evidence, 0.0)
    near = (evidence > g.evidence[top] - NOT_EXCLUDED) | ((rho > SAME) & (evidence > 0.0))
    near |= (rho > ALIKE) & ((1.0 - CURVED) * g.T[top] < g.T) & (evidence > 0.0)
    # a large error of control turns and stretches everything, more than a straight line says
    if g.T[top] > LARGE:
        control = np.array([h.what == "control" for h in s.tests.hypotheses])
        near |= control & (rho > TURNED[0]) & (TURNED[1] * g.T[top] < g.T) & (evidence > 0.0)
    hypotheses = s.tests.hypotheses
    mine = hypotheses[top]
    seen = {(mine.what, mine.name, mine.cause)}
    out: list[tuple[int, float]] = []
    rows = np.flatnonzero(near)
    for h in rows[ranked(evidence[rows].tolist())].tolist():
        other = hypotheses[h]
        key = (other.what, other.name, other.cause)
        if h == top or key in seen or h in g.found:
            continue
        alike = (other.what, other.name) == (mine.what, mine.name)
        if alike and (other.cause == "other_point" or CAUSES[mine.cause].group == "mark"):
            continue  # the same displacement, with freedoms to spare or with too few
        if mine.fixed is not None and other.cause == "other_point":
            continue  # it hits another mark, and would have to by chance
        seen.add(key)
        out.append((h, float(rho[h])))
    return out
