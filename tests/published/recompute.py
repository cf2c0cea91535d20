"""A second, dense least-squares solution of a job folder: own reader, own models, nothing of the engine.

It knows rises, horizontal distances, azimuths and angles between marks, directions and horizontal
distances between setups without effects, and vectors, all in a plane without curvature. The unknowns are
the coordinates that something reaches and one orientation for each instrument setup. Observations and
weighted coordinates are made independent with equal weights through the Cholesky factor of their
covariance; a datum defect is found in the singular values, and the solution nearest the start values is
chosen by a shift along the null space (inner constraints).

    python tests/published/recompute.py FOLDER ...      prints coordinates, residuals, redundancy numbers, w
"""

from __future__ import annotations

import csv
import math
import re
import sys
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

try:
    from .outcome import COMPONENTS, Outcome, add_shifts, ellipse, horizontal_trace, mark_figures
except ImportError:  # run as a script
    from outcome import COMPONENTS, Outcome, add_shifts, ellipse, horizontal_trace, mark_figures  # type: ignore

LENGTHS = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "us-ft": 1200.0 / 3937.0}
ANGLES = {
    "rad": 1.0,
    "deg": math.pi / 180,
    "arcsec": math.pi / 648000,
    "gon": math.pi / 200,
    "mgon": math.pi / 200000,
}
CRITICAL = 3.2905267314919255  # normal quantile of 1 − 0.001/2
DETECTION = CRITICAL + 0.8416212335729143  # and of 0.80
FREE = math.inf


@dataclass
class Row:
    """One scalar observation, or one component of a vector."""

    id: str
    kind: str
    marks: tuple[int, ...]  # from, to; angle: at, from, to
    value: float
    sigma: float
    setup: int = -1  # directions: which orientation


@dataclass
class Problem:
    """A job folder as numbers. `position` holds the start values (n, 3), `prior` their sigmas."""

    names: list[str]
    position: np.ndarray
    prior: np.ndarray
    rows: list[Row]
    blocks: list[tuple[int, np.ndarray]] = field(default_factory=list)  # first row, covariance of a vector
    setups: list[str] = field(default_factory=list)
    given: dict[str, tuple[float, float]] = field(
        default_factory=dict
    )  # east and north where marks.csv has them


def quantity(text: str, units: dict[str, float], default: str) -> float:
    """`1.2 mm`, `3 arcsec` or a bare number in the default unit → SI."""
    found = re.fullmatch(r"\s*([-+0-9.eE]+)\s*([a-z-]*)\s*", text)
    if not found:
        raise ValueError(f"no quantity: {text!r}")
    return float(found[1]) * units[found[2] or default]


def angle(text: str, unit: str) -> float:
    """An angle cell in the job's unit → rad."""
    if unit != "dms":
        return float(text) * ANGLES[unit]
    degrees, minutes, seconds = text.split("-")
    return (float(degrees) + float(minutes) / 60 + float(seconds) / 3600) * ANGLES["deg"]


def read(folder: Path) -> Problem:
    """Read a folder with nothing but csv and tomllib."""
    job = tomllib.loads((folder / "job.toml").read_text(encoding="utf-8"))
    start = tomllib.loads((folder / "published.toml").read_text(encoding="utf-8")).get("start", {})
    length, turn = job["units"]["length"], job["units"]["angle"]

    def table(name: str) -> list[dict[str, str]]:
        path = folder / name
        return list(csv.DictReader(path.open(encoding="utf-8"))) if path.exists() else []

    marks = table("marks.csv")
    names = [m["mark"] for m in marks]
    index = {name: i for i, name in enumerate(names)}
    position, prior = np.zeros((len(marks), 3)), np.full((len(marks), 3), FREE)
    for i, m in enumerate(marks):
        for j, c in enumerate(COMPONENTS):
            if m.get(c):
                position[i, j] = quantity(m[c], LENGTHS, length)
            elif names[i] in start and j < len(start[names[i]]):
                position[i, j] = start[names[i]][j] * LENGTHS[length]
        for word in (m.get("control") or "").split():
            status, _, dimension = word.partition("-")
            for j, letter in enumerate("enh"):
                if letter in (dimension or "enh"):
                    sigma = m.get(f"sigma_{COMPONENTS[j]}")
                    prior[i, j] = 0.0 if status == "held" else quantity(sigma or "", LENGTHS, length)

    problem = Problem(names, position, prior, [])
    for i, m in enumerate(marks):
        if m.get("east") and m.get("north"):
            problem.given[names[i]] = (float(position[i, 0]), float(position[i, 1]))
    for r in table("reduced.csv"):
        ends = [index[r[k]] for k in ("from", "to")]
        angular = r["kind"] in ("azimuth", "angle")
        if r["kind"] == "angle":
            ends.insert(0, index[r["at"]])
        value = angle(r["value"], turn) if angular else quantity(r["value"], LENGTHS, length)
        sigma = quantity(r["sigma"], ANGLES if angular else LENGTHS, "arcsec" if angular else length)
        problem.rows.append(Row(r["id"], r["kind"], tuple(ends), value, sigma))
    for r in table("vectors.csv"):
        covariance = np.zeros((3, 3))
        for i in range(3):
            for j in range(i, 3):
                covariance[i, j] = covariance[j, i] = float(r[f"cov_{i + 1}{j + 1}"])
        problem.blocks.append((len(problem.rows), covariance))
        for j, d in enumerate(("de", "dn", "du")):
            ends = [index[r["from"]], index[r["to"]]]
            value = quantity(r[d], LENGTHS, length)
            problem.rows.append(Row(f"{r['id']}.{d}", d, tuple(ends), value, math.sqrt(covariance[j, j])))
    stands = {s["setup"]: s for s in table("setups.csv")}
    problem.setups = [s for s in stands if stands[s]["role"] == "instrument"]
    for r in table("sights.csv"):
        instrument = job["instruments"][stands[r["from"]]["device"]]
        assert r["face"] == "1", "only single readings on face 1 are known here"
        ends = [index[stands[r[k]]["mark"]] for k in ("from", "to")]
        if r.get("circle"):  # the sigma of an instrument is that of the mean of two faces
            sigma = quantity(instrument["direction"], ANGLES, "arcsec") * math.sqrt(2)
            circle = angle(r["circle"], turn)
            setup = problem.setups.index(r["from"])
            problem.rows.append(Row(f"{r['id']}.direction", "direction", tuple(ends), circle, sigma, setup))
        if r.get("horizontal"):
            sigma = quantity(instrument["distance"], LENGTHS, length)
            value = quantity(r["horizontal"], LENGTHS, length)
            problem.rows.append(Row(f"{r['id']}.horizontal", "horizontal", tuple(ends), value, sigma))
    gone = {d["leave_out"].removeprefix("observation ") for d in job.get("decision", [])}
    problem.left_out = [r for r in problem.rows if r.id in gone]
    problem.rows = [r for r in problem.rows if r.id not in gone]
    problem.carrying = job.get("datum", {}).get("marks", [])
    for i, name in enumerate(names):
        for j, c in enumerate(COMPONENTS):
            if 0.0 < prior[i, j] < FREE:
                problem.rows.append(
                    Row(f"{name}.control.{c}", c, (i,), float(position[i, j]), float(prior[i, j]))
                )
    return problem


def model(row: Row, x: np.ndarray, orientation: np.ndarray) -> tuple[float, dict[int, float]]:
    """Computed value and its derivatives by column: 3·mark + component, then the orientations."""
    marks, n = row.marks, x.size
    if row.kind in COMPONENTS:
        j = COMPONENTS.index(row.kind)
        return float(x[marks[0], j]), {3 * marks[0] + j: 1.0}
    if row.kind in ("rise", "de", "dn", "du"):
        j = {"de": 0, "dn": 1}.get(row.kind, 2)
        return float(x[marks[1], j] - x[marks[0], j]), {3 * marks[1] + j: 1.0, 3 * marks[0] + j: -1.0}
    if row.kind == "angle":
        at, back, fore = marks
        first, d_first = model(Row("", "azimuth", (at, back), 0, 0), x, orientation)
        second, d_second = model(Row("", "azimuth", (at, fore), 0, 0), x, orientation)
        return second - first, {k: d_second.get(k, 0.0) - d_first.get(k, 0.0) for k in d_second | d_first}
    a, b = marks
    east, north = x[b, 0] - x[a, 0], x[b, 1] - x[a, 1]
    square = east**2 + north**2
    if row.kind == "horizontal":
        d = math.sqrt(square)
        return d, {3 * b: east / d, 3 * b + 1: north / d, 3 * a: -east / d, 3 * a + 1: -north / d}
    azimuth = math.atan2(east, north)
    slopes = {
        3 * b: north / square,
        3 * b + 1: -east / square,
        3 * a: -north / square,
        3 * a + 1: east / square,
    }
    if row.kind == "direction":
        return azimuth - float(orientation[row.setup]), slopes | {n + row.setup: -1.0}
    return azimuth, slopes


def solve(folder: Path) -> Outcome:
    """Adjust a folder. Sigmas are a priori (unit variance factor)."""
    p = read(folder)
    x, orientation = p.position.copy(), np.zeros(len(p.setups))
    for row in p.rows:  # a first orientation from the start values
        if row.kind == "direction":
            orientation[row.setup] = model(row, x, np.zeros(len(p.setups)))[0] - row.value
    n, size = x.size, x.size + len(p.setups)
    m = len(p.rows)
    covariance = np.diag([r.sigma**2 for r in p.rows])
    for first, block in p.blocks:
        covariance[first : first + 3, first : first + 3] = block
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    unknown = np.append(p.prior.ravel() > 0.0, np.ones(len(p.setups), dtype=bool))
    origin = np.append(x.ravel(), np.zeros(len(p.setups)))
    inner: np.ndarray | None = None
    for _ in range(50):
        A, misclosure = np.zeros((m, size)), np.zeros(m)
        for i, row in enumerate(p.rows):
            computed, slopes = model(row, x, orientation)
            for k, slope in slopes.items():
                A[i, k] += slope
            misclosure[i] = row.value - computed
            if row.kind in ("angle", "azimuth", "direction"):
                misclosure[i] = (misclosure[i] + math.pi) % (2 * math.pi) - math.pi
        columns = np.flatnonzero(unknown & (np.abs(A).max(axis=0) > 0))
        scale = 1.0 / np.linalg.norm(whiten @ A[:, columns], axis=0)
        U, s, Vt = np.linalg.svd((whiten @ A[:, columns]) * scale, full_matrices=False)
        rank = int((s > 1e-9 * s[0]).sum()) if s.size else 0
        root = (Vt[:rank].T / s[:rank]) * scale[:, None]  # step = root·Uᵀ·misclosure, Q = root·rootᵀ
        step = root @ (U[:, :rank].T @ (whiten @ misclosure))
        null = Vt[rank:].T * scale[:, None]
        here = columns < n  # the datum lies with coordinates, never with orientations
        if p.carrying:
            here &= np.isin(columns // 3, [p.names.index(name) for name in p.carrying])
        if null.shape[1]:
            if inner is None:  # the conditions are set up once, at the start coordinates
                inner = null[here].T
            back = null @ np.linalg.solve(inner @ null[here], inner)
            total = np.append(x.ravel(), orientation)[columns] - origin[columns] + step
            step -= back @ total[here]
            root = root - back @ root[here]
        full = np.zeros(size)
        full[columns] = step
        x, orientation = x + full[:n].reshape(x.shape), orientation + full[n:]
        if np.abs(full[:n]).max(initial=0.0) < 1e-9 and np.abs(full[n:]).max(initial=0.0) < 1e-12:
            break
    else:
        raise ArithmeticError(f"{folder.name}: the recomputation does not converge")
    Q = np.zeros((size, size))
    Q[np.ix_(columns, columns)] = root @ root.T
    outcome = _outcome(p, x, Q, A, covariance, -misclosure, m - rank, columns)
    for row in p.left_out:
        residual = model(row, x, orientation)[0] - row.value
        if row.kind in ("angle", "azimuth", "direction"):
            residual = (residual + math.pi) % (2 * math.pi) - math.pi
            outcome.angular.add(row.id)
        outcome.left_out[row.id] = residual
    return outcome


def _outcome(
    p: Problem, x: np.ndarray, Q: np.ndarray, A: np.ndarray, covariance: np.ndarray, v: np.ndarray, f: int,
    columns: np.ndarray,
) -> Outcome:  # fmt: skip
    """Figures from the last, converged iteration."""
    outcome = Outcome()
    known = (p.prior == 0.0).ravel()
    known[columns[columns < x.size]] = True
    shown = np.where(known, x.ravel(), math.nan).reshape(x.shape)
    for i, name in enumerate(p.names):
        outcome.marks[name] = mark_figures(name, shown[i], Q[3 * i : 3 * i + 3, 3 * i : 3 * i + 3])
    for i, a in enumerate(p.names):
        for j, b in enumerate(p.names):
            if i == j or not np.all(np.isfinite(shown[[i, j], :2])):
                continue
            D = np.zeros((2, len(Q)))
            D[0, 3 * j], D[1, 3 * j + 1], D[0, 3 * i], D[1, 3 * i + 1] = 1, 1, -1, -1
            relative = D @ Q @ D.T
            along = shown[j, :2] - shown[i, :2]
            d = float(np.hypot(*along))
            along = along / d if d else along
            sigma = math.sqrt(along @ relative @ along)
            outcome.pairs[f"{a},{b}"] = {"distance": d, "sigma_distance": sigma, **ellipse(relative)}
    P = np.linalg.inv(covariance)
    fitted = A @ Q @ A.T
    R = np.eye(len(v)) - fitted @ P
    M = P - P @ fitted @ P
    w = np.full(len(v), math.nan)
    seen = np.diag(R) > 1e-9  # below, the residual is rounding noise
    w[seen] = (P @ v)[seen] / np.sqrt(np.diag(M)[seen])
    for i, row in enumerate(p.rows):
        outcome.observations[row.id] = {
            "residual": float(v[i]),
            "adjusted": row.value + float(v[i]),
            "sigma": row.sigma,
            "sigma_adjusted": math.sqrt(max(fitted[i, i], 0.0)),
            "redundancy": float(R[i, i]),
            "standardized": float(w[i]),
            "bias": DETECTION / math.sqrt(M[i, i]) if seen[i] else math.inf,
        }
        if row.kind in ("angle", "azimuth", "direction"):
            outcome.angular.add(row.id)
    outcome.largest = p.rows[int(np.nanargmax(np.abs(w)))].id if seen.any() else ""
    with np.errstate(invalid="ignore"):
        outcome.flagged = " ".join(sorted(p.rows[i].id for i in np.flatnonzero(np.abs(w) > CRITICAL)))
    outcome.network = {
        "variance_factor": float(v @ P @ v) / f if f else math.nan,
        "degrees_of_freedom": float(f),
        "trace": horizontal_trace(outcome),
    }
    add_shifts(outcome, p.given)
    return outcome


def main() -> None:
    """Print the solution of each folder named on the command line."""
    for name in sys.argv[1:]:
        outcome = solve(Path(name))
        print(f"{name}\n  {outcome.network}, largest |w|: {outcome.largest}")
        for title, group in (("mark", outcome.marks), ("observation", outcome.observations)):
            for key, figures in group.items():
                print(f"  {title} {key}: " + ", ".join(f"{k} {value:.7g}" for k, value in figures.items()))


if __name__ == "__main__":
    main()
