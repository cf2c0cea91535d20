"""What orients a network, and by how much its far end may swing: the short pair behind a long traverse.

The terrestrial readings of a part are taken as rigid. What is left is where the part lies and how it is turned, and only
control, vectors and azimuths say that. Of a part with marks at (e, n), with t (2,) a shift, ω a clockwise turn about
(e₀, n₀), and r (2,) the plan of every mark that only vectors reach:

    a mark of the part moves by t + ω·(n − n₀, −(e − e₀))
    control of it, vectors, azimuths → information of (t, ω, r, the sessions' turns and scales); ω's variance by inversion

The swing at a mark is its distance from the pivot, which a turn leaves where it is, times σ_ω. Nothing of this is in the
ellipses where the pair is held: then only the lever is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..estimate.precision import interval_factor
from ..ground.table import Flags, Floats, Ints
from ..model.datum import islands_of
from ..model.reductions import vector_covariances
from ..results import Adjustment

TERRESTRIAL = ("direction", "distance", "level", "horizontal", "angle")
MOST = 400  # marks outside a part that vectors reach: its matrix is dense in them, and larger ones are passed over
WHOLE = 2000  # marks of a network that is looked at part by part; of larger ones the whole is looked at first
LONG = 2.0  # levers shorter than this many spans of the control are no news: our choice
HELD = 1e-7  # m: sigma that stands for held control


@dataclass(frozen=True)
class Swing:
    """One part of a network whose orientation rests on marks close together.

    carriers: rows of the marks that orient it; span (m): their largest distance; far: row of its farthest mark; lever (m):
    from the pivot to there; sigma (rad) of the orientation, 0 where it is held; swing (m) at the far mark at the confidence
    level; total (m): semi-major axis of the far mark's ellipse; marks: how many there are; vectors, azimuths: how many of them
    take part; held: True where control is held there.
    """

    carriers: Ints
    span: float
    far: int
    lever: float
    sigma: float
    swing: float
    total: float
    marks: int
    vectors: int
    azimuths: int
    held: bool


def swings(adjustment: Adjustment) -> tuple[Swing, ...]:
    """The parts whose far end swings about what orients them; none where the adjustment came without its solution."""
    solved = adjustment.solved
    if solved is None:
        return ()
    obs, net = solved.obs, adjustment.network
    kinds = np.array([k.partition(".")[0] for k in obs.kind.astype(str)], dtype=object)
    rows = obs.used & np.isin(kinds, TERRESTRIAL)
    links = [(obs.start_mark[rows], obs.end_mark[rows])]
    at = rows & (obs.at_mark >= 0)
    links.append((obs.at_mark[at], obs.end_mark[at]))
    there: Flags = np.zeros(len(net.marks), dtype=bool)
    for a, b in links:
        there[a] = there[b] = True
    there &= np.isfinite(adjustment.marks.east) & np.isfinite(adjustment.marks.north)
    if len(adjustment.marks) > WHOLE and not _short(adjustment, there):
        return ()
    found = (
        _swing(adjustment, part, kinds) for part in islands_of(len(net.marks), links, there) if part.sum() > 2
    )
    return tuple(s for s in found if s is not None)


def _short(a: Adjustment, there: Flags) -> bool:
    """True where all marks among `there` that could orient them lie close together, against their extent."""
    marks, v = a.network.marks, a.network.vectors
    plan = np.column_stack([a.marks.east, a.marks.north])
    carries = np.isfinite(marks.sigma_east) | np.isfinite(marks.sigma_north)
    carries[v.start_mark[v.used]] = carries[v.end_mark[v.used]] = True
    carries &= there
    if not carries.any():
        return False
    size = [float(np.hypot(*np.ptp(plan[rows], axis=0))) for rows in (carries, there)]
    return size[1] > LONG * size[0]


def _swing(a: Adjustment, part: Flags, kinds: np.ndarray[tuple[int], np.dtype[np.object_]]) -> Swing | None:
    m = a.marks
    plan = np.column_stack([m.east, m.north])
    origin = plan[part].mean(axis=0)
    sources = _Sources(a, part, plan, origin)
    if len(sources.place) > MOST:
        return None
    held = sources.control()
    vectors = sources.vectors()
    azimuths = sources.azimuths(kinds)
    carriers = np.flatnonzero(sources.carries)
    N = sources.normal
    if not len(carriers) or np.linalg.matrix_rank(N / np.outer(*[np.sqrt(np.diagonal(N) + 1e-30)] * 2)) < len(
        N
    ):
        return None  # free, or told by nothing
    Q = np.linalg.inv(N)
    sigma = float(np.sqrt(Q[2, 2]))
    # at the pivot shift and turn are uncorrelated
    pivot = origin + np.array([Q[1, 2], -Q[0, 2]]) / Q[2, 2]
    levers = np.where(part, np.hypot(*(plan - pivot).T), -1.0)
    far = int(np.argmax(levers))
    apart = plan[carriers][:, None] - plan[carriers][None]
    span = float(np.hypot(apart[..., 0], apart[..., 1]).max())
    lever = float(levers[far])
    if lever < LONG * span or span <= 0.0:
        return None
    sigma = 0.0 if held and sigma * span < 10.0 * HELD else sigma
    swing = interval_factor(a.settings.confidence) * sigma * lever
    return Swing(
        carriers,
        span,
        far,
        lever,
        sigma,
        swing,
        float(m.semi_major[far]),
        int(part.sum()),
        vectors,
        azimuths,
        held,
    )


class _Sources:
    """Information of (t_e, t_n, ω, plan of marks outside the part, turn and scale of sessions), source by source."""

    def __init__(self, a: Adjustment, part: Flags, plan: Floats, origin: Floats) -> None:
        self.a, self.part, self.plan, self.origin = a, part, plan, origin
        net = a.network
        used = net.vectors.used
        ends = np.unique(np.concatenate([net.vectors.start_mark[used], net.vectors.end_mark[used]]))
        outside = [int(i) for i in ends if not part[i] and np.isfinite(plan[i]).all()]
        self.place = {i: 3 + 2 * k for k, i in enumerate(outside)}
        self.sessions = 3 + 2 * len(outside)
        n = self.sessions + 2 * len(net.sessions)
        self.normal = np.zeros((n, n))
        self.carries: Flags = np.zeros(len(plan), dtype=bool)
        for i in range(len(net.sessions)):
            for k, s in enumerate((net.sessions.turn_sigma[i], net.sessions.scale_sigma[i])):
                self.normal[self.sessions + 2 * i + k, self.sessions + 2 * i + k] = (
                    1.0 / max(float(s), 1e-12) ** 2
                )

    def of_mark(self, i: int) -> tuple[list[int], Floats]:
        """∂(plan of mark i)/∂(unknowns): the columns it has, and the coefficients (2, columns)."""
        if not self.part[i]:
            return [self.place[i], self.place[i] + 1], np.eye(2)
        e, n = self.plan[i] - self.origin
        return [0, 1, 2], np.array([[1.0, 0.0, n], [0.0, 1.0, -e]])

    def add(self, columns: list[int], J: Floats, information: Floats) -> None:
        """JᵀPJ at some columns, which may repeat."""
        order, of = np.unique(columns, return_inverse=True)
        whole = np.zeros((len(J), len(order)))
        np.add.at(whole.T, of, J.T)
        self.normal[np.ix_(order, order)] += whole.T @ information @ whole

    def control(self) -> bool:
        """Held and weighted plan coordinates; True where any in the part is held."""
        net, held = self.a.network.marks, False
        sigma = np.column_stack([net.sigma_east, net.sigma_north])
        for i in np.flatnonzero(np.isfinite(sigma).any(axis=1)).tolist():
            if self.part[i] or i in self.place:
                weight = np.where(np.isfinite(sigma[i]), 1.0 / np.maximum(sigma[i], HELD) ** 2, 0.0)
                self.add(*self.of_mark(i), np.diag(weight))
                self.carries[i] |= self.part[i]
                held |= bool(self.part[i] and (sigma[i] == 0.0).any())
        return held

    def vectors(self) -> int:
        """Vectors with an end in the part, or between marks that vectors alone reach; how many end in it."""
        v, count = self.a.network.vectors, 0
        rows = np.flatnonzero(v.used)
        both = _plan_of(self.a, rows)
        for i, d, C in zip(rows.tolist(), *both, strict=True):
            a, b = int(v.start_mark[i]), int(v.end_mark[i])
            (start, minus), (end, plus) = self.of_mark(a), self.of_mark(b)
            columns, J = [*start, *end], np.hstack([-minus, plus])
            session = int(v.session[i])
            if session >= 0:
                at = self.sessions + 2 * session
                columns += [at, at + 1]
                J = np.hstack([J, [[d[1], d[0]], [-d[0], d[1]]]])
            self.add(columns, J, np.linalg.inv(C))
            for m in (a, b):
                self.carries[m] |= self.part[m]
            count += bool(self.part[a] or self.part[b])
        return count

    def azimuths(self, kinds: np.ndarray[tuple[int], np.dtype[np.object_]]) -> int:
        """Azimuths between marks of the part."""
        solved = self.a.solved
        assert solved is not None
        obs = solved.obs
        rows = np.flatnonzero(obs.used & (kinds == "azimuth") & self.part[obs.start_mark])
        self.normal[2, 2] += float(np.sum(1.0 / obs.sigma[rows] ** 2))
        return len(rows)


def _plan_of(a: Adjustment, rows: Ints) -> tuple[Floats, Floats]:
    """Plan (k, 2) of vectors and its covariance (k, 2, 2), antennas' centring included; of geocentric ones in the horizon."""
    solved, v = a.solved, a.network.vectors
    assert solved is not None
    d, C = v.difference[rows], vector_covariances(a.network, rows)
    horizon = getattr(solved.state.places, "horizon", None)
    if horizon is not None:
        A = horizon[v.start_mark[rows]]
        d, C = np.einsum("kij,kj->ki", A, d), A @ C @ np.swapaxes(A, 1, 2)
    plan = C[:, :2, :2].copy()
    sigma = np.append(np.nan_to_num(solved.unknowns.centring_sigma), 0.0)
    for setup in (v.start_setup[rows], v.end_setup[rows]):
        plan[:, [0, 1], [0, 1]] += (sigma[setup] ** 2)[:, None]  # −1 is the 0 at the end
    return d[:, :2], plan
