"""A network at given coordinates → whitened linear equations. The only place where kinds meet columns."""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np

from ..estimate.rows import Rows
from ..ground.network import Network
from ..ground.table import Flags, Floats, Ints
from ..settings import Settings
from .constants import Leaning
from .frames import Ends, Frame, Places, Ray
from .observations import KINDS, VECTOR, Kind
from .observations.kind import End
from .reductions import Observations, numbered, packed, rows_of_kind, vector_covariances, wrap
from .unknowns import Unknowns

_ENDS: tuple[End, End] = ("start", "end")


@dataclass(frozen=True)
class State:
    """Everything an observation depends on, at one point of the iteration."""

    coordinates: Floats  # (n_marks, 3), NaN where nothing is known
    effects: Floats  # (n_setups, 3)
    orientations: Floats  # (n_orientations,)
    constants: dict[str, Floats]  # see constants.Leaning.values
    places: Places  # what the frame keeps of the marks


@dataclass(frozen=True)
class _Group:
    """Observations in use that share a kind (or the three components of vectors) and therefore a layout."""

    kinds: tuple[Kind, ...]  # one, or three that are whitened together
    rows: Ints  # rows of Observations, components side by side
    columns: Ints  # (m, w)
    kept: Flags  # (full width,): which of all coefficients have a column at all
    line: Ints  # (m,) which of the lines between setups it goes along; empty for other kinds
    value: Floats  # (m,) as observed
    weight: Floats  # (m,) 1/sigma


class Equations:
    """Linearises a network. `evaluate(x)` is what Gauss-Newton calls."""

    def __init__(
        self,
        network: Network,
        obs: Observations,
        unknowns: Unknowns,
        settings: Settings,
        frame: Frame,
        start: Floats,
    ) -> None:
        """`start` (n_marks, 3): held and approximate coordinates, NaN where nothing is known."""
        self.network, self.obs, self.unknowns = network, obs, unknowns
        self.settings, self.frame, self.start = settings, frame, start
        self._heights = np.nan_to_num(unknowns.heights, nan=0.0)
        none = np.zeros(0, dtype=np.int64)
        of_kind = rows_of_kind(obs)
        self._kind = {name: (r := of_kind.get(name, none))[obs.used[r]] for name in KINDS}
        self._effect_sigma = np.column_stack([unknowns.centring_sigma] * 2 + [unknowns.height_sigma])
        self._leaning = Leaning(network, obs, settings, unknowns.constants)
        self.groups: list[_Group] = []
        self._lines, line = self._distinct_lines()
        for name in KINDS:
            if name in VECTOR:
                continue
            rows = self._kind[name]
            if len(rows):
                full = self._layout(KINDS[name], rows)
                kept = np.any(full >= 0, axis=0)
                mine = line[rows] if KINDS[name].between == "setups" else none
                self.groups.append(self._group((KINDS[name],), rows, full[:, kept], kept, mine))
        if len(self._kind[VECTOR[0]]):
            rows = np.column_stack([self._kind[v] for v in VECTOR])
            full = np.repeat(self._layout(None, rows[:, 0]), 3, axis=0)
            kept = np.any(full >= 0, axis=0)
            kinds = tuple(KINDS[v] for v in VECTOR)
            self.groups.append(self._group(kinds, rows.reshape(-1), full[:, kept], kept, none))

    def _group(self, kinds: tuple[Kind, ...], rows: Ints, columns: Ints, kept: Flags, line: Ints) -> _Group:
        return _Group(kinds, rows, columns, kept, line, self.obs.value[rows], 1.0 / self.obs.sigma[rows])

    def _distinct_lines(self) -> tuple[Ints, Ints]:
        """One row for every line between two setups that is in use, and the line of every row; −1 for none.

        All rounds and all readings of one sight share the line, and so d and its derivatives.
        """
        obs = self.obs
        rows = np.concatenate([r for name, r in self._kind.items() if KINDS[name].between == "setups"])
        ends = (obs.start_setup, obs.end_setup, obs.start_mark, obs.end_mark)
        first, number = numbered(packed(*(e[rows] for e in ends)))
        line = np.full(len(obs), -1)
        line[rows] = number
        return rows[first], line

    # -- where things stand ------------------------------------------------------------------------------------

    def first_guess(self, orientations: Floats) -> Floats:
        """x at the start coordinates, effects 0, constants at their priors."""
        u = self.unknowns
        x = np.zeros(u.n)
        placed = u.marks >= 0
        x[u.marks[placed]] = self.start[placed]
        turned = u.orientations >= 0
        x[u.orientations[turned]] = orientations[turned]
        for c in u.constants:
            x[c.place] = c.value
        return x

    def state(self, x: Floats) -> State:
        """Coordinates, effects, orientations and constants at x."""
        u = self.unknowns
        coordinates = self.start.copy()
        coordinates[u.marks >= 0] = x[u.marks[u.marks >= 0]]
        padded = np.append(x, 0.0)
        places = self.frame.places(coordinates)
        return State(coordinates, padded[u.effects], padded[u.orientations], self._leaning.values(x), places)

    def altered(self, frame: Frame, heights: bool = True) -> Equations:
        """These equations in another frame, or without the heights of devices: to see what either does to a reading."""
        other = copy.copy(self)
        other.frame = frame
        if not heights:
            other._heights = np.zeros_like(self._heights)
        return other

    # -- the equations -----------------------------------------------------------------------------------------

    def evaluate(self, x: Floats, weighed_at: Floats | None = None) -> list[Rows]:
        """Whitened equations at x: one Rows a group, then the priors.

        Under the independent rule setups weigh as the geometry at `weighed_at` has it, at x itself where that is None.
        """
        state = self.state(x)
        weighing = None if weighed_at is None else self.state(weighed_at)
        out: list[Rows] = []
        rays: dict[str, Ray] = {}
        for g in self.groups:
            if len(g.kinds) > 1:
                out.append(self._whiten(g, state))
                continue
            kind = g.kinds[0]
            if len(g.line):
                if kind.line not in rays:
                    rays[kind.line] = self._ray(kind, self._lines, "start", "end", state)
                computed, values, extra = self._along_lines(g, state, rays[kind.line])
            else:
                computed, full, extra = self._linearise(kind, g.rows, state)
                values = full[:, g.kept]
            misclosure = g.value - computed
            if kind.quantity == "angle":
                misclosure = wrap(misclosure)
            weight = g.weight
            if extra is not None and self.settings.correlation == "independent":
                if weighing is not None:
                    extra = self._linearise(kind, g.rows, weighing)[2]
                weight = 1.0 / np.sqrt(weight**-2 + extra)
            values *= weight[:, None]
            out.append(Rows(g.columns, values, misclosure * weight))
        p = self.unknowns.priors
        if len(p):
            out.append(Rows(p.place[:, None], 1.0 / p.sigma[:, None], (p.value - x[p.place]) / p.sigma))
        return out

    def computed(self, x: Floats, rows: Ints) -> Floats:
        """What the observations in `rows` should have read at x; NaN where a coordinate is missing. m or rad."""
        return self.computed_in(self.state(x), rows)

    def computed_in(self, state: State, rows: Ints) -> Floats:
        """The same in a state that no x need have."""
        out = np.full(len(rows), np.nan)
        for name, kind in KINDS.items():
            at = np.flatnonzero(self.obs.kind[rows] == name)
            if len(at):
                out[at] = self._linearise(kind, rows[at], state)[0]
        return out

    def gradients(self, x: Floats, rows: Ints) -> dict[End, Floats]:
        """∂(computed) / ∂(east, north, height) at every end of the observations in `rows`, (k, 3) each, 0 where one has no
        such end; also where nothing is unknown."""
        state = self.state(x)
        out: dict[End, Floats] = {}
        for name, kind in KINDS.items():
            at = np.flatnonzero(self.obs.kind[rows] == name)
            for sign, first, second in kind.legs if len(at) else ():
                ray = self._ray(kind, rows[at], first, second, state)
                g = sign * kind.gradient(ray)
                for end, jacobian in ((first, ray.to_start), (second, ray.to_end)):
                    out.setdefault(end, np.zeros((len(rows), 3)))[at] += np.einsum("mi,mij->mj", g, jacobian)
        return out

    def sigmas(self, x: Floats, rows: Ints) -> Floats:
        """A priori sigma of the observations in `rows`, m or rad; under the independent rule with the setups folded in."""
        if self.settings.correlation == "shared":
            return self.obs.sigma[rows]
        state = self.state(x)
        out = self.obs.sigma[rows] ** 2
        for name, kind in KINDS.items():
            at = np.flatnonzero(self.obs.kind[rows] == name)
            if len(at):
                out[at] += self._linearise(kind, rows[at], state)[2]
        return np.sqrt(out)

    def _along_lines(self, g: _Group, state: State, ray: Ray) -> tuple[Floats, Floats, Floats | None]:
        """As `_linearise`, of a group between setups whose lines are `ray`; only the coefficients that are kept.

        The variance of effects only where they are no unknowns.
        """
        kind = g.kinds[0]
        if self._leaning.estimated:
            computed, values, folded = self._linearise(kind, g.rows, state, ray.take(g.line))
            return computed, values[:, g.kept], folded
        slope, bent = kind.gradient(ray), self._bent(kind, ray, state)
        if bent is not None:
            slope = slope + bent[0]
        blocks = [np.einsum("mi,mij->mj", slope, j) for j in (ray.to_start, ray.to_end)]
        if bent is not None:
            blocks[0][:, 2] += bent[1]
        extra: Floats | None = None
        if self.settings.correlation == "independent":
            extra = sum(
                (self._folded(b, self._lines, e) for b, e in zip(blocks, _ENDS, strict=True)), np.zeros(1)
            )[g.line]
        computed = kind.value(ray).take(g.line)
        parts = [b for b in blocks for _ in range(2)]  # of the mark, and of its effects
        if "orientation" in kind.leans_on:
            c = kind.leans_on["orientation"](ray, np.zeros(len(ray.d)))
            computed += c.take(g.line) * state.orientations[self.obs.orientation[g.rows]]
            parts.append(c[:, None])
        full = np.concatenate(parts, axis=1)
        mine = g.kept[: full.shape[1]]
        values = (full if mine.all() else full[:, mine]).take(g.line, axis=0)
        stated = [name for name in kind.leans_on if name in self._leaning.active]
        if stated:
            balance, each = self.obs.balance[g.rows], ray.take(g.line, derivatives=False)
            for name in stated:
                constant = state.constants[name][self._leaning.owners(name, g.rows)]
                computed = computed + kind.leans_on[name](each, balance) * constant
        return computed, values, extra

    def _bent(self, kind: Kind, ray: Ray, state: State) -> tuple[Floats, Floats] | None:
        """What refraction adds to ∂value/∂d (n, 3) and to ∂value/∂(height of the start) (n,); None where it adds nothing."""
        if not kind.turns:
            return None
        weight = kind.turns * float(state.constants["refraction"][0])
        slope, own = ray.arc()
        return weight * slope, weight * own

    def _folded(self, block: Floats, rows: Ints, end: End) -> Floats:
        """What the effects of a setup add to the variance of observations where they are no unknowns."""
        if self.settings.correlation != "independent" or not len(self._effect_sigma):
            return np.zeros(len(block))
        setup = getattr(self.obs, f"{end}_setup")[rows]
        s = np.where((setup >= 0)[:, None], self._effect_sigma[setup], 0.0)
        return np.asarray(np.sum((block * s) ** 2, axis=1))

    def _linearise(
        self, kind: Kind, rows: Ints, state: State, known: Ray | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Computed values (m,), coefficients (m, full width), and the variance of effects that are no unknowns (m,).

        `known` is the ray of the only leg, where it has been made already.
        """
        obs = self.obs
        computed = np.zeros(len(rows))
        blocks: dict[End, Floats] = {}
        ray = known
        for sign, first, second in kind.legs:
            ray = known if known is not None else self._ray(kind, rows, first, second, state)
            computed += sign * kind.value(ray)
            g = sign * kind.gradient(ray)
            for name, slope in kind.bends.items():
                if name in self._leaning.active:
                    g = g + state.constants[name][self._leaning.owners(name, rows)][:, None] * slope(ray)
            bent = self._bent(kind, ray, state)
            for end, jacobian in ((first, ray.to_start), (second, ray.to_end)):
                block = np.einsum("mi,mij->mj", g if bent is None else g + bent[0], jacobian)
                if bent is not None and end == first:
                    block[:, 2] += bent[1]
                blocks[end] = blocks[end] + block if end in blocks else block
        assert ray is not None
        parts: list[Floats] = []
        extra = np.zeros(len(rows))
        for end, block in blocks.items():
            parts.append(block)
            if kind.between != "marks":
                parts.append(block)
                extra += self._folded(block, rows, end)
        given = {str(end): block[:, 2] for end, block in blocks.items()}
        for name, coefficient in kind.leans_on.items():
            c = coefficient(ray, obs.balance[rows])
            if name == "orientation":
                turns = np.append(
                    state.orientations, np.nan
                )  # −1, all directions of a setup left out: unknown
                computed = computed + c * turns[obs.orientation[rows]]
                parts.append(c[:, None])
            elif name in self._leaning.active:
                computed = computed + c * state.constants[name][self._leaning.owners(name, rows)]
                given[name] = c
        parts.append(self._leaning.coefficients(kind, rows, given))
        return computed, np.concatenate(parts, axis=1), extra

    def _whiten(self, g: _Group, state: State) -> Rows:
        """Vectors: the three components of each multiplied by the inverse Cholesky factor of their covariance."""
        rows = g.rows.reshape(-1, 3)
        values = np.empty((len(rows), 3, int(g.kept.sum())))
        misclosure = np.empty((len(rows), 3))
        covariance = vector_covariances(self.network, self.obs.block[rows[:, 0]])
        for c, kind in enumerate(g.kinds):
            computed, full, extra = self._linearise(kind, rows[:, c], state)
            values[:, c] = full[:, g.kept]
            misclosure[:, c] = self.obs.value[rows[:, c]] - computed
            covariance[:, c, c] += extra
        whitening = np.linalg.inv(np.linalg.cholesky(covariance))
        w = values.shape[2]
        return Rows(
            g.columns,
            (whitening @ values).reshape(3 * len(rows), w),
            np.einsum("mij,mj->mi", whitening, misclosure).reshape(-1),
            block=3,
        )

    # -- layout ------------------------------------------------------------------------------------------------

    def _layout(self, kind: Kind | None, rows: Ints) -> Ints:
        """Columns of every coefficient of `_linearise`, −1 where it belongs to no unknown; None: a vector."""
        obs, u = self.obs, self.unknowns
        legs: tuple[tuple[float, End, End], ...] = kind.legs if kind is not None else ((1.0, "start", "end"),)
        ends: list[End] = list(dict.fromkeys(e for _, a, b in legs for e in (a, b)))
        axes = np.array([kind.plan, kind.plan, kind.height] if kind is not None else [True, True, True])
        parts: list[Ints] = []
        for end in ends:
            mark = getattr(obs, f"{end}_mark")[rows]
            parts.append(np.where(axes, u.marks[mark], -1))
            if kind is None or kind.between != "marks":
                setup = getattr(obs, f"{end}_setup")[rows]
                own = u.effects[setup] if len(u.effects) else np.full((len(rows), 3), -1)
                parts.append(np.where(axes & (setup >= 0)[:, None], own, -1))
        if kind is not None and "orientation" in kind.leans_on:
            parts.append(u.orientations[obs.orientation[rows]][:, None])
        parts.append(self._leaning.columns(kind, rows))
        return np.concatenate(parts, axis=1).astype(np.int64)

    def _ray(self, kind: Kind, rows: Ints, first: End, second: End, state: State) -> Ray:
        a, b = (self._ends(kind, rows, end, state) for end in (first, second))
        if kind.between == "setups":
            lost = np.isnan(state.coordinates[a.mark, 2]) | np.isnan(state.coordinates[b.mark, 2])
            shift = np.where(lost, a.centre[:, 2] - b.centre[:, 2], 0.0)  # of unknown steepness: level
            b.centre[:, 2] += shift
            b.offset[:, 2] += shift
        return self.frame.ray(kind.line, a, b, state.places)

    def _ends(self, kind: Kind, rows: Ints, end: End, state: State) -> Ends:
        """Device centres (or marks) at one end; an unknown height counts as the reference height."""
        mark = getattr(self.obs, f"{end}_mark")[rows]
        centre: Floats = state.coordinates[mark]
        unknown = np.isnan(centre[:, 2])
        offset = np.zeros_like(centre)
        if kind.between != "marks" and len(self._heights):
            setup = getattr(self.obs, f"{end}_setup")[rows]
            there = (setup >= 0)[:, None]
            offset = np.where(there, state.effects[setup], 0.0)
            offset[:, 2] += np.where(there[:, 0], self._heights[setup], 0.0)
            if "height_offset" in self._leaning.active:
                offset[:, 2] += self._leaning.heights(setup, state.constants)
        offset[unknown, 2] = 0.0
        centre[unknown, 2] = self.frame.reference_height
        return Ends(mark, centre + offset, offset)
