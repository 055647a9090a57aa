# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The legs of bracken, their limits, and the postures of a description."""

from dataclasses import replace
from math import dist, inf, nan, radians
from pathlib import Path

import pytest

from leg_kinematics.errors import DescriptionError, JointLimitError, MapRangeError, ReachError
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers, posture_angles

BRACKEN = Path(__file__).parents[3] / 'config' / 'robots' / 'bracken.yaml'


@pytest.fixture(scope='module')
def robot() -> Robot:
    """Load the example robot."""
    return load_robot(BRACKEN)


@pytest.fixture(scope='module')
def leg(robot: Robot) -> LegSolver:
    """Solve its left front leg, which stands askew to the body."""
    return leg_solvers(robot)[0]


def test_solves_legs_in_the_order_of_the_description(robot: Robot) -> None:
    """Names and joints follow the description, so that a row of angles is a row of joints."""
    solvers = leg_solvers(robot)
    assert tuple(solver.name for solver in solvers) == robot.leg_names
    assert tuple(joint for solver in solvers for joint in solver.joints) == robot.joints


@pytest.mark.parametrize('which', ['resting', 'standing'])
def test_places_the_feet_of_a_posture(robot: Robot, which: str) -> None:
    """The angles of a posture put every foot where the description wants it."""
    solvers = leg_solvers(robot)
    posture = {'resting': robot.resting, 'standing': robot.standing}[which]
    angles = posture_angles(robot, solvers, which)
    for solver, q, foot in zip(solvers, angles, posture.feet, strict=True):
        assert dist(solver.foot(q), foot) < 1e-15


@pytest.mark.parametrize(
    ('segment', 'angle', 'excess'),
    [(0, 61.0, 1.0), (0, -60.25, 0.25), (1, 95.001, 0.001), (2, -4.0, 1.0), (2, -150.5, 0.5)],
)
def test_limit_error_names_joint_value_excess_and_bounds(
    leg: LegSolver, segment: int, angle: float, excess: float
) -> None:
    """A joint beyond its limit is refused with its name, its angle, by how much, and bounds."""
    angles = [0.0, 0.0, radians(-90.0)]
    angles[segment] = radians(angle)
    with pytest.raises(JointLimitError) as caught:
        leg.check((angles[0], angles[1], angles[2]))
    low, high = ((-60, 60), (-60, 95), (-150, -5))[segment]
    assert str(caught.value) == (
        f'{leg.joints[segment]} would stand at {angle:.2f} deg, {excess:g} deg beyond its limits, '
        f'{low:.2f} to {high:.2f} deg'
    )


def test_accepts_a_joint_at_its_very_limit(leg: LegSolver) -> None:
    """A foot placed with a joint at its limit is found again, rounding included."""
    for coxa in leg.limits[0]:
        for femur in leg.limits[1]:
            leg.check((coxa, femur, leg.limits[2][1]))
        q = (coxa, 0.2, leg.limits[2][1])
        assert leg.angles(leg.foot(q)) == pytest.approx(q, abs=1e-12)


@pytest.mark.parametrize('value', [nan, inf, -inf])
def test_refuses_an_angle_that_is_not_finite(leg: LegSolver, value: float) -> None:
    """NaN and infinity are beyond every limit."""
    with pytest.raises(JointLimitError, match='left_front_femur would stand at'):
        leg.check((0.0, value, -1.0))


def test_map_error_names_joint_value_and_what_the_map_expresses(robot: Robot) -> None:
    """An angle within its limits but beyond the servo map is refused as such."""
    expressible = dict.fromkeys(robot.joints, (-inf, inf))
    expressible['left_front_femur'] = (radians(-20.0), radians(30.0))
    leg = leg_solvers(robot, expressible)[0]
    leg.check((0.0, radians(30.0), -1.0))
    with pytest.raises(MapRangeError) as caught:
        leg.check((0.0, radians(40.0), -1.0))
    assert str(caught.value) == (
        'left_front_femur would stand at 40.00 deg, 10 deg beyond what its servo map can '
        'express, -20.00 to 30.00 deg'
    )


def test_limits_bind_before_the_servo_map(robot: Robot) -> None:
    """A servo map wider than the limits of the description does not widen them."""
    leg = leg_solvers(robot, dict.fromkeys(robot.joints, (-3.0, 3.0)))[0]
    with pytest.raises(JointLimitError):
        leg.check((1.5, 0.0, -1.0))


def test_reach_error_names_the_leg(leg: LegSolver) -> None:
    """A foot out of reach is refused with the name of the leg."""
    with pytest.raises(ReachError, match=r'^left_front: .* mm out of reach'):
        leg.angles((1.0, 1.0, 0.0))


def test_velocity_moves_the_foot_as_asked(leg: LegSolver) -> None:
    """A small step along the joint velocities is the step of the foot in the body frame."""
    q, velocity, step = (0.3, 0.4, -1.5), (0.05, -0.02, 0.03), 1e-5
    rates = leg.velocity(q, velocity)
    ahead, behind = (
        leg.foot((q[0] + h * rates[0], q[1] + h * rates[1], q[2] + h * rates[2]))
        for h in (step, -step)
    )
    moved = [(a - b) / (2.0 * step) for a, b in zip(ahead, behind, strict=True)]
    assert moved == pytest.approx(velocity, abs=1e-9)


def test_singular_velocity_names_the_leg(leg: LegSolver) -> None:
    """A stretched leg has no joint velocity; the message names the leg."""
    with pytest.raises(ReachError, match=r'^left_front: singular'):
        leg.velocity((0.0, 0.0, 0.0), (0.1, 0.0, 0.0))


@pytest.mark.parametrize(
    ('which', 'old', 'new', 'reason'),
    [
        ('standing', 'height: 85 mm', 'height: 300 mm', 'left_front: .* mm out of reach'),
        ('resting', 'height: 30 mm', 'height: 1 mm', 'left_front_femur would stand at .* beyond'),
    ],
)
def test_posture_error_names_file_line_and_cause(
    tmp_path: Path, which: str, old: str, new: str, reason: str
) -> None:
    """A posture that cannot be taken is an error of its line in the description."""
    text = BRACKEN.read_text(encoding='utf-8').replace(old, new)
    if which == 'resting':
        text = text.replace('limits: [-60 deg, 95 deg]', 'limits: [-60 deg, 20 deg]')
    file = tmp_path / 'robot.yaml'
    file.write_text(text, encoding='utf-8')
    robot = load_robot(file)
    with pytest.raises(DescriptionError, match=reason) as caught:
        posture_angles(robot, leg_solvers(robot), which)
    line = text.splitlines().index(f'{which}:') + 1
    assert str(caught.value).startswith(f'{file}:{line}: {which}: ')


def test_posture_error_tells_a_servo_map_from_a_limit(robot: Robot) -> None:
    """A posture that only the servo map forbids says so."""
    expressible = dict.fromkeys(robot.joints, (-3.0, 3.0))
    expressible['right_rear_tibia'] = (-0.5, 0.0)
    with pytest.raises(DescriptionError, match=r'right_rear_tibia .* servo map can express'):
        posture_angles(robot, leg_solvers(robot, expressible), 'standing')


def test_solves_each_leg_at_its_own_mount(robot: Robot) -> None:
    """The same angles on a leg that is mounted elsewhere move the foot by the same offset."""
    first = robot.legs[0]
    x, y, z = first.mount.position
    moved = replace(first, mount=replace(first.mount, position=(x + 1.0, y, z)))
    here, there = leg_solvers(replace(robot, legs=(first, moved)))
    foot, other = here.foot((0.1, 0.2, -1.0)), there.foot((0.1, 0.2, -1.0))
    assert (other[0] - foot[0], *other[1:]) == pytest.approx((1.0, *foot[1:]), abs=1e-15)
