"""One observation explained, against the adjustment itself: change the reading, adjust again, and see what moves."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.adjust.networks import MM, Plan

from hubtack.adjust import Settings, adjust
from hubtack.adjust.explained import explain, explain_control, named
from hubtack.adjust.results import Adjustment
from hubtack.io.job import read_job

SAMPLES = Path(__file__).parents[2] / "sample_networks"
COLUMN = {"direction": "circle", "zenith": "zenith", "distance": "slope"}


@pytest.fixture(scope="module", params=["braced-traverse", "free-stations", "no-telling", "ropeway"])
def sample(request) -> Adjustment:
    job = read_job(SAMPLES / request.param)
    return adjust(job.network, job.settings)


def coordinates(a: Adjustment) -> np.ndarray:
    return np.column_stack([a.marks.east, a.marks.north, a.marks.height])


def changed(a: Adjustment, row: int, by: float) -> Adjustment:
    """Adjusted again with one observation larger: every row that it is the mean of, as its face reads it."""
    s, o = a.network.sights, a.observations
    name = COLUMN[str(o.kind[row])]
    values = getattr(s, name).copy()
    for i in np.flatnonzero(np.isin(s.id.astype(str), list(map(str, o.rows[row])))):
        values[i] += -by if name == "zenith" and s.face[i] == 2 else by
    return adjust(replace(a.network, sights=s.replace(**{name: values})), a.settings)


def test_coordinates_move_as_said(sample: Adjustment) -> None:
    o = sample.observations
    chosen = [int(np.flatnonzero(o.kind == k)[n]) for k in COLUMN for n in (0, -1)]
    for row, e in zip(chosen, explain(sample, chosen), strict=True):
        size = 2.0 * o.sigma[row]
        moved = coordinates(changed(sample, row, size)) - coordinates(sample)
        said = e.moves * size
        # first order: moves of a millimetre are linear to 1e-4 of it, and solutions are settled to 1e-7 m
        np.testing.assert_allclose(np.nan_to_num(moved), said, atol=2e-3 * np.abs(said).max() + 3e-8)


def test_leaving_out_is_a_reading_put_right_by_its_bias(sample: Adjustment) -> None:
    o = sample.observations
    row = int(
        np.argmax(np.where(np.isin(o.kind, list(COLUMN)) & (o.redundancy > 0.2), np.abs(o.standardized), 0))
    )
    (e,) = explain(sample, [row])
    without = adjust(replace(sample.network, left_out=frozenset({str(o.id[row])})), sample.settings)
    moved = np.nan_to_num(coordinates(without) - coordinates(sample))
    said = -e.bias * e.moves
    np.testing.assert_allclose(moved, said, atol=5e-3 * np.abs(said).max() + 3e-8)
    (gone,) = np.flatnonzero(without.left_out.id == o.id[row])
    assert without.left_out.residual[gone] == pytest.approx(-e.bias, rel=5e-3)


def test_steps_add_up_to_the_residual(sample: Adjustment) -> None:
    o = sample.observations
    rows = [i for i in range(len(o)) if o.kind[i] in COLUMN][:60]
    for e in explain(sample, rows):
        t = e.trace
        assert t is not None
        whole = 2.0 * np.pi if o.kind[e.row] == "direction" else np.inf
        total = sum(s.amount for s in t.model)
        if np.isfinite(whole):
            assert np.mod(total - t.adjusted + np.pi, whole) - np.pi == pytest.approx(0.0, abs=1e-9)
        else:
            assert total == pytest.approx(t.adjusted, abs=1e-9)
        off = t.adjusted - t.observed - o.residual[e.row]
        assert (
            abs((off + np.pi) % (2 * np.pi) - np.pi) < 2e-9
            if o.quantity[e.row] == "angle"
            else abs(off) < 1e-7
        )
        assert t.reduced[-1].value == pytest.approx(
            t.observed, abs=1e-12 + 1e-9 * (o.quantity[e.row] == "angle")
        )
        assert "other corrections" not in {s.name for s in t.reduced}  # every reduction is told by its name
        turned = [r.on_face_1 for r in t.readings]
        assert [r.row for r in t.readings] == list(map(str, o.rows[e.row]))
        spread = np.mean(np.exp(1j * np.array(turned))) if o.quantity[e.row] == "angle" else np.mean(turned)
        mean = np.mod(np.angle(spread), 2 * np.pi) if o.quantity[e.row] == "angle" else spread
        assert t.reduced[0].value == pytest.approx(mean, abs=1e-9)


def test_steps_have_their_textbook_sizes() -> None:
    """One sight of 400 m, 30 m up, scale 0.9996, plane at height 0: the steps against formulas of textbooks (from memory)."""
    p = Plan()
    p.support("stand", centring=0.1 * MM, height=0.1 * MM)
    p.instrument(1.0, 1.0, 1 * MM)
    p.target(constant=0.0175)
    a, b = p.held("A", 0, 0, 500), p.held("B", 0, 400, 530)
    p.sight(p.station(p.mark("P", 300, 100, 510), height=1.6), p.prism(a, height=0.2))
    p.sight(0, p.prism(b, height=0.2))
    settings = Settings(scale_factor=0.9996, reference_height=0.0, refraction=0.13)
    adjustment = adjust(p.simulated(1, settings), settings)
    rows = named(adjustment, str(adjustment.observations.rows[0][0]))[0]
    by = {str(adjustment.observations.kind[e.row]): {s.name: s.amount for s in e.trace.model}
          for e in explain(adjustment, rows.tolist()) if e.trace}  # fmt: skip
    R = settings.radius
    P, A = adjustment.marks.mark.tolist().index("P"), 0
    xyz = coordinates(adjustment)
    grid = float(np.hypot(*(xyz[A, :2] - xyz[P, :2])))
    ground = grid / 0.9996 * (R + 500.2) / R
    up = xyz[A, 2] + 0.2 - xyz[P, 2] - 1.6
    slope = float(np.hypot(ground, up))
    # a step below `trace.LEAST` (2e-8 rad, 5e-6 m) is told with its neighbour
    assert by["distance"]["grid scale"] == pytest.approx((grid / 0.9996 - grid) * grid / slope, rel=1e-3)
    assert by["distance"]["level"] == pytest.approx((ground - grid / 0.9996) * ground / slope, rel=1e-3)
    assert by["zenith"]["curvature"] == pytest.approx(ground / (2 * R), rel=2e-2)  # s/2R, the target sinks
    assert by["zenith"]["refraction"] == pytest.approx(-0.13 * ground / (2 * R), abs=3e-8)
    heights = np.arctan2(grid, up) - np.arctan2(grid, up - 0.2 + 1.6)
    assert by["zenith"]["device heights"] == pytest.approx(heights, rel=1e-6)


def test_a_prior_of_a_setup_is_its_entered_height(sample: Adjustment) -> None:
    o = sample.observations
    heights = [
        i for i in np.flatnonzero(o.kind == "effect").tolist() if str(o.id[i]).endswith(".effect.height")
    ]
    row = next(i for i in heights if o.redundancy[i] > 0.05)
    setup = int(o.start_setup[row])
    (e,) = explain(sample, [row])
    assert row in named(sample, str(sample.network.setups.setup[setup]))[0]
    height = sample.network.setups.height.copy()
    base = sample.network.setups.height_base
    mine = (base == base[setup]) if base[setup] >= 0 else np.arange(len(base)) == setup
    height[mine] += 2 * MM
    again = adjust(
        replace(sample.network, setups=sample.network.setups.replace(height=height)), sample.settings
    )
    moved = np.nan_to_num(coordinates(again) - coordinates(sample))
    np.testing.assert_allclose(moved, 2 * MM * e.moves, atol=5e-3 * np.abs(2 * MM * e.moves).max() + 3e-8)


@pytest.mark.parametrize("name", ["braced-traverse", "moved-control"])
def test_a_held_mark_moves_the_others_as_said(name: str) -> None:
    job = read_job(SAMPLES / name)
    sample = adjust(job.network, job.settings)
    c = sample.control
    mark = str(c.mark[np.flatnonzero(c.held)[0]])
    row = sample.marks.mark.tolist().index(mark)
    assert named(sample, mark)[2] == row
    for e in explain_control(sample, row):
        column = ("east", "north", "height")[e.axis]
        values = getattr(sample.network.marks, column).copy()
        values[row] += 5 * MM
        settings = replace(sample.settings, reference_height=sample.reference_height)
        again = adjust(
            replace(sample.network, marks=sample.network.marks.replace(**{column: values})), settings
        )
        moved = np.nan_to_num(coordinates(again) - coordinates(sample))
        np.testing.assert_allclose(moved, 5 * MM * e.moves, atol=5e-3 * np.abs(5 * MM * e.moves).max() + 3e-8)


def test_noise_is_the_textbook_figure_for_lone_readings(sample: Adjustment) -> None:
    """δ0·√((1 − r)/r) (Baarda 1968, from memory)."""
    o = sample.observations
    rows = [i for i in range(len(o)) if o.kind[i] == "distance" and o.redundancy[i] > 0.01][:10]
    for e in explain(sample, rows):
        r = o.redundancy[e.row]
        assert e.noise == pytest.approx(sample.solved.delta0 * np.sqrt((1 - r) / r), rel=1e-9)
        assert e.bias == pytest.approx(-o.residual[e.row] / r, rel=1e-9)


def test_sigma_by_term_adds_up(sample: Adjustment) -> None:
    o = sample.observations
    rows = [i for i in range(len(o)) if o.kind[i] in COLUMN]
    for e in explain(sample, rows):
        own = [t.sigma for t in e.terms if t.counted]
        n = e.readings
        total = sum(own) / np.sqrt(n) if o.kind[e.row] == "distance" else own[0] * np.sqrt(2.0 / n)
        assert total == pytest.approx(o.sigma[e.row], rel=1e-6)


def test_under_the_independent_rule_the_setups_are_in_the_sigma() -> None:
    job = read_job(SAMPLES / "braced-traverse")
    a = adjust(job.network, replace(job.settings, correlation="independent"))
    o = a.observations
    for e in explain(a, list(range(0, len(o), 7))):
        if o.kind[e.row] not in ("direction", "zenith"):
            continue
        own = e.terms[0].sigma * np.sqrt(2.0 / e.readings)
        extra = sum(t.sigma**2 for t in e.terms[1:])
        assert all(t.counted for t in e.terms)
        assert np.sqrt(own**2 + extra) == pytest.approx(o.sigma[e.row], rel=1e-9)


def test_a_component_of_a_correlated_vector_moves_marks_as_said() -> None:
    job = read_job(Path(__file__).parents[1] / "published" / "gnss-uitm-6-vectors")
    a = adjust(job.network, job.settings)
    o = a.observations
    row = int(np.flatnonzero(o.kind == "vector")[4])
    (e,) = explain(a, [row])
    difference = job.network.vectors.difference.copy()
    difference[1, 1] += 0.01
    again = adjust(
        replace(job.network, vectors=job.network.vectors.replace(difference=difference)), job.settings
    )
    np.testing.assert_allclose(np.nan_to_num(coordinates(again) - coordinates(a)), 0.01 * e.moves, atol=1e-8)


def test_a_slanting_surface_is_a_term_of_its_own() -> None:
    """By hand at 60°, tan = √3: a pointing of 2″ over 40 m and a fifth of a spot of 20 mm, both times √3."""
    p = Plan()
    p.support("pillar")
    p.instrument(2.0, 2.0, 3e-3, reflectorless=4e-3, reflectorless_ppm=2e-6, spot=0.02)
    p.target(reflectorless=True)
    p.held("A", 0, 0, 10)
    p.held("B", 0, 40, 10)
    p.held("C", 30, 0, 10)
    s = p.station(p.mark("P", 1, 1, 10))
    for m in range(3):
        p.sight(s, p.prism(m, height=1.6, incidence=np.radians(60.0)))
    a = adjust(p.simulated(1))
    o = a.observations
    row = int(np.flatnonzero((o.kind == "distance") & (o.end_mark == 1))[0])
    (e,) = explain(a, [row])
    sigmas = {t.name: t.sigma for t in e.terms}
    length = o.observed[row]
    pointing, spot = np.sqrt(3.0) * length * np.radians(2 / 3600), np.sqrt(3.0) * 0.2 * 0.02
    assert e.readings == 2
    assert sigmas["surface at a slant, added in squares"] == pytest.approx(np.hypot(pointing, spot))
    stated = (sigmas["constant, summed"] + sigmas["with distance, summed"]) / np.sqrt(2.0)
    assert stated == pytest.approx((4e-3 + 2e-6 * length) / np.sqrt(2.0))
    assert o.sigma[row] == pytest.approx(np.sqrt(stated**2 + pointing**2 + spot**2))


def test_a_plane_book_without_heights_is_explained_at_the_level_of_reference() -> None:
    """Horizontal distances, no height anywhere, a scale of 0.9996: the ground is the grid over it, and nothing else is told."""
    p = Plan()
    p.support("pillar")
    p.instrument()
    p.target()
    for name, e, n in (("A", 0, 0), ("B", 0, 100), ("C", 80, 0)):
        p.mark(name, e, n, 0, sigma=(0.0, 0.0, np.inf))
    p.mark("P", 30, 40, 0)
    s = p.station(3)
    for m in range(3):
        p.sight(s, p.prism(m), readings="ch")
    settings = Settings(scale_factor=0.9996)
    net = p.simulated(1, settings)
    a = adjust(replace(net, marks=net.marks.replace(height=[np.nan] * 4)), settings)
    o = a.observations
    rows = np.flatnonzero(o.kind == "horizontal").tolist()
    assert len(rows) == 3
    for e in explain(a, rows):
        assert e.trace is not None
        xy = coordinates(a)[:, :2]
        grid = float(np.hypot(*(xy[o.end_mark[e.row]] - xy[3])))
        steps = {t.name: t.amount for t in e.trace.model}
        assert steps.pop("grid scale") == pytest.approx(grid / 0.9996 - grid, rel=1e-6)
        assert [*steps.values()] == [pytest.approx(grid)]
