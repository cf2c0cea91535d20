"""The model a second time: what was read, what is unknown, what should have been read.

Slow and written from the model's description alone, by loops over rows. One flat vector of unknowns; everything in it
may be complex, so that derivatives come by complex step, exact to rounding. Only the input tables and Settings are the
engine's.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from hubtack.adjust.ground.network import Network
from hubtack.adjust.settings import Settings

TURN = 2.0 * np.pi
AXES = ("east", "north", "height")


def hypot(a: Any, b: Any) -> Any:
    return np.sqrt(a * a + b * b)  # numpy's own is not analytic


def atan2(y: Any, x: Any) -> Any:
    """atan2 that carries an imaginary step."""
    if not (np.iscomplexobj(y) or np.iscomplexobj(x)):
        return np.arctan2(y, x)
    yr, xr, yi, xi = np.real(y), np.real(x), np.imag(y), np.imag(x)
    return np.arctan2(yr, xr) + 1j * (xr * yi - yr * xi) / (xr * xr + yr * yr)


def nearest(angle: float) -> float:
    """The angle less whole turns, within half a turn."""
    return angle - TURN * round(angle / TURN)


@dataclass
class Reading:
    """One observation: what it is, between what, its value and sigma."""

    id: str
    kind: str  # direction zenith distance level rise horizontal azimuth angle
    a: int  # setup rows for the first four, mark rows for the rest
    b: int
    value: float
    sigma: float
    at: int = -1
    round: int = 0
    balance: float = 0.0
    rows: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self.plain = self.sigma  # the instrument's alone


@dataclass
class Unknown:
    """A number to be found: what it is (key), where it starts, and its prior sigma (inf: none)."""

    key: tuple[Any, ...]
    start: float
    prior: float = 0.0
    sigma: float = np.inf
    name: str = ""  # of its pseudo-observation


@dataclass
class Model:
    """network, settings, start (n_marks, 3): where to begin and, for a free network, what its datum is tied to."""

    network: Network
    settings: Settings
    start: np.ndarray
    readings: list[Reading] = field(default_factory=list)
    unknowns: list[Unknown] = field(default_factory=list)

    def __post_init__(self) -> None:
        n = self.network
        self.sigma = np.column_stack([getattr(n.marks, f"sigma_{a}") for a in AXES])
        self.given = np.column_stack([getattr(n.marks, a) for a in AXES])
        self.hi = np.array([self._height_of(s) for s in range(len(n.setups))])
        self.h0 = self._reference()
        self.folded = self.settings.correlation == "independent"
        self._read_sights()
        self._read_reduced()
        self.vectors = [i for i in range(len(n.vectors)) if n.vectors.used[i]]
        self._place()
        self.x0 = np.array([u.start for u in self.unknowns])
        self._orient()

    # -- what was read -----------------------------------------------------------------------------------------
    def _height_of(self, s: int) -> float:
        setups, supports = self.network.setups, self.network.supports
        h = float(setups.height[s])
        k = int(setups.support[s])
        if supports.height_kind[k] == "slant":
            h = (h * h - supports.slant_radius[k] ** 2) ** 0.5 + supports.slant_offset[k]
        return h

    def _reference(self) -> float:
        if self.settings.reference_height is not None:
            return self.settings.reference_height
        known = [
            self.given[i, 2] for i in range(len(self.given))
            if np.isfinite(self.sigma[i, 2]) and not np.isnan(self.given[i, 2])
        ]  # fmt: skip
        return float(sum(known) / len(known)) if known else 0.0

    def _read_sights(self) -> None:
        s, setups, tools = self.network.sights, self.network.setups, self.network.instruments
        groups: dict[tuple[int, int, int], list[int]] = {}
        for i in range(len(s)):
            if s.used[i]:
                groups.setdefault((int(s.start[i]), int(s.end[i]), int(s.round[i])), []).append(i)
        for kind, column, says in (
            ("direction", "circle", "direction"), ("zenith", "zenith", "zenith"),
            ("distance", "slope", "distance"), ("level", "horizontal", "horizontal"),
        ):  # fmt: skip
            raw = getattr(s, column)
            for (a, b, r), all_rows in groups.items():
                rows = [i for i in all_rows if not np.isnan(raw[i])]
                if not rows:
                    continue
                n = len(rows)
                second = [s.face[i] == 2 for i in rows]
                tool = int(setups.device[a])
                if kind == "direction":
                    turned = [raw[i] - (np.pi if f else 0.0) for i, f in zip(rows, second, strict=True)]
                    value = turned[0] + sum(nearest(t - turned[0]) for t in turned) / n
                    sigma = tools.direction[tool] * (2.0 / n) ** 0.5
                elif kind == "zenith":
                    value = sum(TURN - raw[i] if f else raw[i] for i, f in zip(rows, second, strict=True)) / n
                    sigma = tools.zenith[tool] * (2.0 / n) ** 0.5
                else:
                    device = int(setups.device[b])
                    constant = setups.prism_constant[b]
                    if np.isnan(constant):
                        constant = 0.0 if setups.instrument[b] else self.network.targets.constant[device]
                    value = sum(raw[i] + constant for i in rows) / n
                    fixed, ppm = tools.distance[tool], tools.distance_ppm[tool]
                    if not setups.instrument[b] and self.network.targets.reflectorless[device]:
                        if not np.isnan(tools.reflectorless[tool]):
                            fixed = tools.reflectorless[tool]
                        if not np.isnan(tools.reflectorless_ppm[tool]):
                            ppm = tools.reflectorless_ppm[tool]
                    sigma = (fixed + ppm * value) / n**0.5
                name = f"{s.id[all_rows[0]]}.{says}"
                if name not in self.network.left_out:
                    ids = tuple(str(s.id[i]) for i in rows)
                    balance = (n - 2 * sum(second)) / n
                    self.readings.append(Reading(name, kind, a, b, value, sigma, -1, r, balance, ids))

    def _read_reduced(self) -> None:
        t = self.network.reduced
        for i in range(len(t)):
            if t.used[i] and t.id[i] not in self.network.left_out:
                a, b, at = int(t.start[i]), int(t.end[i]), int(t.at[i])
                self.readings.append(
                    Reading(str(t.id[i]), str(t.kind[i]), a, b, float(t.value[i]), float(t.sigma[i]), at)
                )

    # -- what is unknown ---------------------------------------------------------------------------------------
    def _place(self) -> None:
        net = self.network
        setups, marks = net.setups, net.marks
        reached = np.zeros((len(marks), 3), bool)
        used_setups: set[int] = set()
        orientations: dict[tuple[int, int], None] = {}
        tools: dict[str, set[int]] = {"zero": set(), "scale": set(), "collimation": set(), "index": set()}
        refracted = False
        for o in self.readings:
            if o.kind in ("direction", "zenith", "distance", "level"):
                ends = [int(setups.mark[o.a]), int(setups.mark[o.b])]
                used_setups |= {o.a, o.b}
                tool = int(setups.device[o.a])
                if o.kind == "direction":
                    orientations[(o.a, o.round)] = None
                    tools["collimation"].add(tool)
                elif o.kind == "zenith":
                    tools["index"].add(tool)
                    refracted = True
                else:
                    tools["zero"].add(tool)
                    tools["scale"].add(tool)
            else:
                ends = [m for m in (o.a, o.at, o.b) if m >= 0]
            for m in ends:
                reached[m, :2] |= o.kind != "rise"
                reached[m, 2] |= o.kind in ("zenith", "distance", "rise")
        for i in self.vectors:
            v = net.vectors
            reached[[v.start_mark[i], v.end_mark[i]]] = True
            used_setups |= {int(k) for k in (v.start_setup[i], v.end_setup[i]) if k >= 0}
        self.reached = reached
        self.tall = reached[:, 2] | (np.isfinite(self.sigma[:, 2]) & ~np.isnan(self.given[:, 2]))

        for m in range(len(marks)):
            for axis in range(3):
                if reached[m, axis] and self.sigma[m, axis] > 0.0:
                    weighted = np.isfinite(self.sigma[m, axis])
                    prior = self.given[m, axis] if weighted else 0.0
                    name = f"{marks.mark[m]}.control.{AXES[axis]}" if weighted else ""
                    self.unknowns.append(
                        Unknown(("mark", m, axis), self.start[m, axis], prior, self.sigma[m, axis], name)
                    )
        self.effect: dict[tuple[int, int], tuple[Any, ...]] = {}  # (setup, axis) -> key of the unknown
        self.spread: dict[tuple[int, int], float] = {}
        known: set[tuple[Any, ...]] = set()
        for s in range(len(setups)):
            centring = self._centring(s)
            lift = float(np.nan_to_num(net.supports.height_sigma[setups.support[s]]))
            for axis, sigma in ((0, centring), (1, centring), (2, lift)):
                self.spread[s, axis] = sigma
                group = setups.height_base[s] if axis == 2 else setups.base[s]
                key = ("shared", axis, int(group)) if group >= 0 else ("own", axis, s)
                if sigma > 0.0 and s in used_setups and not self.folded:
                    self.effect[s, axis] = key
                    if key not in known:
                        known.add(key)
                        owner = s if group < 0 else self._first(axis, int(group))
                        name = f"{setups.setup[owner]}.effect.{AXES[axis]}"
                        self.unknowns.append(Unknown(key, 0.0, 0.0, sigma, name))
        self.unknowns += [Unknown(("orientation", *k), 0.0) for k in orientations]
        for s in sorted({int(net.vectors.session[i]) for i in self.vectors} - {-1}):
            table = net.sessions
            for c, sigma in (
                ("scale", table.scale_sigma[s]), ("turn", table.turn_sigma[s]),
                ("tilt_east", table.tilt_sigma[s]), ("tilt_north", table.tilt_sigma[s]),
            ):  # fmt: skip
                if sigma > 0.0:
                    self.unknowns.append(
                        Unknown(("session", s, c), 0.0, 0.0, float(sigma), f"{table.session[s]}.{c}")
                    )
        if self.settings.refraction_sigma > 0.0 and refracted:
            k = self.settings.refraction
            self.unknowns.append(Unknown(("refraction",), k, k, self.settings.refraction_sigma, "refraction"))
        columns = {"zero": "distance_zero_sigma", "scale": "distance_scale_sigma"}
        columns |= {"collimation": "collimation_sigma", "index": "index_sigma"}
        for what, users in tools.items():
            for tool in sorted(users):
                sigma = float(getattr(net.instruments, columns[what])[tool])
                if sigma > 0.0:
                    self.unknowns.append(
                        Unknown((what, tool), 0.0, 0.0, sigma, f"{net.instruments.instrument[tool]}.{what}")
                    )
        self.place = {u.key: i for i, u in enumerate(self.unknowns)}

    def _first(self, axis: int, group: int) -> int:
        """The first setup of a base: its shared effects bear its name."""
        groups = self.network.setups.height_base if axis == 2 else self.network.setups.base
        return int(np.flatnonzero(groups == group)[0])

    def _centring(self, s: int) -> float:
        t, k, h = self.network.supports, int(self.network.setups.support[s]), abs(self.hi[s])
        if not np.isnan(t.centring_sigma[k]):
            return float(t.centring_sigma[k])
        h = 0.0 if np.isnan(h) else h
        terms = (
            h * np.tan(t.bubble[k] * t.bubble_off_centre[k] / 0.002),
            h * np.tan(t.bubble_error[k]) / 2**0.5,
            t.plummet[k] * h / 1.5,
            t.mark[k],
        )
        return float(sum(v * v for v in terms) ** 0.5)

    # -- what should have been read ----------------------------------------------------------------------------
    def _at(self, x: Any, key: tuple[Any, ...], otherwise: float = 0.0) -> Any:
        i = self.place.get(key)
        return otherwise if i is None else x[i]

    def _mark(self, x: Any, m: int) -> list[Any]:
        out = []
        for axis in range(3):
            held = self.given[m, axis] if self.sigma[m, axis] < np.inf else np.nan
            out.append(self._at(x, ("mark", m, axis), held))
        return out

    def _centre(self, x: Any, s: int, shift: Any = None) -> list[Any]:
        e, n, h = self._mark(x, int(self.network.setups.mark[s]))
        hi = 0.0 if np.isnan(self.hi[s]) else self.hi[s]
        d = [self._at(x, self.effect.get((s, axis), ("none",))) for axis in range(3)]
        if shift is not None:
            d = [d[k] + shift[k] for k in range(3)]
        return [e + d[0], n + d[1], h + hi + d[2]]

    def computed(self, x: Any, o: Reading, at_a: Any = None, at_b: Any = None) -> Any:
        """What the reading should have been; at_a, at_b displace its two device centres."""
        c, radius = self.settings, self.settings.radius
        if o.kind in ("rise", "horizontal", "azimuth", "angle"):
            if o.kind == "angle":
                m, f, t = (self._mark(x, k) for k in (o.at, o.a, o.b))
                return atan2(t[0] - m[0], t[1] - m[1]) - atan2(f[0] - m[0], f[1] - m[1])
            a, b = self._mark(x, o.a), self._mark(x, o.b)
            if o.kind == "rise":
                return b[2] - a[2]
            if o.kind == "azimuth":
                return atan2(b[0] - a[0], b[1] - a[1])
            return hypot(b[0] - a[0], b[1] - a[1]) / c.scale_factor
        a, b = self._centre(x, o.a, at_a), self._centre(x, o.b, at_b)
        d = hypot(b[0] - a[0], b[1] - a[1]) / c.scale_factor
        theta = d / (radius + self.h0)
        across = (radius + b[2]) * np.sin(theta)
        up = (b[2] - a[2]) - 2.0 * (radius + b[2]) * np.sin(theta / 2.0) ** 2
        tool = int(self.network.setups.device[o.a])
        if o.kind == "direction":
            value = atan2(b[0] - a[0], b[1] - a[1]) - self._at(x, ("orientation", o.a, o.round))
            tall = not np.isnan(np.real(up)).any()
            steep = across / hypot(across, up) if tall else 1.0
            return value + o.balance * self._at(x, ("collimation", tool)) / steep
        if o.kind == "zenith":
            k = self._at(x, ("refraction",), c.refraction)
            return atan2(across, up) - k * theta / 2.0 + o.balance * self._at(x, ("index", tool))
        if o.kind == "distance":
            value = hypot(across, up)
        else:
            base = a[2] if self.tall[int(self.network.setups.mark[o.a])] else self.h0
            value = d * (radius + base) / (radius + self.h0)
        return value * (1.0 + self._at(x, ("scale", tool))) + self._at(x, ("zero", tool))

    def _difference(self, x: Any, i: int, at_a: Any = None, at_b: Any = None) -> Any:
        v = self.network.vectors
        ends = []
        for mark, setup, shift in (
            (v.start_mark[i], v.start_setup[i], at_a), (v.end_mark[i], v.end_setup[i], at_b)
        ):  # fmt: skip
            ends.append(self._mark(x, int(mark)) if setup < 0 else self._centre(x, int(setup), shift))
        d = [ends[1][k] - ends[0][k] for k in range(3)]
        session = int(v.session[i])
        if session < 0:
            return d
        # one matrix, written out: a scale, a clockwise turn, tilts about east and north
        s, turn, east, north = (
            self._at(x, ("session", session, c)) for c in ("scale", "turn", "tilt_east", "tilt_north")
        )
        M = [[s, turn, north], [-turn, s, -east], [-north, east, s]]
        return [d[k] + sum(M[k][j] * d[j] for j in range(3)) for k in range(3)]

    def _fold(self, x: Any) -> None:
        """The textbook rule: each observation's own variance grows by gradient² × sigma² of the effects at its ends."""
        step = 1e-30
        for o in self.readings:
            o.sigma = o.plain
            if o.kind not in ("direction", "zenith", "distance", "level"):
                continue
            total = o.sigma**2
            for axis in range(3):
                shift = np.zeros(3, complex)
                shift[axis] = 1j * step
                for s, left, right in ((o.a, shift, None), (o.b, None, shift)):
                    slope = np.imag(self.computed(x, o, left, right)) / step
                    if not np.isnan(slope).any():
                        total += (slope * self.spread[s, axis]) ** 2
            o.sigma = float(total**0.5)

    def covariance_of_vector(self, i: int) -> np.ndarray:
        v = self.network.vectors
        extra = np.zeros(3)
        if self.folded:
            for s in (int(v.start_setup[i]), int(v.end_setup[i])):
                if s >= 0:
                    extra += [self.spread[s, axis] ** 2 for axis in range(3)]
        return v.covariance[i] + np.diag(extra)

    def _orient(self) -> None:
        """Start values of the orientations: what the first direction of each says at the start coordinates."""
        for i, u in enumerate(self.unknowns):
            if u.key[0] == "orientation":
                first = next(
                    o for o in self.readings if o.kind == "direction" and (o.a, o.round) == u.key[1:]
                )
                self.x0[i] = self.computed(self.x0, first) - first.value  # the orientation itself is still 0

    # -- the equations -----------------------------------------------------------------------------------------
    def residuals(self, x: Any) -> Any:
        """Whitened computed − observed of every row: readings, vectors, pseudo-observations; x (n,) or (n, k)."""
        out: list[Any] = []
        for o in self.readings:
            gap = self.computed(x, o) - o.value
            if o.kind in ("direction", "azimuth", "angle"):
                gap = gap - TURN * np.round(np.real(gap) / TURN)
            out.append(gap / o.sigma)
        for i in self.vectors:
            L = np.linalg.cholesky(self.covariance_of_vector(i))
            given = self.network.vectors.difference[i]
            gaps = [d - t for d, t in zip(self._difference(x, i), given, strict=True)]
            out += list(np.linalg.solve(L, np.stack([np.broadcast_to(g, x.shape[1:]) for g in gaps])))
        for k, u in enumerate(self.unknowns):
            if np.isfinite(u.sigma):
                out.append((x[k] - u.prior) / u.sigma)
        return np.stack([np.broadcast_to(r, x.shape[1:]) for r in out])

    def jacobian(self, x: np.ndarray) -> np.ndarray:
        if not len(x):
            return np.zeros((len(self.residuals(x)), 0))
        return np.asarray(np.imag(self.residuals(x[:, None] + 1e-30j * np.eye(len(x)))) / 1e-30)
