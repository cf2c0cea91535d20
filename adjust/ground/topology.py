"""The network as a graph: what readings join, what they leave undetermined and why, what nothing checks, what
closes.

Everything is told in the names of marks, setups and observations. Observations are handed in as the reduced
table (`model.reductions.Observations`); only its columns are used.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..trouble import Trouble
from .cycles import cycle_basis
from .network import Network
from .table import Flags
from .wording import (
    AZIMUTHS,
    LENGTHS,
    LISTED,
    and_list,
    ends,
    ids,
    instruments_on,
    listing,
    no_height,
    no_place,
    readings,
)

if TYPE_CHECKING:
    import networkx as nx

    from ..model.reductions import Observations

PLANE = (
    "direction",
    "zenith",
    "angle",
    *LENGTHS,
    *AZIMUTHS,
    "vector.east",
    "vector.north",
)
HEIGHT = ("zenith", "distance", "rise", "vector.up")


@dataclass(frozen=True)
class Islands:
    """Marks that observations join, in the plane and in height; marks that nothing reaches are in none."""

    plane: tuple[tuple[str, ...], ...]
    height: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Loop:
    """Marks of a closed loop, in order, and for each leg the two setups (or marks) of one observation along
    it.
    """

    marks: tuple[str, ...]
    legs: tuple[tuple[str, str], ...]


def islands(network: Network, obs: Observations) -> Islands:
    """What observations join. All setups on a mark are joined through it."""
    names = network.marks.mark

    def named(groups: list[list[int]]) -> tuple[tuple[str, ...], ...]:
        return tuple(tuple(str(names[m]) for m in group) for group in groups)

    return Islands(named(_joined(network, obs, PLANE)), named(_joined(network, obs, HEIGHT)))


def island_troubles(network: Network, obs: Observations) -> tuple[Trouble, ...]:
    """Islands beside others that do not stand on control of their own; empty where all is one, or each is
    held.

    In the plane two control marks hold an island, or one with an azimuth or vector; in height one does.
    """
    marks = network.marks
    plan = np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north) & np.isfinite(marks.east)
    high = np.isfinite(marks.sigma_height) & np.isfinite(marks.height)
    turned = np.zeros(len(marks), dtype=bool)
    rows = obs.used & np.isin(obs.kind, (*AZIMUTHS, "vector.east"))
    turned[obs.start_mark[rows]] = True
    plane_islands, height_islands = _joined(network, obs, PLANE), _joined(network, obs, HEIGHT)
    plane_bad = [g for g in plane_islands if plan[g].sum() < (1 if turned[g].any() else 2)]
    troubles = []
    if len(plane_islands) > 1 and plane_bad:
        troubles.append(_islands_trouble(network, plane_islands, plane_bad, "", "two marks"))
    if len(height_islands) > 1:
        bad = [g for g in height_islands if not high[g].any()]
        split_too = troubles and any(set(g) == set(p) for g in bad for p in plane_bad)
        if bad and not split_too:
            troubles.append(
                _islands_trouble(network, height_islands, bad, " in height", "the height of one mark")
            )
    return tuple(troubles)


def explain_undetermined(
    network: Network, obs: Observations, plane: Flags, height: Flags, ambiguous: Iterable[str] = ()
) -> tuple[Trouble, ...]:
    """Why marks have no place in the plane (mask over marks) or no height, and what to observe.

    `ambiguous` names marks for which two places fit equally well.
    """
    troubles = list(island_troubles(network, obs))
    told = {name for t in troubles for name in t.marks}
    names = [str(m) for m in network.marks.mark]
    reaching = _reaching(obs)
    twofold = {names.index(name) for name in ambiguous}
    for name in ambiguous:
        mark = names.index(name)
        rows = [r for r in reaching[mark] if obs.kind[r] in PLANE and obs.kind[r] != "zenith"]
        troubles.append(
            Trouble(
                "NET303",
                f"{name} can be in two places: {readings(obs, rows)} fit both.",
                "Measure one more distance or a direction to it, or give it rough coordinates.",
                (name,),
                (),
                ids(obs, rows),
            )
        )
    behind: list[int] = []
    for mark in np.flatnonzero(plane).tolist():
        if names[mark] in told:
            continue
        rows = [r for r in reaching[mark] if obs.kind[r] in PLANE]
        firm = [r for r in rows if not any((plane[m] or m in twofold) and m != mark for m in ends(obs, r))]
        if rows and (twofold or not firm):
            behind.append(mark)
            continue
        troubles.append(no_place(network, obs, mark, firm or rows, plane))
    if behind:
        listed = [names[m] for m in behind]
        setups = instruments_on(network, behind)
        text = f"{and_list(listed)} can't be placed: the sights that reach {'it' if len(listed) == 1 else 'them'} come only"
        text += " from marks without a place."
        if len(behind) == int(plane.sum()) and not twofold:
            text = f"{and_list(listed)} can't be placed: the sights join them to each other but not firmly to a known mark."
        troubles.append(
            Trouble("NET302", text, "Sight two known marks from one of them.", tuple(listed), tuple(setups))
        )
    for mark in np.flatnonzero(height & ~plane).tolist():
        if names[mark] not in told:
            troubles.append(no_height(network, obs, mark, reaching[mark]))
    return tuple(troubles)


def explain_null_vector(
    network: Network, obs: Observations, marks_moving: dict[str, tuple[str, ...]]
) -> tuple[Trouble, ...]:
    """Why marks can move without any observation noticing. `marks_moving`: mark → its components that move
    together.
    """
    found = island_troubles(network, obs)
    if found:
        return found
    names = [str(m) for m in network.marks.mark]
    reaching = _reaching(obs)
    moving = [names.index(m) for m in marks_moving]
    components = sorted(
        {c for parts in marks_moving.values() for c in parts}, key=("east", "north", "height").index
    )
    if len(moving) == 1:
        mark = moving[0]
        if components == ["height"]:
            return (no_height(network, obs, mark, reaching[mark]),)
        mask = np.zeros(len(names), dtype=bool)
        rows = [r for r in reaching[mark] if obs.kind[r] in PLANE]
        return (no_place(network, obs, mark, rows, mask, components),)
    inside = set(moving)
    rows = sorted({r for m in moving for r in reaching[m] if not set(ends(obs, r)) <= inside})
    text = (
        f"{and_list(list(marks_moving))} can move together in {and_list(components)} and no reading notices."
    )
    if rows:
        text += f" Only {readings(obs, rows)} {'tie' if len(rows) > 1 else 'ties'} them to the rest."
    wanted = "Observe a rise or a zenith angle to one of them, or hold a height."
    if "height" not in components:
        wanted = "Sight one of them from another setup, or hold one more mark."
    return (Trouble("NET302", text, wanted, tuple(marks_moving), (), ids(obs, rows)),)


def hanging(network: Network, obs: Observations) -> tuple[Trouble, ...]:
    """Marks that one sight or one setup alone reaches, and parts of the network that hang on one sight.

    Several sights of one pair of marks count as several; rounds of one pair of setups as one.
    """
    import networkx as nx

    marks = network.marks
    names = [str(m) for m in marks.mark]
    held = np.isfinite(marks.sigma_east) & np.isfinite(marks.east) | np.isfinite(
        marks.sigma_height
    ) & np.isfinite(marks.height)
    links = _links(obs)
    sights: dict[int, list[tuple[int, int, int]]] = defaultdict(
        list
    )  # mark: (link, setup far away, mark far away)
    graph: nx.Graph[int] = nx.Graph()
    for number, (a, b, s, e, _) in enumerate(links):
        sights[a].append((number, e, b))
        sights[b].append((number, s, a))
        if graph.has_edge(a, b):
            graph[a][b]["links"].append(number)
        else:
            graph.add_edge(a, b, links=[number])
    remarks: list[Trouble] = []
    told: set[int] = set()
    for side, rows in _spurs(graph, links, held):
        told |= side
        listed = [names[m] for m in sorted(side)]
        remarks.append(
            Trouble(
                "NET308",
                f"{and_list(listed)} {'hangs' if len(listed) == 1 else 'hang'} on one sight only ({listing(ids(obs, rows))}).",
                "Sight it from a second setup: nothing checks it."
                if len(listed) == 1
                else "Join them to the rest once more.",
                tuple(listed),
                (),
                ids(obs, rows),
            )
        )
    for mark in sorted(sights):
        setups = {far for _, far, _ in sights[mark]}
        if mark in told or held[mark] or len(setups) != 1 or -1 in setups:
            continue
        setup = str(network.setups.setup[next(iter(setups))])
        rows = [r for number, _, _ in sights[mark] for r in links[number][4]]
        remarks.append(
            Trouble(
                "NET308",
                f"{names[mark]} is reached from one setup only ({setup}).",
                "Sight it from a second setup: a fault of the first would go unseen.",
                (names[mark],),
                (setup,),
                ids(obs, rows),
            )
        )
    return tuple(remarks)


def loops(network: Network, obs: Observations) -> tuple[Loop, ...]:
    """Independent closed loops of three marks or more, along which closures can be formed, the short ones first.

    Among them, or besides, those that run over marks with instruments alone: only there can angles close.
    """
    names = [str(m) for m in network.marks.mark]
    leg: dict[tuple[int, int], tuple[str, str]] = {}
    for a, b, s, e, _ in _links(obs):
        start = str(network.setups.setup[s]) if s >= 0 else names[a]
        end = str(network.setups.setup[e]) if e >= 0 else names[b]
        leg.setdefault((a, b), (start, end))
        leg.setdefault((b, a), (end, start))
    on = set(network.setups.mark[network.setups.instrument].tolist())
    stations = cycle_basis(pair for pair in leg if pair[0] in on and pair[1] in on)
    found, told = [], set()
    for cycle in (*stations, *cycle_basis(leg)):
        if (over := frozenset(cycle)) in told:
            continue
        told.add(over)
        first = cycle.index(min(cycle))
        turned = cycle[first:] + cycle[:first]
        legs = tuple(leg[a, b] for a, b in zip(turned, turned[1:] + turned[:1], strict=True))
        found.append(Loop(tuple(names[m] for m in turned), legs))
    return tuple(sorted(found, key=lambda loop: (len(loop.marks), loop.marks)))


def _joined(network: Network, obs: Observations, kinds: Sequence[str]) -> list[list[int]]:
    """Sets of marks joined by these kinds, in the order of the marks; a mark without readings is in none."""
    above = list(range(len(network.marks)))

    def top(m: int) -> int:
        while above[m] != m:
            above[m] = above[above[m]]
            m = above[m]
        return m

    rows = obs.used & np.isin(obs.kind, kinds)
    seen = set()
    triples = zip(
        obs.start_mark[rows].tolist(), obs.end_mark[rows].tolist(), obs.at_mark[rows].tolist(), strict=True
    )
    for a, b, at in set(triples):
        seen |= {a, b}
        above[top(b)] = top(a)
        if at >= 0:
            seen.add(at)
            above[top(at)] = top(a)
    groups: dict[int, list[int]] = defaultdict(list)
    for m in sorted(seen):
        groups[top(m)].append(m)
    return sorted(groups.values())


def _islands_trouble(
    network: Network, groups: list[list[int]], bad: list[list[int]], what: str, held: str
) -> Trouble:
    names = [str(m) for m in network.marks.mark]
    parts = "; ".join(listing([names[m] for m in g]) for g in groups[:LISTED])
    parts += f"; and {len(groups) - LISTED} more" if len(groups) > LISTED else ""
    loose = [names[m] for g in bad for m in g]
    one = listing([names[m] for m in bad[-1]])
    return Trouble(
        "NET301",
        f"The network falls into {len(groups)} islands{what}: {parts}. No sight joins them.",
        f"Sight from one to the other, or hold {held} of {one}.",
        tuple(loose),
        tuple(instruments_on(network, [m for g in bad for m in g])),
    )


def _reaching(obs: Observations) -> dict[int, list[int]]:
    found: dict[int, list[int]] = defaultdict(list)
    for row in np.flatnonzero(obs.used).tolist():
        for mark in ends(obs, row):
            found[mark].append(row)
    return found


def _links(obs: Observations) -> list[tuple[int, int, int, int, list[int]]]:
    """One entry a sight (a pair of setups, whatever was read, in however many rounds) or a row between
    marks.
    """
    rows = np.flatnonzero(obs.used)
    columns = (obs.start_mark, obs.end_mark, obs.start_setup, obs.end_setup, obs.block)
    ends: dict[Any, tuple[int, int, int, int]] = {}
    found: dict[Any, list[int]] = defaultdict(list)
    for row, a, b, s, e, block in zip(rows.tolist(), *(c[rows].tolist() for c in columns), strict=True):
        key = ("block", block) if block >= 0 else (a, b, s, e) if s >= 0 or e >= 0 else ("row", row)
        found[key].append(row)
        ends.setdefault(key, (a, b, s, e))
    return [(*ends[key], r) for key, r in found.items() if ends[key][0] != ends[key][1]]


def _spurs(
    graph: nx.Graph[int], links: list[tuple[int, int, int, int, list[int]]], held: Flags
) -> list[tuple[set[int], list[int]]]:
    """Parts without control behind a single sight, the largest such part each, and the rows of that sight."""
    import networkx as nx

    cuts: Any = nx.bridges(graph)
    bridges: list[tuple[int, int]] = [(a, b) for a, b in cuts if len(graph[a][b]["links"]) == 1]
    solid = graph.copy()
    solid.remove_edges_from(bridges)
    block = {m: k for k, part in enumerate(nx.connected_components(solid)) for m in part}
    members: dict[int, list[int]] = defaultdict(list)
    for m, k in block.items():
        members[k].append(m)
    ahead: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for a, b in bridges:
        (link,) = graph[a][b]["links"]
        ahead[block[a]].append((block[b], link))
        ahead[block[b]].append((block[a], link))
    spurs: list[tuple[set[int], list[int]]] = []
    seen: set[int] = set()
    for root in sorted(members, key=lambda k: (not held[members[k]].any(), -len(members[k]))):
        if root in seen:
            continue
        order, via = [root], {root: (-1, -1)}
        for k in order:
            for other, link in ahead[k]:
                if other not in via:
                    via[other] = (k, link)
                    order.append(other)
        seen |= set(order)
        firm = {k: bool(held[members[k]].any()) for k in order}
        below: dict[int, set[int]] = {k: set(members[k]) for k in order}
        for k in reversed(order[1:]):
            parent = via[k][0]
            firm[parent] |= firm[k]
            if not firm[k]:
                below[parent] |= below[k]
        spurs += [
            (below[k], links[via[k][1]][4])
            for k in order[1:]
            if not firm[k] and (firm[via[k][0]] or via[k][0] == root)
        ]
    return spurs
