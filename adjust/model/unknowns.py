"""Which column is whose: every unknown has a prior value and a prior sigma (0 held, infinite free, between weighted).

One mechanism serves coordinates, orientations, setup effects and constants. A component that nothing reaches, and one
that is held, is no unknown: its column is −1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..ground.network import Network
from ..ground.supports import centring_sigmas, height_sigmas, vertical_heights
from ..ground.table import Flags, Floats, Ints, Names, Table, column, deferred, frozen
from ..settings import Settings
from .constants import Constants, place_constants
from .observations import KINDS
from .reductions import Observations, rows_of_kind

AXES = ("east", "north", "height")


class Priors(Table):
    """Weighted unknowns as pseudo-observations."""

    id: Names = column("name", "P1.control.east, T4.effect.height, refraction")
    source: Names = column("text", "control, effect or constant")
    place: Ints = column("index", "column of the unknown")
    value: Floats = column("number", "prior value")
    sigma: Floats = column("number", "prior sigma")
    axis: Ints = column("index", "0 east, 1 north, 2 height, −1 for a constant")
    mark: Ints = column("index", "row of the mark of a control coordinate, −1 otherwise")
    setup: Ints = column("index", "row of the setup of an effect (the first of its base), −1 otherwise")


@dataclass(frozen=True)
class Unknowns:
    """Columns of all unknowns; −1 where there is none.

    marks (n_marks, 3), effects (n_setups, 3): east, north, height; orientations (n_orientations,);
    reached (n_marks, 3): components that an observation touches; node (n,), late (n_nodes,): see estimate.ordering.
    """

    n: int
    marks: Ints
    effects: Ints
    orientations: Ints
    constants: Constants
    reached: Flags
    node: Ints
    late: Flags
    priors: Priors
    heights: Floats  # (n_setups,) vertical heights, m, NaN unknown
    centring_sigma: Floats  # (n_setups,) m, that of the base where there is one
    height_sigma: Floats  # (n_setups,) m


class _Columns:
    """Hands out columns and keeps what belongs to each."""

    def __init__(self) -> None:
        self.n = 0
        self.nodes: list[Ints] = []
        self.priors: list[dict[str, Any]] = []

    def take(self, nodes: Ints) -> Ints:
        """Columns for unknowns that live in these nodes."""
        places = self.n + np.arange(len(nodes))
        self.n += len(nodes)
        self.nodes.append(nodes)
        return places

    def prior(self, n: int, **columns: Any) -> None:
        """n priors of one source; columns as in Priors, an axis, mark or setup of −1 if not named."""
        if n:
            none = np.full(n, -1)
            self.priors.append({"axis": none, "mark": none, "setup": none} | columns)

    def table(self, network: Network, constants: Constants) -> Priors:
        if not self.priors:
            return Priors.empty()
        first = self.priors[0]
        joined = {
            name: first[name] if len(self.priors) == 1 else np.concatenate([p[name] for p in self.priors])
            for name in first
        }
        n, labels = len(joined["place"]), [c.label for c in constants]
        marks, setups = network.marks.mark, network.setups.setup
        mark, setup, axis = (joined[name] for name in ("mark", "setup", "axis"))

        def sources(rows: Ints | slice) -> Names:
            words = np.array(["constant", "control", "effect"], dtype=object)
            return np.asarray(words[np.where(mark[rows] >= 0, 1, np.where(setup[rows] >= 0, 2, 0))])

        def ids(rows: Ints | slice) -> Names:
            out, at = sources(rows), np.arange(n)[rows]
            for owner, names, word in ((mark, marks, "control"), (setup, setups, "effect")):
                mine = np.flatnonzero(owner[at] >= 0)
                tails = [f".{word}.{AXES[k]}" for k in axis[at[mine]].tolist()]
                out[mine] = [f"{m}{t}" for m, t in zip(names[owner[at[mine]]].tolist(), tails, strict=True)]
            mine = np.flatnonzero(axis[at] < 0)
            out[mine] = [labels[k] for k in (at[mine] - n).tolist()]  # constants come last
            return out

        return Priors(
            id=deferred(n, ids),
            source=deferred(n, sources),
            **{name: frozen(values) for name, values in joined.items()},
        )


def place_unknowns(network: Network, obs: Observations, settings: Settings) -> Unknowns:
    """Number the unknowns of a network for the observations in use."""
    marks, setups = network.marks, network.setups
    n_marks, n_setups = len(marks), len(setups)
    columns = _Columns()
    reached, touched = _reach(network, obs)

    sigma = np.column_stack([marks.sigma_east, marks.sigma_north, marks.sigma_height])
    mark_columns = np.full((n_marks, 3), -1, dtype=np.int64)
    i, a = np.nonzero(reached & (sigma > 0.0))
    mark_columns[i, a] = columns.take(i)
    weighted = np.isfinite(sigma[i, a])
    i, a = i[weighted], a[weighted]
    given = np.column_stack([marks.east, marks.north, marks.height])[i, a]
    columns.prior(len(i), place=mark_columns[i, a], value=given, sigma=sigma[i, a], axis=a, mark=i)

    heights = vertical_heights(network)
    base, height_base = _owners(setups.base), _owners(setups.height_base)
    centring = centring_sigmas(network, heights)[base]
    height = height_sigmas(network)[height_base]
    effects = np.full((n_setups, 3), -1, dtype=np.int64)
    if settings.correlation == "shared" and n_setups:
        owner = np.column_stack([base, base, height_base])
        effect_sigma = np.column_stack([centring, centring, height])
        shared = np.column_stack([setups.base, setups.base, setups.height_base]) >= 0
        i, a = np.nonzero(touched & (effect_sigma > 0.0))
        owner_key = owner[i, a] * 3 + a
        if shared.any():  # what a base shares gets its column where it is first met
            _, first, of = np.unique(owner_key, return_index=True, return_inverse=True)
            rank = np.empty(len(first), dtype=np.int64)
            rank[np.argsort(first)] = np.arange(len(first))
            of, first = rank[of.reshape(-1)], np.sort(first)
        else:
            first = of = np.arange(len(i))
        head, axis = owner[i, a][first], a[first]
        # what one setup owns alone lives in its node, a base in a node of its own
        kind = np.where(shared[i, a][first], np.where(axis == 2, 2, 1), 0)
        taken = columns.take(n_marks + kind * n_setups + head)
        effects[i, a] = taken[of]
        columns.prior(
            len(head),
            place=taken,
            value=np.zeros(len(head)),
            sigma=effect_sigma[i, a][first],
            axis=axis,
            setup=head,
        )

    orientations = np.full(int(obs.orientation.max(initial=-1)) + 1, -1, dtype=np.int64)
    rows = np.flatnonzero(obs.used & (obs.orientation >= 0))[::-1]
    stand = np.full(len(orientations), -1)
    stand[obs.orientation[rows]] = obs.start_setup[rows]  # the first row stays
    turned = np.flatnonzero(stand >= 0)
    orientations[turned] = columns.take(n_marks + stand[turned])

    constants = Constants(place_constants(network, obs, settings), network.together)
    for c, place in zip(
        constants, columns.take(np.full(len(constants), n_marks + 3 * n_setups)), strict=True
    ):
        c.place = int(place)
    columns.prior(
        len(constants),
        place=constants.places,
        value=np.array([c.value for c in constants]),
        sigma=constants.sigma_alone,
    )
    nodes = np.concatenate([*columns.nodes, np.zeros(0, dtype=np.int64)])
    lived = np.zeros(n_marks + 3 * n_setups + 1, dtype=bool)
    lived[nodes] = True
    node = (np.cumsum(lived) - 1)[nodes]
    late = np.zeros(int(lived.sum()), dtype=bool)
    late[[node[c.place] for c in constants]] = True
    return Unknowns(
        n=len(node),
        marks=mark_columns,
        effects=effects,
        orientations=orientations,
        constants=constants,
        reached=reached,
        node=node.astype(np.int64),
        late=late,
        priors=columns.table(network, constants),
        heights=heights,
        centring_sigma=centring,
        height_sigma=height,
    )


def _reach(network: Network, obs: Observations) -> tuple[Flags, Flags]:
    """Which components (east, north, height) of marks and of setups the observations in use touch."""
    reached = np.zeros((len(network.marks), 3), dtype=bool)
    touched = np.zeros((len(network.setups), 3), dtype=bool)
    for name, rows in rows_of_kind(obs).items():
        kind, rows = KINDS[name], rows[obs.used[rows]]
        axes = np.array([kind.plan, kind.plan, kind.height])
        for table, ends in (
            (reached, (obs.start_mark, obs.at_mark, obs.end_mark)),
            (touched, (obs.start_setup, obs.end_setup)),
        ):
            met = np.zeros(len(table) + 1, dtype=bool)
            for end in ends:
                met[end[rows]] = True  # −1 is nothing, and stands behind
            table |= met[:-1, None] & axes
    return reached, touched


def _owners(group: Ints) -> Ints:
    """The first row of every row's group; −1 is no group."""
    owner = np.arange(len(group))
    member = np.flatnonzero(group >= 0)
    if len(member):
        _, first, of = np.unique(group[member], return_index=True, return_inverse=True)
        owner[member] = member[first][of.reshape(-1)]
    return owner
