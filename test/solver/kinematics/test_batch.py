# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Batches against the scalar code, and both against arithmetic of fifty digits at the edges."""

import tracemalloc
from dataclasses import replace
from itertools import product
from math import cos, dist, inf, nan, nextafter, pi, sin
from pathlib import Path

import mpmath
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from leg_kinematics.errors import JointLimitError, LegKinematicsError, MapRangeError, ReachError
from leg_kinematics.robot import Mount, Vector, load_robot
from leg_kinematics.solver import (
    BatchSolution,
    LegGeometry,
    LegSolver,
    MountTransform,
    Outcome,
    forward,
    forward_batch,
    inverse,
    inverse_batch,
    jacobian,
    jacobian_batch,
    leg_solvers,
    solve_batch,
)
from leg_kinematics.solver.kinematics.batch import CHUNK

BRACKEN = Path(__file__).parents[3] / 'config' / 'robots' / 'bracken.yaml'

Floats = NDArray[np.float64]

LEG = LegGeometry(0.03, 0.06, 0.10)
UNLIMITED = replace(
    leg_solvers(load_robot(BRACKEN))[1],
    mount=MountTransform.of(Mount((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))),
    limits=3 * ((-pi, pi),),
    expressible=3 * ((-pi, pi),),
)
LEGS = [
    LEG,
    LegGeometry(0.03, 0.10, 0.06),
    LegGeometry(0.03, 0.08, 0.08),
    LegGeometry(0.0, 0.08, 0.08),
    LegGeometry(0.03, 0.08, nextafter(0.08, inf)),
]


def scalar_inverse(
    geometry: LegGeometry, foot: Vector, *, knee_up: bool, in_front: bool, free_coxa: float = 0.0
) -> Vector:
    """Solve one foot, with NaN for one that is refused."""
    try:
        return inverse(geometry, foot, knee_up=knee_up, in_front=in_front, free_coxa=free_coxa)
    except ReachError:
        return (nan, nan, nan)


def vectors(rows: Floats) -> list[Vector]:
    """Turn rows into tuples of plain floats."""
    return [(x, y, z) for x, y, z in rows.tolist()]


def assert_same_as_scalar(geometry: LegGeometry, feet: Floats, *, in_front: bool) -> None:
    """Compare both knee branches, refusals included, to 1e-12 rad; half a turn has two signs."""
    found = inverse_batch(geometry, feet, in_front=in_front)
    for branch, knee_up in enumerate((True, False)):
        expected = [
            scalar_inverse(geometry, foot, knee_up=knee_up, in_front=in_front)
            for foot in vectors(feet)
        ]
        turns = np.round((found[branch] - expected) / (2.0 * pi))
        np.testing.assert_array_less(np.nan_to_num(np.abs(found[branch])), pi + 1e-15)
        np.testing.assert_allclose(found[branch] - 2.0 * pi * turns, expected, rtol=0, atol=1e-12)


def true_foot(geometry: LegGeometry, angles: Vector) -> list[mpmath.mpf]:
    """Place the foot with fifty digits."""
    q1, q2, q3 = (mpmath.mpf(angle) for angle in angles)
    c, f, t = (mpmath.mpf(x) for x in (geometry.coxa, geometry.femur, geometry.tibia))
    rho = c + f * mpmath.cos(q2) + t * mpmath.cos(q2 + q3)
    z = f * mpmath.sin(q2) + t * mpmath.sin(q2 + q3)
    return [rho * mpmath.cos(q1), rho * mpmath.sin(q1), z]


def residual(geometry: LegGeometry, angles: Vector, foot: Vector) -> float:
    """Return the distance of the true foot from where it was wanted, m."""
    with mpmath.workdps(50):
        offsets = [a - b for a, b in zip(true_foot(geometry, angles), foot, strict=True)]
        return float(mpmath.norm(offsets))


def edge_feet(geometry: LegGeometry, beyond: float = 0.0) -> Floats:
    """Feet so far beyond stretched and folded, m, one ulp to both sides, in many directions."""
    stretched, folded = geometry.femur + geometry.tibia, abs(geometry.femur - geometry.tibia)
    stretched, folded = stretched + beyond, max(0.0, folded - beyond)
    feet = []
    for span, pitch, yaw in product(
        (stretched, folded), (0.0, 0.1, pi / 2, -1.0, 2.5, pi), (0.0, 0.7, -2.0)
    ):
        for near in (nextafter(span, -inf), span, nextafter(span, inf)):
            rho = geometry.coxa + max(0.0, near) * cos(pitch)
            feet.append((rho * cos(yaw), rho * sin(yaw), max(0.0, near) * sin(pitch)))
    return np.array(feet)


@pytest.mark.parametrize('in_front', [True, False])
@pytest.mark.parametrize('geometry', LEGS)
def test_gives_the_scalar_angles_for_any_feet(*, geometry: LegGeometry, in_front: bool) -> None:
    """Feet inside and outside of the reach: all four branches to 1e-12 rad, and all refusals."""
    rng = np.random.default_rng(7)
    span = geometry.coxa + geometry.femur + geometry.tibia
    assert_same_as_scalar(geometry, rng.uniform(-span, span, (5000, 3)), in_front=in_front)


@settings(max_examples=3 * settings().max_examples)
@given(
    lengths=st.tuples(st.floats(0.0, 0.1), st.floats(0.02, 0.3), st.floats(0.02, 0.3)),
    angles=st.lists(
        st.tuples(st.floats(-3.1, 3.1), st.floats(-3.1, 3.1), st.floats(-pi, pi)), min_size=1
    ),
    in_front=st.booleans(),
)
@example(lengths=(0.03, 0.08, 0.08), angles=[(0.3, 0.4, -pi), (0.3, 0.4, 0.0)], in_front=True)
def test_gives_the_scalar_angles_for_any_leg(
    *, lengths: Vector, angles: list[Vector], in_front: bool
) -> None:
    """Any lengths, feet of any posture: what the scalar code answers, to 1e-12 rad."""
    geometry = LegGeometry(*lengths)
    assert_same_as_scalar(geometry, forward_batch(geometry, np.array(angles)), in_front=in_front)


@pytest.mark.parametrize('in_front', [True, False])
@pytest.mark.parametrize('geometry', LEGS)
def test_gives_the_scalar_angles_at_the_edges(*, geometry: LegGeometry, in_front: bool) -> None:
    """Stretched, folded and one ulp beyond, where angles are most sensitive: to 1e-12 rad."""
    assert_same_as_scalar(geometry, edge_feet(geometry), in_front=in_front)


@pytest.mark.parametrize('share', [1e-3, 1e-4, 1.01e-5, 0.99e-5, 1e-6, 1e-8, 1e-12])
@pytest.mark.parametrize('geometry', LEGS)
def test_gives_the_scalar_angles_on_the_way_to_the_edges(
    geometry: LegGeometry, share: float
) -> None:
    """From plainly inside to all but stretched or folded there is no step between the codes."""
    stretched, folded = geometry.femur + geometry.tibia, abs(geometry.femur - geometry.tibia)
    inside = share * stretched
    rng = np.random.default_rng(13)
    pitches, yaws = rng.uniform(-3.0, 3.0, (2, 500))
    for span in (stretched - inside, folded + inside):
        rho = geometry.coxa + span * np.cos(pitches)
        feet = np.stack((rho * np.cos(yaws), rho * np.sin(yaws), span * np.sin(pitches)), axis=1)
        assert_same_as_scalar(geometry, feet, in_front=True)


@pytest.mark.parametrize('geometry', LEGS)
def test_leaves_no_true_residual_at_the_edges(geometry: LegGeometry) -> None:
    """In fifty digits the angles meet stretched and folded feet to 5e-16 m, an ulp beyond too.

    Truth from mpmath.
    """
    feet = edge_feet(geometry)
    solved = 0
    for angles in inverse_batch(geometry, feet):
        for q, foot in zip(vectors(angles), vectors(feet), strict=True):
            if not np.isnan(q[0]):
                assert residual(geometry, q, foot) <= 5e-16
                solved += 1
    # A third of the directions points behind the coxa axis, where another branch would serve.
    assert solved >= len(feet)


def true_outcome(geometry: LegGeometry, foot: Vector) -> tuple[float, Outcome]:
    """By how much a foot is out of reach, negative inside, m, and on which side."""
    with mpmath.workdps(50):
        x, y, z = map(mpmath.mpf, foot)
        c, f, t = map(mpmath.mpf, (geometry.coxa, geometry.femur, geometry.tibia))
        distance = mpmath.hypot(mpmath.hypot(x, y) - c, z)
        return max(
            (float(distance - (f + t)), Outcome.TOO_FAR),
            (float(abs(f - t) - distance), Outcome.TOO_NEAR),
        )


@pytest.mark.parametrize('geometry', LEGS)
def test_tells_an_edge_from_what_is_beyond(geometry: LegGeometry) -> None:
    """An ulp beyond an edge is reached and nearly singular, 2e-15 m and 1e-12 m are refused.

    Truth from mpmath; between an ulp and 1e-15 m rounding decides.
    """
    leg = replace(UNLIMITED, geometry=geometry)
    feet = np.concatenate([edge_feet(geometry, beyond) for beyond in (0.0, 2e-15, 1e-12)])
    solution = solve_batch(leg, feet)
    assert not np.isnan(solution.angles[solution.reached]).any()
    told = set()
    for foot, outcome, near in zip(
        vectors(feet), solution.outcome.tolist(), solution.near_singular.tolist(), strict=True
    ):
        excess, kind = true_outcome(geometry, foot)
        if excess > 1e-15:
            assert outcome == kind
            told.add(kind)
        elif excess < 5e-17:
            assert outcome == Outcome.REACHED
            # Behind the coxa axis the foot may be far from either edge.
            assert near or excess < -1e-3
            told.add(Outcome.REACHED)
    # Equal femur and tibia can fold to nothing, so that no foot is too near.
    assert told >= {Outcome.REACHED, Outcome.TOO_FAR}
    assert (Outcome.TOO_NEAR in told) is (abs(geometry.femur - geometry.tibia) > 1e-12)


def test_leaves_no_true_residual_anywhere() -> None:
    """In fifty digits all four branches meet feet at random to 5e-16 m (truth from mpmath)."""
    rng = np.random.default_rng(11)
    feet = forward_batch(LEG, rng.uniform(-3.0, 3.0, (300, 3)))
    worst = max(
        residual(LEG, q, foot)
        for in_front in (True, False)
        for angles in inverse_batch(LEG, feet, in_front=in_front)
        for q, foot in zip(vectors(angles), vectors(feet), strict=True)
        if not np.isnan(q[0])
    )
    assert worst <= 5e-16


@pytest.mark.parametrize('in_front', [True, False])
def test_keeps_the_free_coxa_angle_on_the_axis(*, in_front: bool) -> None:
    """On the coxa axis and within a micrometre of it the angle asked for is kept."""
    feet = np.array([(0.0, 0.0, -0.08), (4e-7, -8e-7, -0.1), (0.0, 2e-6, -0.1)])
    found = inverse_batch(LEG, feet, in_front=in_front, free_coxa=0.4)
    assert found[:, :2, 0].tolist() == [[0.4, 0.4], [0.4, 0.4]]
    assert found[:, 2, 0] == pytest.approx(pi / 2 if in_front else -pi / 2)
    for row, foot in enumerate(feet):
        alone = inverse_batch(LEG, foot[np.newaxis], in_front=in_front, free_coxa=0.4)
        np.testing.assert_array_equal(alone[:, 0], found[:, row])
    for branch, knee_up in enumerate((True, False)):
        for q, foot in zip(found[branch], vectors(feet), strict=True):
            expected = inverse(LEG, foot, knee_up=knee_up, in_front=in_front, free_coxa=0.4)
            assert q == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize('count', [0, 1, CHUNK - 1, CHUNK, CHUNK + 1, 20_000])
def test_no_row_depends_on_its_neighbours(count: int) -> None:
    """Any number of feet, in any order, gives each its own angles: no chunk border shows."""
    rng = np.random.default_rng(count)
    feet = rng.uniform(-0.2, 0.2, (count, 3))
    found = inverse_batch(LEG, feet)
    np.testing.assert_array_equal(inverse_batch(LEG, feet[::-1])[:, ::-1], found)
    q = np.nan_to_num(found[0])
    before = q.copy()
    np.testing.assert_array_equal(forward_batch(LEG, q[::-1])[::-1], forward_batch(LEG, q))
    np.testing.assert_array_equal(jacobian_batch(LEG, q[::-1])[::-1], jacobian_batch(LEG, q))
    np.testing.assert_array_equal(q, before)


def test_places_and_moves_feet_as_the_scalar_code_does() -> None:
    """Feet and Jacobians of random postures are the scalar ones to 1e-15."""
    rng = np.random.default_rng(3)
    angles = rng.uniform(-pi, pi, (3000, 3))
    expected = [forward(LEG, q) for q in vectors(angles)]
    np.testing.assert_allclose(forward_batch(LEG, angles), expected, rtol=0, atol=1e-15)
    rows = [jacobian(LEG, q) for q in vectors(angles)]
    np.testing.assert_allclose(jacobian_batch(LEG, angles), rows, rtol=0, atol=1e-15)


def test_fills_the_array_of_the_caller() -> None:
    """The result is put where the caller wants it, a strided view of a larger array included."""
    feet = forward_batch(LEG, np.full((5, 3), -0.5))
    whole = np.full((2, 5, 6), 9.0)
    out = whole[:, :, ::2]
    assert inverse_batch(LEG, feet, out=out) is out
    np.testing.assert_array_equal(out, inverse_batch(LEG, feet))
    assert np.all(whole[:, :, 1::2] == 9.0)
    place = np.empty((5, 3))
    assert forward_batch(LEG, out[0], out=place) is place
    rows = np.empty((5, 3, 3))
    assert jacobian_batch(LEG, out[0], out=rows) is rows
    np.testing.assert_array_equal(rows, jacobian_batch(LEG, out[0]))


def test_refuses_arrays_of_another_shape() -> None:
    """A wrong shape or type is named with what was expected."""
    with pytest.raises(ValueError, match=r'feet must have the shape \(n, 3\) \(got \(3,\)\)'):
        inverse_batch(LEG, np.zeros(3))
    with pytest.raises(ValueError, match=r'shape \(2, 4, 3\) \(got float64, \(4, 3\)\)'):
        inverse_batch(LEG, np.zeros((4, 3)), out=np.zeros((4, 3)))
    with pytest.raises(ValueError, match='float32'):
        forward_batch(LEG, np.zeros((4, 3)), out=np.zeros((4, 3), dtype=np.float32))


def test_memory_beyond_the_result_does_not_grow_with_the_batch() -> None:
    """A quarter of a million feet need no more scratch than a chunk does: under a megabyte."""
    feet = forward_batch(LEG, np.full((250_000, 3), -0.5))
    out = np.empty((2, *feet.shape))
    tracemalloc.start()
    try:
        inverse_batch(LEG, feet, out=out)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 1e6


def scalar_outcome(leg: LegSolver, foot: Vector) -> tuple[Outcome, str]:
    """Tell outcome and message of the scalar solver."""
    try:
        leg.angles(foot)
    except ReachError as error:
        return (Outcome.TOO_NEAR if 'too close' in str(error) else Outcome.TOO_FAR, str(error))
    except JointLimitError as error:
        return (Outcome.BEYOND_LIMIT, str(error))
    except MapRangeError as error:
        return (Outcome.BEYOND_MAP, str(error))
    return (Outcome.REACHED, '')


@pytest.fixture(scope='module')
def narrow() -> LegSolver:
    """Solve a leg of bracken on a tilted mount, whose servo maps forbid more than its limits."""
    robot = load_robot(BRACKEN)
    mount = Mount((0.1, -0.05, 0.02), (0.3, -0.2, 2.0))
    tilted = replace(robot, legs=(replace(robot.legs[0], mount=mount),))
    maps = ((-0.8, 1.2), (-0.7, 1.0), (-2.2, -0.4))
    return leg_solvers(tilted, dict(zip(tilted.joints, maps, strict=True)))[0]


@pytest.fixture(scope='module')
def solved(narrow: LegSolver) -> tuple[Floats, BatchSolution]:
    """Solve feet all around the mount of that leg."""
    rng = np.random.default_rng(23)
    feet = rng.uniform(-0.22, 0.22, (20_000, 3)) + narrow.mount.position
    return feet, solve_batch(narrow, feet)


def test_status_is_what_the_scalar_solver_says(
    narrow: LegSolver, solved: tuple[Floats, BatchSolution]
) -> None:
    """Every outcome occurs, and is the error of the scalar solver with its joint and excess."""
    feet, solution = solved
    expected = [scalar_outcome(narrow, foot) for foot in vectors(feet)]
    np.testing.assert_array_equal(solution.outcome, [kind for kind, _ in expected])
    assert set(solution.outcome.tolist()) == set(Outcome) - {Outcome.NOT_FINITE}
    np.testing.assert_array_equal(solution.reached, solution.excess == 0.0)
    for (kind, message), excess, joint in zip(
        expected, solution.excess.tolist(), solution.joint.tolist(), strict=True
    ):
        if kind in {Outcome.TOO_FAR, Outcome.TOO_NEAR}:
            assert f': {excess * 1e3:.3g} mm' in message
        elif kind is not Outcome.REACHED:
            assert f', {np.degrees(excess):.3g} deg beyond' in message
            assert message.startswith(narrow.joints[joint])
        assert (joint == -1) is (kind not in {Outcome.BEYOND_LIMIT, Outcome.BEYOND_MAP})


def test_angles_are_those_of_the_scalar_solver(
    narrow: LegSolver, solved: tuple[Floats, BatchSolution]
) -> None:
    """Feet in the body frame, through a mount tilted about all axes: the same to 1e-12 rad."""
    feet, solution = solved
    reached = solution.reached
    expected = [narrow.angles(foot) for foot in vectors(feet[reached])]
    np.testing.assert_allclose(solution.angles[reached], expected, rtol=0, atol=1e-12)


def test_says_how_near_a_target_is_to_a_singularity(narrow: LegSolver) -> None:
    """Value and flag: a nearly stretched leg, a foot nearly on the coxa axis, and neither."""
    stretched = narrow.foot((0.1, 0.2, -0.04))
    regular = narrow.foot((0.1, 0.2, -1.5))
    on_axis = narrow.mount.to_body((0.003, 0.004, -0.12))
    solution = solve_batch(narrow, np.array([stretched, regular, on_axis]))
    assert solution.near_singular.tolist() == [True, False, True]
    assert solution.knee_sine[:2] == pytest.approx([sin(0.04), sin(1.5)], abs=1e-12)
    assert solution.axis_distance[2] == pytest.approx(0.005, abs=1e-15)


def test_a_target_that_is_not_finite_is_refused_as_such(narrow: LegSolver) -> None:
    """NaN and infinity anywhere give no angles, and do not disturb their neighbours."""
    regular = narrow.foot((0.1, 0.2, -1.5))
    feet = np.array([(nan, 0.1, 0.1), regular, (0.1, inf, 0.1), (0.1, 0.1, -inf), (inf, inf, nan)])
    solution = solve_batch(narrow, feet)
    odd = [0, 2, 3, 4]
    assert solution.outcome[odd].tolist() == 4 * [Outcome.NOT_FINITE]
    assert np.isnan(solution.angles[odd]).all()
    assert np.isnan(solution.excess[odd]).all()
    assert solution.outcome[1] == Outcome.REACHED
    assert dist(narrow.foot(vectors(solution.angles)[1]), regular) < 1e-15


def test_a_whisker_beyond_the_reach_is_said(narrow: LegSolver) -> None:
    """A picometre beyond the stretched leg is out of reach by a picometre."""
    total = narrow.geometry.femur + narrow.geometry.tibia
    foot = narrow.mount.to_body((narrow.geometry.coxa + total + 1e-12, 0.0, 0.0))
    with pytest.raises(LegKinematicsError):
        narrow.angles(foot)
    solution = solve_batch(narrow, np.array([foot]))
    assert solution.outcome.tolist() == [Outcome.TOO_FAR]
    assert solution.excess[0] == pytest.approx(1e-12, rel=1e-3)
