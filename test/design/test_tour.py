# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The walk of a demonstration suits the robot that walks it, or says why there is none."""

from dataclasses import replace
from pathlib import Path

import pytest

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.design.design import Design
from leg_kinematics.design.tour import plan_tour
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters
from leg_kinematics.robot import Robot, load_robot

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'

#: One with four legs balances on an edge, so that its least margin must be below zero.
EDGE = GaitParameters(min_margin=-0.02)


def robot_with(*names: str) -> Robot:
    """Return bracken with some of its legs."""
    return load_robot(BRACKEN).part(names)


FOUR = ('left_front', 'left_rear', 'right_front', 'right_rear')


@pytest.mark.parametrize(('speed', 'rate'), [(0.12, 0.6), (0.03, 0.15)])
def test_a_robot_walks_at_two_thirds_of_what_it_can(speed: float, rate: float) -> None:
    """By hand, where the bounds of speed and yaw rate are what binds; and it stops in the end."""
    robot = load_robot(BRACKEN)
    parameters = GaitParameters(max_speed=speed, max_yaw_rate=rate)
    tour = plan_tour(Design(robot, None, parameters))
    (forward, _, _), (sideways, _, _), (turn, _, _), (arc, _, _), (stop, _, _) = tour.parts
    assert forward.x == pytest.approx(speed / 1.5)
    assert turn.yaw == pytest.approx(rate / 1.5)
    assert 0.0 < sideways.y <= speed / 1.5 + 1e-9
    assert arc.x > 0.0
    assert arc.yaw > 0.0
    assert not stop
    assert tour.duty_factor == parameters.duty_factor
    expected = sum((abs(twist.x) + abs(twist.y)) * seconds for twist, seconds, _ in tour.parts)
    assert tour.length == pytest.approx(expected)


def test_four_legs_walk_with_three_feet_on_the_ground() -> None:
    """By hand: 3/4 of the cycle or more each, of which 5/6 is the next that the gait knows."""
    robot = robot_with(*FOUR)
    tour = plan_tour(Design(robot, None, EDGE))
    assert tour.duty_factor == pytest.approx(5.0 / 6.0)
    assert tour.length > 0.1


def test_the_duty_factor_of_the_parameters_is_kept() -> None:
    """It is not lowered to a faster one."""
    robot = load_robot(BRACKEN)
    tour = plan_tour(Design(robot, None, GaitParameters(duty_factor=0.75)))
    assert tour.duty_factor == 0.75


def test_a_walk_needs_every_leg() -> None:
    """A robot with a leg that is not wired is refused, by the name of the leg."""
    robot = load_robot(BRACKEN)
    maps = load_servo_maps(BRACKEN.parents[1] / 'servo_maps' / 'bracken.yaml', robot)
    with pytest.raises(CommandError, match='needs every leg: left_rear is not wired'):
        plan_tour(Design(robot, replace(maps, not_wired=('left_rear',)), GaitParameters()))


@pytest.mark.parametrize(
    ('robot', 'parameters', 'words'),
    [
        (robot_with('left_front', 'right_front', 'left_rear'), EDGE, 'has 3 legs'),
        (robot_with(*FOUR), GaitParameters(), 'bracken cannot walk .* min_margin below zero'),
        (
            robot_with(*FOUR),
            GaitParameters(phases=dict(zip(FOUR, (0.0, 0.25, 0.5, 0.75), strict=True))),
            'bracken cannot walk .* to keep a margin of 10 mm',
        ),
    ],
)
def test_a_robot_that_cannot_walk_is_refused(
    robot: Robot, parameters: GaitParameters, words: str
) -> None:
    """With the reason."""
    with pytest.raises(CommandError, match=words):
        plan_tour(Design(robot, None, parameters))
