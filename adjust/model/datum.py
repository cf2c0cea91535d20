"""Which freedoms the observations and the control leave, and the inner constraints that fix them.

Decided by topology, never by small pivots: an island of marks has the freedoms of its plan (two shifts, a rotation, a scale
if no length was measured) and of its heights (one shift), less what control and absolute kinds take away. The sphere's
faint hold on heights is no datum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..estimate.datum import Constraints
from ..estimate.rows import Rows
from ..ground.network import Network
from ..ground.table import Flags, Floats, Ints, distinct
from ..settings import Settings
from ..trouble import Trouble, Undetermined
from .observations import KINDS
from .reductions import Observations, rows_of_kind
from .unknowns import Unknowns

PIN_SIGMA = 1e-3  # m; any value gives the same answer, see estimate.datum


@dataclass(frozen=True)
class Datum:
    """The freedoms by name, the marks that carry the inner constraints, and the constraints."""

    freedoms: tuple[str, ...]
    marks: tuple[str, ...]
    constraints: Constraints


def find_datum(
    network: Network, obs: Observations, unknowns: Unknowns, settings: Settings, start: Floats, x: Floats
) -> Datum | None:
    """The free datum of a network, None where control fixes everything.

    start (n_marks, 3): approximate coordinates; x (n,): first guess. Raises Undetermined where a free part is only
    one of several islands, or where the chosen datum marks can't carry the freedoms.
    """
    marks = network.marks
    given = np.column_stack([marks.east, marks.north, marks.height])
    # what the datum is tied to, and where its conditions are linearised
    tied = np.where(np.isnan(given), start, given)
    names: list[str] = []
    vectors: list[Floats] = []
    members: list[Flags] = []
    for plan in (True, False):
        islands = _islands(network, obs, unknowns, plan)
        free = [(i, *_freedoms(network, obs, unknowns, tied, i, plan)) for i in islands]
        loose = [f for f in free if f[1]]
        if not loose:
            continue
        if len(islands) > 1:
            raise Undetermined((_fallen_apart(network, islands, [f[0] for f in loose], plan),))
        island, found, G = loose[0]
        names += found
        vectors += list(G.T)
        members += [island] * len(found)
    if not names:
        return None
    G = np.column_stack(vectors)
    wanted = (
        np.isin(marks.mark.astype(str), settings.datum_marks)
        if settings.datum_marks
        else np.ones(len(marks), bool)
    )
    B = np.zeros_like(G)
    carries = np.zeros(len(marks), dtype=bool)
    for k, island in enumerate(members):
        chosen = wanted & island
        columns = unknowns.marks[chosen].ravel()
        columns = columns[columns >= 0]
        B[columns, k] = G[columns, k]
        carries |= chosen & (unknowns.marks >= 0).any(axis=1)
    size = np.linalg.norm(B, axis=0)
    weak = size < 1e-6 * np.linalg.norm(G, axis=0)
    unit = B / np.where(size > 0.0, size, 1.0)
    if weak.any() or np.linalg.svd(unit, compute_uv=False)[-1] < 1e-7:
        lacking = ", ".join(names)
        chosen_names = ", ".join(str(m) for m in marks.mark[carries]) or "none"
        raise Undetermined(
            (
                Trouble(
                    "NET306",
                    f"The datum marks ({chosen_names}) can't carry what is free ({lacking}).",
                    "Choose more datum marks, apart from each other, or leave the choice blank to take all.",
                ),
            )
        )
    origin = x.copy()
    placed = (unknowns.marks >= 0) & ~np.isnan(given)
    origin[unknowns.marks[placed]] = given[placed]
    return Datum(
        tuple(names),
        tuple(str(m) for m in marks.mark[carries]),
        Constraints(unit, origin, _pins(G, unknowns)),
    )


def islands_of(n: int, links: list[tuple[Ints, Ints]], present: Flags) -> list[Flags]:
    """Connected parts of the `present` nodes (n,) under links (pairs of index arrays), as masks, largest first."""
    part = np.arange(n)
    a, b = (np.concatenate([np.zeros(0, dtype=np.int64), *(link[k] for link in links)]) for k in (0, 1))
    while True:  # every part takes the lowest number it meets, then all follow to the end: log n rounds
        pa, pb = part[a], part[b]
        apart = pa != pb
        if not apart.any():
            break
        a, b, pa, pb = a[apart], b[apart], pa[apart], pb[apart]
        low, high = np.minimum(pa, pb), np.maximum(pa, pb)
        np.minimum.at(part, high, low)
        while True:
            further = part[part]
            if np.array_equal(further, part):
                break
            part = further
    parts = [(part == r) & present for r in distinct(part[present])]
    return sorted(parts, key=lambda p: -int(p.sum()))


def _islands(network: Network, obs: Observations, unknowns: Unknowns, plan: bool) -> list[Flags]:
    rows = np.zeros(len(obs), dtype=bool)
    for name, mine in rows_of_kind(obs).items():
        if KINDS[name].plan if plan else KINDS[name].height:
            rows[mine] = obs.used[mine]
    links = [(obs.start_mark[rows], obs.end_mark[rows])]
    at = rows & (obs.at_mark >= 0)
    links.append((obs.at_mark[at], obs.end_mark[at]))
    present = np.any(unknowns.reached[:, :2], axis=1) if plan else unknowns.reached[:, 2]
    return islands_of(len(network.marks), links, present)


def _freedoms(
    network: Network, obs: Observations, unknowns: Unknowns, start: Floats, island: Flags, plan: bool
) -> tuple[list[str], Floats]:
    """Names and vectors (n, d) of the motions of an island that no observation and no control notices.

    Of a vector the coordinates of marks alone: conditions and pins are put on them, orientations follow.
    """
    marks = network.marks
    sigma = np.column_stack([marks.sigma_east, marks.sigma_north, marks.sigma_height])
    controlled = np.isfinite(sigma) & unknowns.reached & island[:, None]
    if not plan:
        if controlled[:, 2].any():
            return [], np.zeros((unknowns.n, 0))
        g = np.zeros((unknowns.n, 1))
        g[unknowns.marks[island, 2]] = 1.0
        return ["height"], g
    inside = obs.used & island[obs.end_mark]
    present = {name for name, rows in rows_of_kind(obs).items() if inside[rows].any()}
    lengths = present & {
        "distance", "level", "horizontal", "horizontal.grid", "horizontal.ellipsoid", "vector.east", "vector.north",
    }  # fmt: skip
    absolute = present & {"azimuth", "azimuth.astronomic", "azimuth.geodetic", "vector.east", "vector.north"}
    tied_heights = present & {"rise", "vector.up"} and "zenith" in present
    names = ["east", "north"]
    if not absolute:
        names.append("rotation")
    if not lengths and not tied_heights:
        names.append("scale")
    xy = start[island, :2]
    centre = xy.mean(axis=0)
    extent = max(1.0, float(np.abs(xy - centre).max()))
    e, n = ((start[:, :2] - centre) / extent).T
    h = np.nan_to_num(start[:, 2] / extent)
    zero, one = np.zeros(len(marks)), np.ones(len(marks))
    motion = {
        "east": (one, zero, zero),
        "north": (zero, one, zero),
        "rotation": (n, -e, zero),
        "scale": (e, n, h if "zenith" in present else zero),
    }
    field = np.stack([np.column_stack(motion[name]) for name in names], axis=2)  # (marks, axis, motion)
    noticed = field[controlled]
    if len(noticed):
        _, s, vt = np.linalg.svd(noticed)
        rank = int((s > 1e-9 * max(1.0, s[0])).sum())
        kept = vt[rank:].T
    else:
        kept = np.eye(len(names))
    d = kept.shape[1]
    if not d:
        return [], np.zeros((unknowns.n, 0))
    if len(noticed):
        # a motion about the control mark: name it by its largest part
        labels = ["rotation" if "rotation" in names else "scale"] if d == 1 else ["rotation", "scale"][:d]
        if d == 1 and "rotation" in names and "scale" in names:
            labels = [names[int(np.argmax(np.abs(kept[:, 0])))]]
        if d > 2 or any(label not in names for label in labels):
            labels = [names[int(np.argmax(np.abs(kept[:, k])))] for k in range(d)]
    else:
        labels = names
    G = np.zeros((unknowns.n, d))
    moved = np.einsum("mak,kd->mad", field, kept)
    placed = (unknowns.marks >= 0) & island[:, None]
    G[unknowns.marks[placed]] = moved[placed]
    return labels, G


def _pins(G: Floats, unknowns: Unknowns) -> Rows:
    """As many coordinates as there are freedoms, chosen so that holding them stops every motion."""
    rest = np.zeros_like(G)
    columns = unknowns.marks[unknowns.marks >= 0]
    rest[columns] = G[columns] / np.maximum(np.linalg.norm(G[columns], axis=0), 1e-12)
    chosen: list[int] = []
    for _ in range(G.shape[1]):
        size = np.einsum("nd,nd->n", rest, rest)
        i = int(np.argmax(size))
        chosen.append(i)
        direction = rest[i] / np.sqrt(size[i])
        rest = rest - np.outer(rest @ direction, direction)
    d = len(chosen)
    return Rows(np.array(chosen, dtype=np.int64)[:, None], np.full((d, 1), 1.0 / PIN_SIGMA), np.zeros(d))


def _fallen_apart(network: Network, islands: list[Flags], loose: list[Flags], plan: bool) -> Trouble:
    def listed(mask: Flags) -> str:
        names = [str(m) for m in network.marks.mark[mask]]
        return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")

    words = "in plan" if plan else "in height"
    parts = "; ".join(listed(i) for i in islands[:6])
    which = " and ".join(f"({listed(i)})" for i in loose[:3])
    return Trouble(
        "NET301",
        f"The network falls {words} into {len(islands)} parts that no observation joins: {parts}.",
        f"Sight between them, or hold enough control in {which}.",
        marks=tuple(str(m) for m in network.marks.mark[loose[0]]),
    )
