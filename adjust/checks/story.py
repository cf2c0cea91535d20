"""The check before leaving, in one screen: what disagrees, what nothing checks yet, and the one sight to take next.

What can be checked without adjusting is checked in any case, so that half a day is no obstacle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..ground.network import Network
from ..ground.topology import hanging, loops
from ..judge.written import Written
from ..model.approximate import Start, approximate
from ..model.reductions import Observations, reduce_readings
from ..plan import Planned, predict
from ..planning.changes import MARGIN, best_sights
from ..planning.goals import Figures, figures
from ..planning.sight import Candidate, gains, with_sight
from ..results import Adjustment
from ..settings import Settings
from ..trouble import NotConverged, Trouble, Undetermined
from .check import Check, Effects
from .closures import closure_checks
from .faces import face_checks
from .legs import legs
from .names import hits, name_checks
from .rounds import round_checks
from .slips import Slip, slips_of, tall_heights
from .twoway import two_way_checks
from .units import unit_checks

LIMIT = 12  # candidates that are carried through
ENOUGH = 0.05  # share by which a worst figure must shrink for a sight from where the instrument stands


@dataclass(frozen=True)
class Next:
    """The sight that helps most: from an instrument setup to a mark, on a new target setup; figures before and after, m, at the
    confidence level; `unchecked` counts marks. `standing` says whether the instrument was there last."""

    setup: str
    mark: str
    standing: bool
    unchecked: tuple[int, int]
    position: tuple[float, float]
    height: tuple[float, float]
    nats: float


@dataclass(frozen=True)
class FieldCheck:
    """Everything that a check found. `trouble` says why the network can't be adjusted yet; then `adjustment` is None."""

    checks: tuple[Check, ...]
    slips: tuple[tuple[int, tuple[Slip, ...]], ...]  # row of checks, what would explain it
    adjustment: Adjustment | None
    trouble: tuple[Trouble, ...]
    hanging: tuple[Trouble, ...]
    next: Next | None

    @property
    def flagged(self) -> bool:
        """True where something disagrees."""
        return any(c.flagged for c in self.checks)


def check(network: Network, settings: Settings | None = None, written: Written | None = None) -> FieldCheck:
    """Check a day's work, or half of it."""
    settings = settings or Settings()
    network = _only_read(network)
    obs = reduce_readings(network)
    effects = Effects.of(network)
    start = _start(network, settings, obs)
    of_pairs = legs(network, settings, obs, None if isinstance(start, tuple) else start.coordinates)
    checks = [
        *tall_heights(network, effects),
        *face_checks(network, settings),
        *round_checks(network, settings),
        *two_way_checks(network, settings, of_pairs),
        *closure_checks(network, settings, of_pairs, loops(network, obs)),
    ]
    adjustment: Adjustment | None = None
    trouble: tuple[Trouble, ...] = ()
    try:
        from ..adjustment import adjust

        if isinstance(start, tuple):
            raise Undetermined(start)
        places, turns = start.coordinates, start.orientations
        try:
            adjustment = adjust(network, settings)
            # nothing bends a network that is not flagged, and then it is better than a start
            if adjustment.solved is not None and not adjustment.flagged and settings.frame == "plane":
                state = adjustment.solved.state
                places, turns = state.coordinates, state.orientations
        except (Undetermined, NotConverged) as found:
            trouble = found.troubles
        there = hits(of_pairs, obs, places, turns, effects)
        checks += _seen(name_checks(network, settings, there, places), adjustment)
        checks += unit_checks(network, of_pairs, places)
    except Undetermined as found:
        trouble = found.troubles
        checks += unit_checks(network, of_pairs, None)
    flagged = [
        (i, slips_of(c, network, effects, written or Written())) for i, c in enumerate(checks) if c.flagged
    ]
    return FieldCheck(
        tuple(checks),
        tuple((i, s) for i, s in flagged if s),
        adjustment,
        trouble,
        hanging(network, obs) if adjustment is None else (),
        next_sight(network, settings, adjustment) if adjustment is not None else None,
    )


def _start(network: Network, settings: Settings, obs: Observations) -> Start | tuple[Trouble, ...]:
    """Approximate coordinates, or why there are none."""
    try:
        start = approximate(network, obs, settings)
        if settings.frame == "earth":  # every line its own scale: places are compared to a few centimetres
            start = approximate(network, obs, settings, near=start.coordinates)
        return start
    except Undetermined as found:
        return found.troubles


def _seen(checks: list[Check], a: Adjustment | None) -> list[Check]:
    """Without sights said to miss their mark of which the adjustment sees nothing: far from control start coordinates are off
    by more than a sight."""
    if a is None or not a.flagged:
        return checks
    o, odd = a.observations, {str(n) for n in a.setups.setup[a.setups.flagged]}
    odd |= {str(n) for n in (*o.start[o.flagged], *o.end[o.flagged])}
    return [c for c in checks if c.kind == "two names, one place" or odd.intersection(c.names)]


def next_sight(network: Network, settings: Settings, a: Adjustment) -> Next | None:
    """The one sight that helps most: first what frees a mark from being unchecked, then the worst axis, then nats.

    From the instrument as it stands, where a sight from there helps; else from any setup of the day.
    """
    if a.solved is None or not len(network.sights):
        return None
    used = np.flatnonzero(network.sights.used)
    if not len(used):
        return None
    last = int(network.sights.start[used[-1]])
    others = np.unique(network.sights.start[used])
    planned = Planned(network, a.solved.state.coordinates, ())
    before, offers = figures(a), []
    for starts in (np.array([last]), others[others != last]):
        for candidate in best_sights(planned, a, starts, 2)[:LIMIT]:
            offers.append((candidate, figures(_with(planned, settings, candidate))))
        helpful = [o for o in offers if _helps(before, o[1], ENOUGH)]
        if helpful:
            return _next(network, a, last, before, *min(helpful, key=lambda o: _rank(o[1])))
    some = [o for o in offers if _helps(before, o[1], MARGIN)]
    return _next(network, a, last, before, *min(some, key=lambda o: _rank(o[1]))) if some else None


def _rank(f: Figures) -> tuple[int, float, float]:
    return (
        f.unchecked,
        float(np.nan_to_num(f.position, nan=np.inf)),
        float(np.nan_to_num(f.height, nan=np.inf)),
    )


def _helps(before: Figures, after: Figures, share: float) -> bool:
    """Whether a mark is freed, or, where all are checked, a worst figure shrinks by more than a share."""
    shrunk = after.position < (1.0 - share) * before.position or after.height < (1.0 - share) * before.height
    return after.unchecked < before.unchecked or bool(shrunk and (not before.unchecked or share == MARGIN))


def _next(network: Network, a: Adjustment, last: int, before: Figures, c: Candidate, f: Figures) -> Next:
    assert a.solved is not None
    nats = gains(a.solved, [c], np.arange(len(a.marks)))
    return Next(
        str(network.setups.setup[c.start]),
        str(network.marks.mark[c.mark]),
        c.start == last,
        (before.unchecked, f.unchecked),
        (before.position, f.position),
        (before.height, f.height),
        nats[0].nats if nats else float("nan"),
    )


def _with(planned: Planned, settings: Settings, candidate: Candidate) -> Adjustment:
    from ..adjustment import tables

    network = with_sight(planned.network, [candidate])
    solved, datum = predict(replace(planned, network=network), settings)
    return tables(solved, datum)


def _only_read(network: Network) -> Network:
    """Without the rows of sights that have no reading yet."""
    s = network.sights
    if not len(s):
        return network
    read = ~(np.isnan(s.circle) & np.isnan(s.zenith) & np.isnan(s.slope) & np.isnan(s.horizontal))
    return replace(network, sights=s.take(read)) if not read.all() else network
