"""The ground that days are invented on: a network, its truth, and what its geometry could show at all."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..ground.network import Marks, Network
from ..ground.table import Floats, Ints
from ..judge.written import Written
from ..model.reductions import as_objects
from ..results import Adjustment
from ..settings import Settings
from ..simulate import simulate

AXES = ("east", "north", "height")


@dataclass(frozen=True)
class Ground:
    """A network as it was observed, the truth (n_marks, 3) m that days on it are invented from, and its settings.

    least_height, least_centring (n_setups,) m and least (id of an observation → m or rad): minimal detectable biases,
    infinite where nothing shows one. start: whether start values are the truth, as a network without control needs.
    """

    network: Network
    truth: Floats
    settings: Settings
    written: Written
    least_height: Floats
    least_centring: Floats
    least: dict[str, float]

    def day(self, rng: np.random.Generator, stood: dict[int, Floats] | None = None) -> Network:
        """An invented day. `stood`: setups that stood elsewhere than written down, (east, north, height) of the ground
        below them, m."""
        network, n = self.network, len(self.truth)
        if not stood:
            return simulate(network, self.truth, self.settings, rng)
        marks, k = network.marks, len(stood)
        nan, free = np.full(k, np.nan), np.full(k, np.inf)
        more = Marks(
            mark=as_objects(
                [*marks.mark.tolist(), *(f"\0{i}" for i in range(k))]
            ),  # no reader lets such a name pass
            **{a: np.append(getattr(marks, a), nan) for a in AXES},
            **{f"sigma_{a}": np.append(getattr(marks, f"sigma_{a}"), free) for a in AXES},
        )
        mark = network.setups.mark.copy()
        mark[list(stood)] = n + np.arange(k)
        elsewhere = replace(network, marks=more, setups=network.setups.replace(mark=mark))
        done = simulate(elsewhere, np.vstack([self.truth, *stood.values()]), self.settings, rng)
        return replace(done, marks=done.marks.take(np.arange(n)), setups=network.setups)


def ground_of(adjustment: Adjustment, written: Written | None = None) -> Ground:
    """The ground of an adjusted network: its adjusted coordinates are the truth.

    Where inner constraints fix the datum, the truth becomes the start values too: so a day's result can be compared.
    """
    a = adjustment
    truth = np.column_stack([a.marks.east, a.marks.north, a.marks.height])
    network = a.network
    if a.datum:
        start = {
            x: np.where(np.isnan(truth[:, i]), getattr(network.marks, x), truth[:, i])
            for i, x in enumerate(AXES)
        }
        network = replace(network, marks=network.marks.replace(**start))
    least = a.observations.minimal_detectable_bias.tolist()
    return Ground(
        network,
        truth,
        a.settings,
        written or Written(),
        a.setups.minimal_detectable_height,
        a.setups.minimal_detectable_centring,
        dict(zip((str(i) for i in a.observations.id), least, strict=True)),
    )


def sighted(network: Network, column: str) -> Ints:
    """Setups at either end of a sight in use that has a reading in `column`, as (k, 2) pairs: from, to."""
    s = network.sights
    seen = s.used & ~np.isnan(getattr(s, column))
    pairs = np.stack([s.start[seen], s.end[seen]], axis=1)
    return np.unique(pairs, axis=0) if len(pairs) else pairs
