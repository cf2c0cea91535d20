"""Constants: nuisance unknowns that many observations share. Refraction, and what is wrong with a device as such.

    name           belongs to   what it is
    refraction     the job      arc ratio k
    zero, scale    instrument   errors of the EDM, too long is positive
    collimation    instrument   of the line of sight, as face 1 reads it
    index          instrument   of the vertical circle, as face 1 reads it
    constant       target       error of its constant: what is to be added to distances beyond it
    height_offset  support      what is to be added to every height on it
    session_…      session      scale, turn in azimuth and tilts of all its vectors about one horizon (see observations/vector)

Each has a prior value and a prior sigma. Where several were told by the same days, their errors are correlated (covariance C).
The unknown of constant i is then what it is beyond what those before it imply: with C = B·diag(σ²)·Bᵀ, B unit lower triangular,

    c = c₀ + B(x − c₀),   x_i ~ (c₀_i, σ_i) independently

so that priors stay single pseudo-observations. Uncorrelated, B = 1 and σ_i is the constant's own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..ground.network import KnownTogether, Network
from ..ground.table import Flags, Floats, Ints
from ..settings import Settings
from .observations import KINDS, VECTOR
from .observations.kind import Kind
from .observations.vector import SESSION
from .reductions import Observations, rows_of_kind

OWNERS = {
    "refraction": "job", "zero": "instruments", "scale": "instruments", "collimation": "instruments",
    "index": "instruments", "constant": "targets", "height_offset": "supports",
    "session_scale": "sessions", "session_turn": "sessions", "session_tilt_east": "sessions",
    "session_tilt_north": "sessions",
}  # fmt: skip


@dataclass
class Constant:
    """One constant: the row of what it belongs to (−1: the whole job), its column, its prior; m, rad or a ratio."""

    name: str
    label: str
    owner: int
    value: float
    sigma: float
    quantity: str
    place: int = -1


class Constants(Sequence[Constant]):
    """The constants that are unknowns, and how their prior errors hang together."""

    def __init__(self, constants: Sequence[Constant], together: Sequence[KnownTogether] = ()) -> None:
        self._all = tuple(constants)
        n = len(self._all)
        sigma = np.array([c.sigma for c in self._all], dtype=float)
        self.mixing: Floats = np.eye(n)
        self.sigma_alone: Floats = sigma
        number = {(c.name, c.owner): i for i, c in enumerate(self._all)}
        correlation = np.eye(n)
        for known in together:
            there = [k for k, key in enumerate(known.constants) if key in number]
            at = [number[known.constants[k]] for k in there]
            correlation[np.ix_(at, at)] = known.correlation[np.ix_(there, there)]
        if n and np.any(correlation != np.eye(n)):
            L = np.linalg.cholesky(correlation * np.outer(sigma, sigma))
            self.sigma_alone = np.diagonal(L).copy()
            self.mixing = L / self.sigma_alone
        linked = self.mixing != np.eye(n)
        self.joined: Flags = linked.any(axis=0) | linked.any(axis=1)

    def __len__(self) -> int:
        return len(self._all)

    def __iter__(self) -> Iterator[Constant]:
        return iter(self._all)

    def __getitem__(self, i: int) -> Constant:  # type: ignore[override]
        return self._all[i]  # pragma: no cover - a sequence must have it

    @property
    def places(self) -> Ints:
        return np.array([c.place for c in self._all], dtype=np.int64)

    def values(self, x: Floats) -> Floats:
        """c₀ + B(x − c₀) at the unknowns x (n,) of the network."""
        prior = np.array([c.value for c in self._all], dtype=float)
        values: Floats = prior + self.mixing @ (x[self.places] - prior) if len(self._all) else prior
        return values


def place_constants(network: Network, obs: Observations, settings: Settings) -> list[Constant]:
    """The constants with a prior sigma that an observation in use leans on."""
    out: list[Constant] = []
    of_kind, setups = rows_of_kind(obs), network.setups

    def rows(*kinds: str) -> Ints:
        every = np.concatenate([*(of_kind[k] for k in kinds if k in of_kind), np.zeros(0, dtype=np.int64)])
        return np.asarray(every[obs.used[every]])

    if settings.refraction_sigma > 0.0 and len(rows("zenith")):
        out.append(
            Constant("refraction", "refraction", -1, settings.refraction, settings.refraction_sigma, "number")
        )
    for i, name, sigma in _sessions(network, obs, rows(VECTOR[0])):
        label = f"{network.sessions.session[i]}.{name.removeprefix('session_')}"
        out.append(Constant(name, label, i, 0.0, sigma, "number" if name == "session_scale" else "angle"))
    if not len(setups):
        return out
    lengths, directions, zeniths = rows("distance", "level"), rows("direction"), rows("zenith")
    directions, zeniths = (r[obs.balance[r] != 0.0] for r in (directions, zeniths))
    table = network.instruments
    for i in range(len(table)):
        for name, key, leaning, quantity in (
            ("zero", "distance_zero", lengths, "length"),
            ("scale", "distance_scale", lengths, "number"),
            ("collimation", "collimation", directions, "angle"),
            ("index", "index", zeniths, "angle"),
        ):
            sigma = float(getattr(table, f"{key}_sigma")[i])
            if sigma > 0.0 and np.any(setups.device[obs.start_setup[leaning]] == i):
                label = f"{table.instrument[i]}.{name}"
                out.append(Constant(name, label, i, float(getattr(table, key)[i]), sigma, quantity))
    for i in np.flatnonzero(network.targets.constant_sigma > 0.0).tolist():
        if np.any(_own_target(network, obs.end_setup[lengths]) == i):
            label, sigma = f"{network.targets.target[i]}.constant", float(network.targets.constant_sigma[i])
            out.append(Constant("constant", label, i, 0.0, sigma, "length"))
    high, supports = rows(*(name for name, kind in KINDS.items() if kind.height)), network.supports
    for i in np.flatnonzero(supports.height_offset_sigma > 0.0).tolist():
        if any(np.any(_support(network, end[high]) == i) for end in (obs.start_setup, obs.end_setup)):
            label, sigma = f"{supports.support[i]}.height_offset", float(supports.height_offset_sigma[i])
            out.append(Constant("height_offset", label, i, float(supports.height_offset[i]), sigma, "length"))
    return out


def _sessions(network: Network, obs: Observations, vectors: Ints) -> Iterator[tuple[int, str, float]]:
    """Session, constant and prior sigma of what vectors in use may have in common."""
    table = network.sessions
    met = set(network.vectors.session[obs.block[vectors]].tolist())
    for i in range(len(table)):
        for name in SESSION if i in met else ():
            key = "tilt" if "tilt" in name else name.removeprefix("session_")
            sigma = float(getattr(table, f"{key}_sigma")[i])
            if sigma > 0.0:
                yield i, name, sigma


def _own_target(network: Network, setup: Ints) -> Ints:
    """Row of the target whose constant serves a setup; −1 where the setup has a constant of its own."""
    setups = network.setups
    own = ~np.isnan(setups.prism_constant) | setups.instrument
    return np.where(setup >= 0, np.where(own, -1, setups.device)[setup], -1)


def _support(network: Network, setup: Ints) -> Ints:
    return np.where(setup >= 0, network.setups.support[setup], -1)


class Leaning:
    """How observations lean on constants: columns and coefficients, side by side."""

    def __init__(self, network: Network, obs: Observations, settings: Settings, constants: Constants) -> None:
        self._network, self._obs, self._constants = network, obs, constants
        n = {
            "job": 1,
            "instruments": max(1, len(network.instruments)),
            "targets": len(network.targets),
            "supports": len(network.supports),
            "sessions": len(network.sessions),
        }
        i, s = network.instruments, network.supports
        stated = {
            "refraction": np.full(1, settings.refraction), "zero": i.distance_zero, "scale": i.distance_scale,
            "collimation": i.collimation, "index": i.index, "height_offset": s.height_offset,
        }  # fmt: skip
        self._number = {name: np.full(n[OWNERS[name]] + 1, -1, dtype=np.int64) for name in OWNERS}
        self._stated = {}
        for name, number in self._number.items():
            self._stated[name] = np.zeros(len(number))
            if name in stated:
                self._stated[name][: len(stated[name])] = stated[name]
        for k, c in enumerate(constants):
            self._number[c.name][max(c.owner, 0)] = k
        self._there = {name for name in OWNERS if (self._number[name] >= 0).any()}
        self.active = self._there | {name for name, values in self._stated.items() if np.any(values != 0.0)}
        self._places = np.append(constants.places, -1)
        self._alone = np.append(~constants.joined, False)
        self._joined = np.flatnonzero(constants.joined)
        mixing = constants.mixing[:, self._joined] * constants.joined[:, None]
        self._mixing = np.vstack([mixing, np.zeros((1, len(self._joined)))])

    @property
    def estimated(self) -> bool:
        """Is any constant an unknown?"""
        return bool(self._there)

    def values(self, x: Floats) -> dict[str, Floats]:
        """Every constant of everything it can belong to, as estimated or as stated; the last is 0, for what has none."""
        out = {name: stated.copy() for name, stated in self._stated.items()}
        if len(self._constants):
            estimated = self._constants.values(x)
            for k, c in enumerate(self._constants):
                out[c.name][max(c.owner, 0)] = estimated[k]
        return out

    def owners(self, name: str, rows: Ints) -> Ints:
        """Row of what the observations lean on; −1 for nothing."""
        network, obs = self._network, self._obs
        if name == "refraction":
            return np.zeros(len(rows), dtype=np.int64)
        if name == "constant":
            return _own_target(network, obs.end_setup[rows])
        if name in SESSION:
            return network.vectors.session[obs.block[rows]]
        return network.setups.device[obs.start_setup[rows]]

    def heights(self, setup: Ints, values: dict[str, Floats]) -> Floats:
        """The height offsets at setups, m; 0 where there is none."""
        offset: Floats = values["height_offset"][_support(self._network, setup)]
        return offset

    def columns(self, kind: Kind | None, rows: Ints) -> Ints:
        """(m, w) columns, −1 where an observation leans on none; kind None: a vector."""
        numbers = [number for number, _ in self._slots(kind, rows, None)]
        parts = [np.where(self._alone[n], self._places[n], -1)[:, None] for n in numbers]
        if parts and len(self._joined):
            felt = sum(
                (self._mixing[n] != 0.0 for n in numbers), np.zeros((len(rows), len(self._joined)), bool)
            )
            parts.append(np.where(felt, self._places[self._joined], -1))
        return np.concatenate(parts, axis=1) if parts else np.zeros((len(rows), 0), dtype=np.int64)

    def coefficients(self, kind: Kind, rows: Ints, given: dict[str, Floats]) -> Floats:
        """(m, w), as `columns`; `given` holds what each constant does to the observation, heights by their ends."""
        slots = list(self._slots(kind, rows, given))
        parts = [np.where(self._alone[n], c, 0.0)[:, None] for n, c in slots]
        if parts and len(self._joined):
            parts.append(sum((c[:, None] * self._mixing[n] for n, c in slots), np.zeros((len(rows), 1))))
        return np.concatenate(parts, axis=1) if parts else np.zeros((len(rows), 0))

    def _slots(
        self, kind: Kind | None, rows: Ints, given: dict[str, Floats] | None
    ) -> Iterator[tuple[Ints, Floats]]:
        """Number of the constant and coefficient, for everything that a kind can lean on."""
        none = np.zeros(len(rows))
        for name in kind.leans_on if kind is not None else SESSION:
            if name in self._there:
                yield self._number[name][self.owners(name, rows)], none if given is None else given[name]
        vector = kind is None or kind.between == "either"
        if "height_offset" in self._there and (
            vector or (kind is not None and kind.between == "setups" and kind.height)
        ):
            number = self._number["height_offset"]
            start, end = (
                number[_support(self._network, getattr(self._obs, f"{e}_setup")[rows])]
                for e in ("start", "end")
            )
            same = start == end  # one column, once
            at_start, at_end = (none, none) if given is None else (given["start"], given["end"])
            yield np.where(same, -1, start), at_start
            yield end, np.where(same, at_start + at_end, at_end)
