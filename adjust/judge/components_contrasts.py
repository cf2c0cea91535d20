"""The redundant part of a network: what is left of its readings once every free unknown has been eliminated.

With l = A₁x + A₂δ + ε (whitened), x free and every δ with a prior sigma, let the columns of K span the left null space
of A₁ (KᵀA₁ = 0, KᵀK = I). Then y = Kᵀl holds all that the readings say of the sigmas, free of x and of the datum:

    cov(y) = Σ θ_g B_g,   B_g = Σ e eᵀ over the loadings e of group g,

a reading's loading being its row of K, a prior's the column KᵀA₂σ. θ_g = 1 is the declared variance. The restricted
likelihood (REML; Patterson and Thompson 1971, from memory) is the likelihood of y.

Rounds of one pair that differ by nothing but noise are replaced by their mean first, and so are whole rounds of
directions over the same targets; what they scatter about it is a sum of squares with its own degrees of freedom,
exact and free of everything else.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from ..estimate.rows import Rows
from ..ground.table import Floats, Ints, distinct
from ..model.reductions import numbered, packed
from ..solved import Solved

MOST = 1500  # contrasts: beyond this the dense algebra is refused
SAME = 1e-9  # relative: rows of equal columns that are proportional within this differ by their noise alone


class TooLarge(Exception):  # noqa: N818
    """More contrasts than dense algebra should carry."""

    def __init__(self, count: int, most: int) -> None:
        self.count, self.most = count, most
        super().__init__(f"{count} redundant readings, more than {most}")


@dataclass(frozen=True)
class Group:
    """Readings or priors that share one declared sigma, and with it one variance component.

    what: direction, zenith, distance, reflectorless, horizontal, rise, …, height, centring, control, constant.
    owner: the instrument or the support, blank where there is none. role: instrument or target of a height, base where
    both stood on one height base, else blank.
    """

    what: str
    owner: str
    role: str
    quantity: str  # length, angle or number
    sigma: float  # declared: m, rad; of unlike ones the root mean square
    kind: str = ""  # how the height of a support comes about

    @property
    def label(self) -> str:
        """`zenith ts-a`, `distance ts-a without prism`, `height of target low-stand (fixed)`, `control`."""
        if self.what == "height":
            return f"height of {self.role} {self.owner} ({self.kind})"
        if self.what == "reflectorless":
            return f"distance {self.owner} without prism"
        return f"{self.what} {self.owner}".rstrip()


@dataclass(frozen=True)
class Contrasts:
    """y (f,), the loadings (R, f) and what they belong to.

    group (R,), ascending: row in `groups`; prior (R,): row in `unknowns.priors`, −1 for a reading;
    scatter, scatter_freedom (G,): sum of squares, and its degrees of freedom, of rounds about their means.
    """

    y: Floats
    loadings: Floats
    group: Ints
    prior: Ints
    scatter: Floats
    scatter_freedom: Floats
    groups: tuple[Group, ...]
    of_reading: tuple[Ints, ...]  # group of every row of readings as they were solved, one array a Rows
    of_prior: Ints

    def part(self, g: int) -> slice:
        """The loadings of a group."""
        return slice(*np.searchsorted(self.group, [g, g + 1]).tolist())

    def grams(self) -> Floats:
        """All B_g, (G, f, f)."""
        f = len(self.y)
        out = np.empty((len(self.groups), f, f))
        for g in range(len(out)):
            e = self.loadings[self.part(g)]
            np.matmul(e.T, e, out=out[g])
        return out


def contrasts(solved: Solved, most: int = MOST) -> Contrasts:
    """The contrasts of a solved network at its solution. Raises TooLarge beyond `most` of them."""
    rows, u = solved.solution.rows, solved.unknowns
    n_priors = len(u.priors)
    readings = rows[:-1] if n_priors else rows
    freedom = solved.solution.degrees_of_freedom
    equations = sum(len(r.misclosure) for r in rows)
    datum_defect = freedom - equations + u.n  # freedoms that only inner constraints fix
    groups, of_reading, of_prior = groups_of(solved)

    readings, turns = _one_orientation(solved, readings, of_reading, len(groups))
    columns, values, misclosure, group, scatter, extra = _condense(readings, of_reading, len(groups))
    extra -= turns
    place = u.priors.place if n_priors else np.zeros(0, dtype=np.int64)
    is_prior = np.zeros(u.n, dtype=bool)
    is_prior[place] = True
    used = np.zeros(u.n + 1, dtype=bool)
    for c in columns:
        used[c] = True
    fixed = used[: u.n] & ~is_prior
    count = len(misclosure) - (int(fixed.sum()) - datum_defect)
    if count > most:
        raise TooLarge(count, most)
    A = np.zeros((len(misclosure), u.n + 1))
    for at, c, v in zip(_starts(columns), columns, values, strict=True):
        np.add.at(A, (at + np.arange(len(c))[:, None], c), v)
    A = A[:, : u.n]
    weighted = A[:, place] * (u.priors.sigma if n_priors else np.zeros(0))
    l = misclosure - weighted @ rows[-1].misclosure if n_priors else misclosure  # noqa: E741
    K = _left_null_space(A[:, fixed], datum_defect)
    belongs = np.concatenate([group, of_prior])
    order = np.argsort(belongs, kind="stable")
    return Contrasts(
        y=K.T @ l,
        loadings=np.vstack([K, weighted.T @ K])[order],
        group=belongs[order],
        prior=np.concatenate([np.full(len(misclosure), -1), np.arange(n_priors)])[order],
        scatter=scatter,
        scatter_freedom=extra,
        groups=groups,
        of_reading=tuple(of_reading),
        of_prior=of_prior,
    )


def _starts(parts: list[Ints]) -> list[int]:
    return list(accumulate((len(p) for p in parts[:-1]), initial=0))


def _left_null_space(A: Floats, defect: int) -> Floats:
    """Orthonormal K with KᵀA = 0; `defect` columns of A are known to depend on the others."""
    n = A.shape[1]
    if defect > 0:
        scale = np.sqrt(np.maximum(np.einsum("mn,mn->n", A, A), 1e-300))
        _, vectors = np.linalg.eigh((A / scale).T @ (A / scale))
        A, n = (A / scale) @ vectors[:, defect:], n - defect
    return np.asarray(np.linalg.qr(A, mode="complete")[0][:, n:])


def _one_orientation(
    solved: Solved, readings: list[Rows], of_reading: list[Ints], count: int
) -> tuple[list[Rows], Floats]:
    """Rounds of directions from one setup over the same targets: turned on to each other and given one orientation.

    Also how many orientations each group lost by it, (count,). Rows of unlike rounds stay as they are.
    """
    obs, columns = solved.obs, solved.unknowns.orientations
    lost = np.zeros(count)
    out = list(readings)
    for k, batch in enumerate(solved.equations.groups):
        if batch.kinds[0].name != "direction":
            continue
        r = readings[k]
        own, misclosure = r.columns.copy(), r.misclosure.copy()
        setup, turn = obs.start_setup[batch.rows], obs.orientation[batch.rows]
        target = obs.end_setup[batch.rows]
        sigma = 1.0 / np.sqrt(np.sum(np.where(own == columns[turn][:, None], r.values, 0.0) ** 2, axis=1))
        order = np.lexsort((target, turn, setup))
        begins = np.flatnonzero(np.diff(setup[order], prepend=-1))
        size = np.diff(begins, append=len(order))
        new = np.diff(turn[order], prepend=-1) != 0
        new[begins] = True
        rounds = np.add.reduceat(new.astype(np.int64), begins) if len(begins) else begins
        turned = np.arange(solved.unknowns.n + 1)  # the orientation that each takes on
        for several, wide in distinct(np.column_stack([rounds, size])).tolist():
            if several < 2 or wide % several:
                continue
            mine = begins[(rounds == several) & (size == wide)]
            # setups, a round a line, its targets in one order
            at = order[mine[:, None] + np.arange(wide)].reshape(len(mine), several, -1)
            alike = (turn[at] == turn[at[:, :, :1]]).all(axis=(1, 2))
            alike &= (target[at] == target[at[:, :1]]).all(axis=(1, 2))
            alike &= (np.abs(sigma[at] - sigma[at[:, :1]]) <= 1e-12 * sigma[at[:, :1]]).all(axis=(1, 2))
            at = at[alike]
            value, weight = misclosure[at] * sigma[at], 1.0 / sigma[at[:, 0]] ** 2
            offset = np.einsum("srt,st->sr", value - value.mean(axis=1, keepdims=True), weight)
            offset /= weight.sum(axis=1)[:, None]
            misclosure[at] = (value - offset[:, :, None]) / sigma[at]
            turned[columns[turn[at[:, 1:, 0]]]] = columns[turn[at[:, :1, 0]]]
            lost += np.bincount(of_reading[k][at[:, 0, 0]], minlength=count) * (several - 1)
        own = np.where(own >= 0, turned[own], own)
        out[k] = Rows(own, r.values, misclosure, r.block)
    return out, lost


def _condense(
    readings: list[Rows], of_reading: list[Ints], count: int
) -> tuple[list[Ints], list[Floats], Floats, Ints, Floats, Floats]:
    """Proportional rows → their weighted mean; what it leaves is scatter."""
    columns, values, misclosure, group = [], [], [], []
    scatter, freedom = np.zeros(count), np.zeros(count)
    for r, g in zip(readings, of_reading, strict=True):
        key, first, inverse = np.unique(
            np.column_stack([g, r.columns]), axis=0, return_index=True, return_inverse=True
        )
        inverse = inverse.reshape(-1)
        lead = r.values[first]
        size = np.einsum("mw,mw->m", lead, lead)
        blind = size == 0.0  # between two held marks: nothing to average, all of it is redundant
        size[blind] = 1.0
        share = np.einsum("mw,mw->m", r.values, lead[inverse]) / size[inverse]
        odd = np.abs(r.values - share[:, None] * lead[inverse]).max(axis=1, initial=0.0)
        unlike = np.bincount(inverse, odd > SAME * np.sqrt(size[inverse]), minlength=len(first)) > 0
        unlike |= blind | (r.block > 1) | (len(first) == len(g))
        alone = unlike[inverse]
        columns.append(r.columns[alone])
        values.append(r.values[alone])
        misclosure.append(r.misclosure[alone])
        group.append(g[alone])
        if not unlike.all():
            n = len(first)
            total = np.sqrt(np.bincount(inverse, share**2, minlength=n))
            mean = np.bincount(inverse, share * r.misclosure, minlength=n) / total
            squares = np.bincount(inverse, r.misclosure**2, minlength=n) - mean**2
            like = ~unlike
            columns.append(key[like, 1:])
            values.append(lead[like] * total[like, None])
            misclosure.append(mean[like])
            group.append(key[like, 0])
            rounds = np.bincount(inverse, minlength=n) - 1
            scatter += np.bincount(key[like, 0], np.maximum(squares[like], 0.0), minlength=count)
            freedom += np.bincount(key[like, 0], rounds[like], minlength=count)
    return columns, values, np.concatenate(misclosure), np.concatenate(group), scatter, freedom


def groups_of(solved: Solved) -> tuple[tuple[Group, ...], list[Ints], Ints]:
    """The groups; the group of every row of readings, one array a Rows; the group of every prior."""
    network, obs, u = solved.network, solved.obs, solved.unknowns
    found: dict[tuple[str, str, str], list[tuple[float, int]]] = {}
    number: dict[tuple[str, str, str], int] = {}
    quantity: list[str] = []

    def enter(key: tuple[str, str, str], squares: float, count: int, unit: str) -> int:
        if key not in number:
            number[key] = len(number)
            quantity.append(unit)
        found.setdefault(key, []).append((squares, count))
        return number[key]

    of_reading: list[Ints] = []
    for batch in solved.equations.groups:
        rows, kind = batch.rows, batch.kinds[0]
        mine = np.zeros(len(rows), dtype=np.int64)
        single = obs.sigma[rows] * np.sqrt(obs.count[rows])
        if kind.quantity == "angle" and kind.between == "setups":
            single = single / np.sqrt(2.0)  # one pointing in both faces, as stated
        if solved.settings.correlation == "independent":  # the setups are folded in: of the whole observation
            single = solved.equations.sigmas(solved.solution.x, rows)
        if kind.between == "setups":
            start, end = obs.start_setup[rows], obs.end_setup[rows]
            device = network.setups.device[start]
            bare = np.zeros(len(rows), dtype=bool)
            if kind.name == "distance" and len(network.targets):
                bare = network.targets.reflectorless[network.setups.device[end]]
            for d, b in sorted(set(zip(device.tolist(), bare.tolist(), strict=True))):
                chosen = (device == d) & (bare == b)
                name = "reflectorless" if b else kind.says
                key = (name, str(network.instruments.instrument[d]), "")
                mine[chosen] = enter(
                    key, float(np.sum(single[chosen] ** 2)), int(chosen.sum()), kind.quantity
                )
        elif len(batch.kinds) > 1:
            session = network.vectors.session[obs.block[rows]]
            for s in distinct(session).tolist():
                chosen = session == s
                key = ("vector", str(network.sessions.session[s]) if s >= 0 else "", "")
                mine[chosen] = enter(
                    key, float(np.sum(single[chosen] ** 2)), int(chosen.sum()), kind.quantity
                )
        else:
            name = kind.says
            mine[:] = enter((name, "", ""), float(np.sum(single**2)), len(rows), kind.quantity)
        of_reading.append(mine)

    p = u.priors
    instruments, count = np.zeros(u.n + 1), np.zeros(u.n + 1)
    if len(u.effects):
        np.add.at(count, u.effects[:, 2], 1.0)
        np.add.at(instruments, u.effects[:, 2], network.setups.instrument)
    share = instruments[p.place] / np.maximum(count[p.place], 1.0)
    effect, upright = p.source == "effect", p.axis == 2
    role = np.where(share == 1.0, 0, np.where(share > 0.0, 1, 2))
    what = np.where(effect, np.where(upright, role, 3), 4)
    support = (
        np.where(effect, network.setups.support[p.setup], -1) if len(network.setups) else np.full(len(p), -1)
    )
    sources = {str(s): i for i, s in enumerate(dict.fromkeys(p.source.tolist()))}
    source = np.array([sources[str(s)] for s in p.source], dtype=np.int64)
    first, alike = numbered(packed(what, support, source))
    total, many = np.bincount(alike, p.sigma**2), np.bincount(alike)
    name_of = np.zeros(len(first), dtype=np.int64)
    for i in np.argsort(first).tolist():  # groups in the order in which priors first belong to them
        one = int(first[i])
        key = (str(p.source[one]), "", "")
        if effect[one]:
            stood = str(network.supports.support[support[one]])
            height = ("height", stood, ("instrument", "base", "target")[role[one]])
            key = height if upright[one] else ("centring", stood, "")
        unit = "number" if key[0] == "constant" else "length"
        name_of[i] = enter(key, float(total[i]), int(many[i]), unit)
    of_prior = name_of[alike]
    supports = network.supports
    how = {str(s): str(k) for s, k in zip(supports.support, supports.height_kind, strict=True)}
    groups = []
    for key, unit in zip(number, quantity, strict=True):
        squares, count = np.array(found[key]).sum(axis=0)
        groups.append(
            Group(*key, unit, float(np.sqrt(squares / count)), how[key[1]] if key[0] == "height" else "")
        )
    return tuple(groups), of_reading, of_prior
