# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The robot that walks in these tests."""

from collections.abc import Callable
from math import hypot
from pathlib import Path

import pytest

from leg_kinematics.gait import GaitParameters, GaitState, Twist, Walker
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'


@pytest.fixture(scope='session')
def bracken() -> Robot:
    """Six legs, 2 kg."""
    return load_robot(BRACKEN)


@pytest.fixture(scope='session')
def bracken_legs(bracken: Robot) -> tuple[LegSolver, ...]:
    """Inverse kinematics of its legs."""
    return leg_solvers(bracken)


@pytest.fixture(scope='session')
def standing_walker(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> Callable[[GaitParameters], Walker]:
    """Make walkers that have just stood up."""

    def make(parameters: GaitParameters) -> Walker:
        walker = Walker(bracken, bracken_legs, parameters, bracken.resting.feet)
        walker.stand()
        # The feet of the resting posture are in their places: one tick of a whole rise is enough.
        walker.step(parameters.rise_time, Twist())
        assert walker.state is GaitState.STANDING
        return walker

    return make


@pytest.fixture(scope='session')
def acceleration_bound(bracken: Robot) -> Callable[[GaitParameters, Walker], float]:
    """Bound on the acceleration of any foot target in `base_link`, m/s^2.

    The swing is a minimum jerk motion (peak 5.7735 D/T^2, Flash and Hogan 1985) whose goal moves
    until 0.7 of it; the answer to a moving goal is the sum of the answers to its small shifts,
    each with the time that remained: 5.7735 g (1/0.3 - 1)/T for a goal moving at g m/s. To it
    come the rise 64 h (u - u^2)^3 (peak 24 h/T^2, by hand), the body's own acceleration, what
    turning adds, and the body's rise, which may be turned round at its fastest.
    """

    def bound(parameters: GaitParameters, walker: Walker) -> float:
        period, duty = parameters.period, parameters.duty_factor
        swing = (1.0 - duty) * period
        arm = max(hypot(x, y) + r for (x, y), r in zip(walker.neutral, walker.radii, strict=True))
        fastest = parameters.max_speed + parameters.max_yaw_rate * arm
        body = parameters.acceleration + parameters.yaw_acceleration * arm
        body += parameters.max_yaw_rate * fastest
        goal_speed = body * (swing + 0.5 * duty * period)
        # As far as the body goes in a cycle, or between two ends of the disc, seen from the body.
        span = min(fastest * period, 2.0 * max(walker.radii) / duty)
        foot = 1.875 * span / swing + fastest
        climb = bracken.standing.height - bracken.resting.height
        return (
            5.7735 * span / swing**2
            + 5.7735 * goal_speed * (1.0 / 0.3 - 1.0) / swing
            + 24.0 * parameters.lift / swing**2
            + body
            + 2.0 * parameters.max_yaw_rate * foot
            + 4.0 * 5.7735 * climb / parameters.rise_time**2
        )

    return bound
