"""GTSAM on the same network: its built-in factors, and the exact model as custom factors in Python."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from tests.benchmarks.peer_problem import Problem, sight

from hubtack.adjust.ground.table import Floats

SETTLED, MOST = 1e-6, 12  # norm of the last step; iterations
SAMPLE = 300  # joints that are taken before the rest is estimated from them

EXACT_LACKS = (
    "no redundancy numbers, tests or MDBs by itself: they follow from the joints; callbacks in Python"
)
BUILT_IN_LACKS = (
    "no setup effects, curvature or refraction; direction and zenith angle are one isotropic bearing; an occupied mark is a "
    "pose held level; no redundancies"
)


def settle(graph, values):  # type: ignore[no-untyped-def]
    """Plain Gauss-Newton: the optimizer class of the library is many times slower than this loop."""
    for _ in range(MOST):
        step = graph.linearize(values).optimize()
        values = values.retract(step)
        if step.norm() < SETTLED:
            break
    return values


def exact(p: Problem, seconds: float) -> dict[str, float]:
    """Seconds by stage of the exact model; vᵀPv and the trace of the mark covariances. Joints of all pairs of setups.

    `seconds` bounds the joints: beyond it they are estimated from a sample.
    """
    import gtsam

    lap = _laps()
    unit = gtsam.noiseModel.Unit
    graph, values = gtsam.NonlinearFactorGraph(), gtsam.Values()
    mark = [gtsam.symbol("m", i) for i in range(len(p.marks))]
    effect = [gtsam.symbol("e", i) for i in range(len(p.heights))]
    turn = [gtsam.symbol("o", i) for i in range(len(p.turns))]
    free = [i for i in p.seen.tolist() if not p.held[i]]
    for i in free:
        values.insert(mark[i], p.marks[i])
    for i in {s for pair in p.pairs for s in (pair.start, pair.end)}:
        values.insert(effect[i], np.zeros(3))
        graph.add(
            gtsam.PriorFactorVector(effect[i], np.zeros(3), gtsam.noiseModel.Diagonal.Sigmas(p.effects[i]))
        )
    for i, t in enumerate(p.turns):
        values.insert(turn[i], np.array([t]))
    joints = []
    for pair in p.pairs:
        keys = [turn[t] for t in pair.turns] + [effect[pair.start], effect[pair.end]]
        keys += [mark[m] for m in (pair.start_mark, pair.end_mark) if not p.held[m]]
        joints.append(keys)
        graph.add(gtsam.CustomFactor(unit.Create(3 * len(pair.turns)), keys, _factor(p, pair)))
    build = lap()
    values = settle(graph, values)
    solve = lap()
    marginals = gtsam.Marginals(graph, values)
    prepare = lap()
    trace = sum(float(np.trace(marginals.marginalCovariance(mark[i]))) for i in free)
    marks = lap()
    sample = joints if len(joints) <= SAMPLE else joints[:: len(joints) // SAMPLE]
    for keys in sample:
        marginals.jointMarginalCovariance(keys).fullMatrix()
    taken = lap()
    every = taken * len(joints) / len(sample)
    if len(sample) < len(joints) and every < seconds:
        for keys in joints:
            marginals.jointMarginalCovariance(keys).fullMatrix()
        every = lap()
    return {
        "build": build, "solve": solve, "marginals": prepare, "marks": marks, "joints": every,
        "estimated": float(len(sample) < len(joints) and every >= seconds),
        "total": build + solve + prepare + marks + every, "objective": 2.0 * graph.error(values), "trace": trace,
    }  # fmt: skip


def _factor(p: Problem, pair):  # type: ignore[no-untyped-def]
    """Residuals and Jacobians of one pair of setups, in the order of its keys."""
    R = len(pair.turns)
    fixed = [None if not p.held[m] else p.marks[m] for m in (pair.start_mark, pair.end_mark)]
    over = p.heights[pair.start], p.heights[pair.end]
    turning = [np.zeros((3 * R, 1)) for _ in range(R)]
    for r in range(R):
        turning[r][3 * r] = -pair.weight[r][0]

    def error(factor, values, jacobians) -> Floats:  # type: ignore[no-untyped-def]
        keys = factor.keys()
        turns = [values.atVector(keys[r])[0] for r in range(R)]
        own, other = values.atVector(keys[R]), values.atVector(keys[R + 1])
        at = R + 2
        a, b = fixed
        if a is None:
            a = values.atVector(keys[at])
            at += 1
        if b is None:
            b = values.atVector(keys[at])
        start = (a[0] + own[0], a[1] + own[1], a[2] + own[2] + over[0])
        end = (b[0] + other[0], b[1] + other[1], b[2] + other[2] + over[1])
        residuals, to_a, to_b = sight(p, start, end, pair, turns)
        if jacobians is not None:
            for r in range(R):
                jacobians[r] = turning[r]
            jacobians[R], jacobians[R + 1] = to_a, to_b
            at = R + 2
            for held, jacobian in zip(fixed, (to_a, to_b), strict=True):
                if held is None:
                    jacobians[at] = jacobian
                    at += 1
        return residuals

    return error


def built_in(p: Problem) -> dict[str, float]:
    """Seconds by stage with BearingRange factors between the marks themselves."""
    import gtsam

    lap = _laps()
    graph, values = gtsam.NonlinearFactorGraph(), gtsam.Values()
    posed: dict[int, int] = {}
    for t, s in enumerate(p.stand.tolist()):
        posed.setdefault(s, t)
    stands = {s: m for pair in p.pairs for s, m in ((pair.start, pair.start_mark),)}
    pose_of = {m: s for s, m in stands.items()}
    key = {m: gtsam.symbol("p" if m in pose_of else "m", m) for m in p.seen.tolist()}
    tight, level = 1e-4, 1e-6
    for m, k in key.items():
        at = gtsam.Point3(*p.marks[m])
        if m in pose_of:
            # x axis along the circle's zero, z up: azimuths run against the mathematical sense
            yaw = 0.5 * np.pi - p.turns[posed[pose_of[m]]]
            pose = gtsam.Pose3(gtsam.Rot3.Yaw(yaw), at)
            values.insert(k, pose)
            there = tight if p.held[m] else 1e4
            noise = gtsam.noiseModel.Diagonal.Sigmas(np.array([level, level, 1e3, there, there, there]))
            graph.add(gtsam.PriorFactorPose3(k, pose, noise))
        else:
            values.insert(k, at)
            if p.held[m]:
                graph.add(gtsam.PriorFactorPoint3(k, at, gtsam.noiseModel.Isotropic.Sigma(3, tight)))
    for pair in p.pairs:
        first = p.turns[posed[pair.start]]
        raised = p.heights[pair.start] - p.heights[pair.end]
        both = pair.end_mark in pose_of
        factor = gtsam.BearingRangeFactorPose3 if both else gtsam.BearingRangeFactor3D
        for t, (direction, zenith, slope), (w1, w2, w3) in zip(
            pair.turns, pair.value, pair.weight, strict=True
        ):
            turned = direction + p.turns[t] - first
            flat, up = slope * np.sin(zenith), slope * np.cos(zenith) + raised
            d = np.array([flat * np.cos(turned), -flat * np.sin(turned), up])
            noise = gtsam.noiseModel.Diagonal.Sigmas(np.array([1.0 / w1, 1.0 / w2, 1.0 / w3]))
            graph.add(
                factor(
                    key[pair.start_mark], key[pair.end_mark], gtsam.Unit3(d), float(np.linalg.norm(d)), noise
                )
            )
    build = lap()
    values = settle(graph, values)
    solve = lap()
    marginals = gtsam.Marginals(graph, values)
    prepare = lap()
    for k in key.values():
        marginals.marginalCovariance(k)
    marks = lap()
    return {
        "build": build, "solve": solve, "marginals": prepare, "marks": marks,
        "total": build + solve + prepare + marks, "objective": 2.0 * graph.error(values),
    }  # fmt: skip


def _laps() -> Callable[[], float]:
    """Seconds since the last call."""
    last = time.perf_counter()

    def lap() -> float:
        nonlocal last
        now = time.perf_counter()
        taken, last = now - last, now
        return taken

    return lap
