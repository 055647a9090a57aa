# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One leg against arms that others compute, against itself there and back, and at its edges."""

from math import cos, degrees, dist, hypot, inf, nan, nextafter, pi, radians, sin

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from leg_kinematics.errors import ReachError
from leg_kinematics.robot import Vector
from leg_kinematics.solver import (
    LegGeometry,
    forward,
    inverse,
    jacobian,
    joint_velocity,
)

LEG = LegGeometry(0.03, 0.06, 0.10)
EQUAL = LegGeometry(0.03, 0.08, 0.08)

# A yaw-pitch-pitch arm with links 0.05, 0.10, 0.15 m: modern-robotics, roboticstoolbox-python,
# pin and pytransform3d agree to 1e-16. Angles and the other elbow branch in degrees, foot in m,
# torques of a force of 10 N along +z in N·m. Its positive pitch LOWERS the foot: our femur and
# tibia angles, and their torques, have the opposite sign; the foot is the same.
ARM = LegGeometry(0.05, 0.10, 0.15)
ARM_TABLE = [
    (
        (0, -30, 90),
        (0.21160254, 0, -0.07990381),
        (0, -1.61602540, -0.75),
        (0, 82.619864948, -90),
    ),
    (
        (30, -30, 90),
        (0.183253175, 0.105801270, -0.079903811),
        (0, -1.61602540, -0.75),
        (30, 82.619864948, -90),
    ),
    (
        (-45, 20, 60),
        (0.120219812, -0.120219812, -0.181923177),
        (0, -1.200164887, -0.260472267),
        (-45, 93.173551107, -60),
    ),
    ((90, 0, 90), (0, 0.150000, -0.150000), (0, -1.0, 0), (90, 112.619864948, -90)),
    (
        (15, -60, 120),
        (0.169037020, 0.045293333, -0.043301270),
        (0, -1.25, -0.75),
        (15, 98.213210702, -120),
    ),
]
#: Half of the last digit of the table.
ROUNDED = 6e-9


def from_pitch_down(angles: tuple[float, float, float]) -> Vector:
    """Turn angles in degrees whose pitch lowers the foot into ours, rad."""
    yaw, first, second = (radians(angle) for angle in angles)
    return (yaw, -first, -second)


@st.composite
def geometries(draw: st.DrawFn) -> LegGeometry:
    """Draw lengths of any real leg; every fourth folds back upon itself, or nearly so."""
    femur = draw(st.floats(0.02, 0.3))
    tibia = draw(
        st.one_of(
            st.floats(0.02, 0.3),
            st.just(femur),
            st.floats(0.0, 1e-8).map(lambda more: femur + more),
        )
    )
    return LegGeometry(draw(st.floats(0.0, (femur + tibia) / 3.0)), femur, tibia)


turns = st.floats(-3.1, 3.1)
postures = st.tuples(turns, turns, st.one_of(st.floats(-pi, pi), st.sampled_from([0.0, pi, -pi])))


def span(geometry: LegGeometry) -> float:
    """Length of the stretched leg, m."""
    return geometry.coxa + geometry.femur + geometry.tibia


def two_links(
    femur: float, tibia: float, r: float, z: float, *, knee_up: bool = True
) -> tuple[float, float]:
    """Solve femur and tibia as a planar arm with its tip at (r, z), behind it for r < 0."""
    geometry = LegGeometry(0.0, femur, tibia)
    _, q2, q3 = inverse(geometry, (abs(r), 0.0, z), knee_up=knee_up, in_front=r >= 0.0)
    return q2, q3


def planar_radius(geometry: LegGeometry, angles: Vector) -> float:
    """Signed distance of the foot from the coxa axis, along the way the coxa points, m."""
    return geometry.coxa + geometry.femur * cos(angles[1]) + geometry.tibia * cos(sum(angles[1:]))


@pytest.mark.parametrize(('angles', 'foot', 'torques', 'other'), ARM_TABLE)
def test_matches_the_yaw_pitch_pitch_arm_of_four_libraries(
    angles: Vector, foot: Vector, torques: Vector, other: Vector
) -> None:
    """Foot, torques, determinant and both elbow branches are those that the four compute."""
    q = from_pitch_down(angles)
    assert forward(ARM, q) == pytest.approx(foot, abs=ROUNDED)

    rows = np.array(jacobian(ARM, q))
    yaw, first, second = torques
    np.testing.assert_allclose(rows.T @ (0, 0, 10), (yaw, -first, -second), atol=ROUNDED)
    determinant = hypot(foot[0], foot[1]) * 0.10 * 0.15 * abs(sin(radians(angles[2])))
    assert abs(np.linalg.det(rows)) == pytest.approx(determinant, abs=ROUNDED)

    exact = forward(ARM, q)
    assert inverse(ARM, exact, knee_up=True) == pytest.approx(q, abs=1e-14)
    assert inverse(ARM, exact, knee_up=False) == pytest.approx(from_pitch_down(other), abs=ROUNDED)


def test_stretched_arm_of_the_table_is_singular() -> None:
    """At zero the foot is 0.3 m ahead, the torques are theirs, and there is no inverse."""
    assert forward(ARM, (0.0, 0.0, 0.0)) == pytest.approx((0.3, 0.0, 0.0), abs=1e-16)
    rows = np.array(jacobian(ARM, (0.0, 0.0, 0.0)))
    np.testing.assert_allclose(rows.T @ (0, 0, 10), (0.0, 2.5, 1.5), atol=1e-15)
    with pytest.raises(ReachError, match='singular'):
        joint_velocity(ARM, (0.0, 0.0, 0.0), (0.0, 0.0, 0.1))


def test_determinant_at_a_right_angle_is_that_of_the_four() -> None:
    """At (any, -30, 90) deg det J is 0.0031740381 (the same four libraries)."""
    rows = np.array(jacobian(ARM, from_pitch_down((70, -30, 90))))
    assert abs(np.linalg.det(rows)) == pytest.approx(0.0031740381, abs=5e-11)


def test_solves_modern_robotics_exercise_6_1() -> None:
    """Planar 3R, links 3, 2, 1, tip (4, 2, 0 deg): exactly two solutions.

    Lynch and Park, Modern Robotics, Cambridge 2017, exercise 6.1, which prints no answers. They are
    computed by hand: the last link takes the wrist to (3, 2), where the cosine of q2 is 0.
    """
    for knee_up, by_hand in (
        (False, (0.0, 90.0, -90.0)),
        (True, (67.380135, -90.0, 22.619865)),
    ):
        first, second = two_links(3.0, 2.0, 3.0, 2.0, knee_up=knee_up)
        found = [degrees(angle) for angle in (first, second, -first - second)]
        assert found == pytest.approx(by_hand, abs=5e-7)


def test_solves_modern_robotics_two_link_example() -> None:
    """Links 1, 1 reach (0.3660254, 1.3660254) with (30, 90) deg.

    The Newton example of Modern Robotics: numbers from memory, iterates confirmed with the
    modern-robotics package.
    """
    found = two_links(1.0, 1.0, 0.3660254, 1.3660254, knee_up=False)
    assert [degrees(angle) for angle in found] == pytest.approx((30.0, 90.0), abs=5e-6)


def test_places_the_tip_of_roboticstoolbox_planar2() -> None:
    """roboticstoolbox-python 1.5, model Planar2: where it computes the tip for (30, 40) deg."""
    foot = forward(LegGeometry(0.0, 1.0, 1.0), (0.0, radians(30), radians(40)))
    assert foot == pytest.approx((1.208046, 0.0, 1.439693), abs=5e-7)


def test_solves_roboticstoolbox_planar3() -> None:
    """roboticstoolbox-python 1.5, model Planar3: its tip for (10, 20, 30) deg comes from there."""
    tip_angle = radians(60)
    wrist = (2.350833 - cos(tip_angle), 1.539674 - sin(tip_angle))
    found = two_links(1.0, 1.0, *wrist, knee_up=False)
    assert [degrees(angle) for angle in found] == pytest.approx((10.0, 20.0), abs=2e-4)


def test_carries_a_planar_load() -> None:
    """Links 1, 1 at (pi/4, 3 pi/8) under (0.5, 0.5) N carry -0.6532815 N·m in both joints.

    Computed by hand, and equal in Pinocchio.
    """
    rows = np.array(jacobian(LegGeometry(0.0, 1.0, 1.0), (0.0, pi / 4, 3 * pi / 8)))
    torques = rows.T @ (0.5, 0.0, 0.5)
    np.testing.assert_allclose(torques[1:], (-0.6532815, -0.6532815), atol=5e-8)


@settings(max_examples=3 * settings().max_examples)
@given(geometries(), postures)
@example(EQUAL, (0.3, 0.4, -pi))
@example(LEG, (0.3, 0.4, 0.0))
def test_finds_a_posture_for_every_foot_it_can_place(geometry: LegGeometry, q: Vector) -> None:
    """Forward, inverse, forward ends at the same foot, stretched and folded legs included."""
    foot = forward(geometry, q)
    found = inverse(
        geometry,
        foot,
        knee_up=q[2] <= 0.0,
        in_front=planar_radius(geometry, q) >= 0.0,
        free_coxa=q[0],
    )
    assert dist(forward(geometry, found), foot) <= 4e-15 * span(geometry)


@settings(max_examples=3 * settings().max_examples)
@given(geometries(), postures)
def test_returns_to_the_angles_of_a_regular_posture(geometry: LegGeometry, q: Vector) -> None:
    """Away from singularities each branch gives back the very angles that placed the foot."""
    radius = planar_radius(geometry, q)
    assume(abs(sin(q[2])) > 0.05 and abs(radius) > 0.05 * span(geometry))
    assume(hypot(radius - geometry.coxa, forward(geometry, q)[2]) > 0.05 * span(geometry))
    found = inverse(geometry, forward(geometry, q), knee_up=q[2] < 0.0, in_front=radius > 0.0)
    assert found == pytest.approx(q, abs=1e-12)


@settings(max_examples=3 * settings().max_examples)
@given(geometry=geometries(), q=postures, knee_up=st.booleans(), in_front=st.booleans())
def test_each_branch_reaches_the_foot_or_says_why_not(
    *, geometry: LegGeometry, q: Vector, knee_up: bool, in_front: bool
) -> None:
    """Each of the four branches meets the foot, or refuses one beyond the span of its links."""
    x, y, z = foot = forward(geometry, q)
    distance = hypot(x, y)
    assume(distance > 2e-6)
    needed = hypot((distance if in_front else -distance) - geometry.coxa, z)
    nearest, farthest = abs(geometry.femur - geometry.tibia), geometry.femur + geometry.tibia
    rounding = 4e-15 * span(geometry)
    try:
        found = inverse(geometry, foot, knee_up=knee_up, in_front=in_front)
    except ReachError:
        assert not nearest + rounding < needed < farthest - rounding
    else:
        assert nearest - rounding < needed < farthest + rounding
        assert dist(forward(geometry, found), foot) <= rounding
        assert found[2] <= 0.0 if knee_up else found[2] >= 0.0
        radius = planar_radius(geometry, found)
        assert radius > 0.0 if in_front else radius < 0.0


@pytest.mark.parametrize('knee_up', [True, False])
@pytest.mark.parametrize('angle', [0.0, 0.1, pi / 2, -2.0, pi])
@pytest.mark.parametrize(('femur', 'tibia'), [(0.06, 0.10), (0.10, 0.06), (0.08, 0.08)])
def test_meets_its_edges_exactly(
    *, femur: float, tibia: float, angle: float, knee_up: bool
) -> None:
    """Exactly stretched and exactly folded links, and one ulp beyond, leave no residual."""
    farthest, nearest = femur + tibia, abs(femur - tibia)
    for distance in (
        farthest,
        nextafter(farthest, inf),
        nearest,
        max(0.0, nextafter(nearest, -inf)),
    ):
        r, z = distance * cos(angle), distance * sin(angle)
        q2, q3 = two_links(femur, tibia, r, z, knee_up=knee_up)
        tip = (femur * cos(q2) + tibia * cos(q2 + q3), femur * sin(q2) + tibia * sin(q2 + q3))
        assert dist(tip, (r, z)) <= 4e-16


@given(st.floats(0.02, 0.3), st.floats(1e-14, 1e-8))
def test_refuses_what_is_too_close_for_nearly_equal_links(femur: float, more: float) -> None:
    """Links that differ by nanometres do not claim the one point that they cannot touch."""
    with pytest.raises(ReachError, match='too close'):
        two_links(femur, femur + more, 0.0, 0.0)


def test_equal_links_touch_their_own_axis() -> None:
    """With femur = tibia the tip can lie on the femur axis: the leg folds flat."""
    x, y, z = forward(EQUAL, inverse(EQUAL, (EQUAL.coxa, 0.0, 0.0)))
    assert (x, y, z) == pytest.approx((EQUAL.coxa, 0.0, 0.0), abs=1e-16)


def test_names_excess_distance_and_span_of_a_foot_too_far() -> None:
    """A foot out of reach is refused with how much, how far, and what the leg spans."""
    with pytest.raises(ReachError, match=r'^40 mm out of reach: .* 200 mm .* span 160 mm$'):
        inverse(LEG, (0.23, 0.0, 0.0))
    with pytest.raises(ReachError, match='out of reach'):
        two_links(0.06, 0.10, 0.16 + 1e-12, 0.0)


def test_names_excess_distance_and_bound_of_a_foot_too_close() -> None:
    """A foot too close is refused with how much, how far, and what the folded leg needs."""
    with pytest.raises(ReachError, match=r'^30 mm too close: .* 10 mm .* needs 40 mm$'):
        inverse(LEG, (0.04, 0.0, 0.0))
    with pytest.raises(ReachError, match='too close'):
        two_links(0.06, 0.10, 0.04 - 1e-12, 0.0)


@pytest.mark.parametrize('value', [nan, inf, -inf])
@pytest.mark.parametrize('axis', [0, 1, 2])
def test_refuses_a_foot_that_is_nowhere(axis: int, value: float) -> None:
    """NaN and infinity never become joint angles."""
    foot = [0.1, 0.02, -0.05]
    foot[axis] = value
    with pytest.raises(ReachError, match='out of reach'):
        inverse(LEG, (foot[0], foot[1], foot[2]))


@pytest.mark.parametrize('free_coxa', [0.0, 0.7, -2.5])
@pytest.mark.parametrize('in_front', [True, False])
def test_keeps_the_coxa_while_the_foot_is_on_its_axis(*, free_coxa: float, in_front: bool) -> None:
    """On the coxa axis any coxa angle serves: the one held before stays, and the foot is met."""
    foot = (0.0, -0.0, -0.09)
    angles = inverse(LEG, foot, free_coxa=free_coxa, in_front=in_front)
    assert angles[0] == free_coxa
    assert dist(forward(LEG, angles), foot) <= 1e-16


def test_turns_the_coxa_again_beyond_a_micrometre() -> None:
    """Within 1 um of the axis the error stays below twice that; beyond, the coxa follows."""
    near = (0.0, 0.9e-6, -0.09)
    assert dist(forward(LEG, inverse(LEG, near)), near) < 2e-6
    assert inverse(LEG, (0.0, 1.1e-6, -0.09))[0] == pytest.approx(pi / 2, abs=1e-15)


@settings(max_examples=2 * settings().max_examples)
@given(geometries(), postures, st.tuples(*3 * [st.floats(-1.0, 1.0)]))
def test_joint_velocity_solves_the_jacobian(
    geometry: LegGeometry, q: Vector, velocity: Vector
) -> None:
    """The closed form equals numpy's solution of the linear system."""
    assume(abs(sin(q[2])) > 0.05)
    assume(abs(planar_radius(geometry, q)) > 0.05 * span(geometry))
    expected = np.linalg.solve(np.array(jacobian(geometry, q)), velocity)
    scale = max(1.0, float(np.abs(expected).max()))
    found = joint_velocity(geometry, q, velocity)
    np.testing.assert_allclose(found, expected, rtol=0.0, atol=1e-12 * scale)


@pytest.mark.parametrize('q3', [0.0, pi, -pi])
def test_refuses_a_velocity_of_links_in_line(q3: float) -> None:
    """Stretched and folded legs have no joint velocity, and say what is singular."""
    with pytest.raises(ReachError, match=r'singular: sin\(tibia angle\)'):
        joint_velocity(LEG, (0.2, 0.3, q3), (0.0, 0.1, 0.0))


def test_refuses_a_velocity_of_a_foot_on_the_coxa_axis() -> None:
    """A foot on the coxa axis cannot be moved sideways by the coxa, and is refused."""
    angles = inverse(LEG, (0.0, 0.0, -0.09))
    with pytest.raises(ReachError, match='from the coxa axis'):
        joint_velocity(LEG, angles, (0.0, 0.1, 0.0))
