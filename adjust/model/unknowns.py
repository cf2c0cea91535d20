"""Which column is whose: every unknown has a prior value and a prior sigma (0 held, infinite free, between weighted).

One mechanism serves coordinates, orientations, setup effects and constants. A component that nothing reaches, and one
that is held, is no unknown: its column is −1.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..ground.network import Network
from ..ground.supports import centring_sigmas, height_sigmas, vertical_heights
from ..ground.table import Flags, Floats, Ints, Names, Table, column
from ..settings import Settings
from .observations import KINDS
from .reductions import Observations, as_objects

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
class Constant:
    """A nuisance unknown: refraction, or one of an instrument (row −1: of the whole job)."""

    name: str
    label: str
    instrument: int
    place: int
    value: float
    sigma: float
    quantity: str


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
    constants: tuple[Constant, ...]
    reached: Flags
    node: Ints
    late: Flags
    priors: Priors
    heights: Floats  # (n_setups,) vertical heights, m, NaN unknown
    centring_sigma: Floats  # (n_setups,) m, that of the base where there is one
    height_sigma: Floats  # (n_setups,) m


@dataclass
class _Columns:
    """Hands out columns and keeps what belongs to each."""

    node: list[int] = field(default_factory=list)
    priors: list[tuple[str, str, int, float, float, int, int, int]] = field(default_factory=list)

    def take(self, node: int) -> int:
        self.node.append(node)
        return len(self.node) - 1

    def prior(
        self, id_: str, source: str, place: int, value: float, sigma: float, axis: int, mark: int, setup: int
    ) -> None:
        self.priors.append((id_, source, place, value, sigma, axis, mark, setup))


def place_unknowns(network: Network, obs: Observations, settings: Settings) -> Unknowns:
    """Number the unknowns of a network for the observations in use."""
    marks, setups = network.marks, network.setups
    n_marks, n_setups = len(marks), len(setups)
    columns = _Columns()
    reached, touched = _reach(network, obs)

    sigma = np.column_stack([marks.sigma_east, marks.sigma_north, marks.sigma_height])
    given = np.column_stack([marks.east, marks.north, marks.height])
    mark_columns = np.full((n_marks, 3), -1, dtype=np.int64)
    for i, a in zip(*np.nonzero(reached & (sigma > 0.0)), strict=True):
        mark_columns[i, a] = columns.take(int(i))
        if np.isfinite(sigma[i, a]):
            id_ = f"{marks.mark[i]}.control.{AXES[a]}"
            columns.prior(id_, "control", mark_columns[i, a], given[i, a], sigma[i, a], int(a), int(i), -1)

    heights = vertical_heights(network)
    owner = np.column_stack([_owners(setups.base), _owners(setups.base), _owners(setups.height_base)])
    centring = centring_sigmas(network, heights)[owner[:, 0]]
    height = height_sigmas(network)[owner[:, 2]]
    effects = np.full((n_setups, 3), -1, dtype=np.int64)
    if settings.correlation == "shared":
        effect_sigma = np.column_stack([centring, centring, height])
        shared = np.column_stack([setups.base, setups.base, setups.height_base]) >= 0
        taken: dict[tuple[int, int], int] = {}
        for i, a in zip(*np.nonzero(touched & (effect_sigma > 0.0)), strict=True):
            key = (int(owner[i, a]), int(a))
            if key not in taken:
                # what one setup owns alone lives in its node, a base in a node of its own
                kind = (2 if a == 2 else 1) if shared[i, a] else 0
                taken[key] = columns.take(n_marks + kind * n_setups + key[0])
                id_ = f"{setups.setup[key[0]]}.effect.{AXES[a]}"
                columns.prior(id_, "effect", taken[key], 0.0, float(effect_sigma[i, a]), int(a), -1, key[0])
            effects[i, a] = taken[key]

    orientations = np.full(int(obs.orientation.max(initial=-1)) + 1, -1, dtype=np.int64)
    rows = np.flatnonzero(obs.used & (obs.orientation >= 0))
    for o, first in zip(*np.unique(obs.orientation[rows], return_index=True), strict=True):
        orientations[o] = columns.take(n_marks + int(obs.start_setup[rows[first]]))

    constants = _constants(network, obs, settings, columns, n_marks + 3 * n_setups)
    _, node = np.unique(np.array(columns.node, dtype=np.int64), return_inverse=True)
    late = np.zeros(int(node.max(initial=-1)) + 1, dtype=bool)
    late[[node[c.place] for c in constants]] = True
    names = [c.name for c in Priors.columns()]
    fields: list[Any] = [as_objects(list(f)) for f in zip(*columns.priors, strict=True)] or [()] * len(names)
    return Unknowns(
        n=len(node),
        marks=mark_columns,
        effects=effects,
        orientations=orientations,
        constants=constants,
        reached=reached,
        node=node.astype(np.int64),
        late=late,
        priors=Priors(**dict(zip(names, fields, strict=True))),
        heights=heights,
        centring_sigma=centring,
        height_sigma=height,
    )


def _reach(network: Network, obs: Observations) -> tuple[Flags, Flags]:
    """Which components (east, north, height) of marks and of setups the observations in use touch."""
    reached = np.zeros((len(network.marks), 3), dtype=bool)
    touched = np.zeros((len(network.setups), 3), dtype=bool)
    for name, kind in KINDS.items():
        rows = (obs.kind == name) & obs.used
        axes = [a for a in range(3) if (kind.plan if a < 2 else kind.height)]
        for table, ends in (
            (reached, (obs.start_mark, obs.at_mark, obs.end_mark)),
            (touched, (obs.start_setup, obs.end_setup)),
        ):
            for end in ends:
                e = end[rows]
                e = e[e >= 0]
                for a in axes:
                    table[e, a] = True
    return reached, touched


def _owners(group: Ints) -> Ints:
    """The first row of every row's group; −1 is no group."""
    owner = np.arange(len(group))
    first: dict[int, int] = {}
    for i in np.flatnonzero(group >= 0).tolist():
        owner[i] = first.setdefault(int(group[i]), i)
    return owner


def _constants(
    network: Network, obs: Observations, settings: Settings, columns: _Columns, node: int
) -> tuple[Constant, ...]:
    """Constants with a prior sigma that an observation in use leans on."""
    out: list[Constant] = []

    def add(name: str, instrument: int, value: float, sigma: float, quantity: str) -> None:
        place = columns.take(node)
        label = name if instrument < 0 else f"{network.instruments.instrument[instrument]}.{name}"
        columns.prior(label, "constant", place, value, sigma, -1, -1, -1)
        out.append(Constant(name, label, instrument, place, value, sigma, quantity))

    kinds = obs.kind
    if settings.refraction_sigma > 0.0 and np.any(obs.used & (kinds == "zenith")):
        add("refraction", -1, settings.refraction, settings.refraction_sigma, "number")
    device = (
        np.where(obs.start_setup >= 0, network.setups.device[obs.start_setup], -1)
        if len(network.setups)
        else None
    )
    for i in range(len(network.instruments)):
        mine = obs.used & (device == i)
        lengths = mine & np.isin(kinds.astype(str), ("distance", "level"))
        turned = mine & (obs.balance != 0.0)
        table = network.instruments
        for name, sigma, wanted, quantity in (
            ("zero", table.distance_zero_sigma[i], lengths, "length"),
            ("scale", table.distance_scale_sigma[i], lengths, "number"),
            ("collimation", table.collimation_sigma[i], turned & (kinds == "direction"), "angle"),
            ("index", table.index_sigma[i], turned & (kinds == "zenith"), "angle"),
        ):
            if sigma > 0.0 and wanted.any():
                add(name, i, 0.0, float(sigma), quantity)
    return tuple(out)
