# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The robots that walk in these tests."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import cos, hypot, pi, sin
from pathlib import Path
from typing import Protocol, Self

import pytest

from leg_kinematics.gait import GaitParameters, GaitState, Twist, Walker
from leg_kinematics.robot import Mount, Posture, Robot, Vector, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'


class MakeRobot(Protocol):
    """Makes a robot with legs like those of bracken, mounted elsewhere."""

    def __call__(self, mounts: Sequence[tuple[float, float, float]]) -> Robot:
        """Take x, y (m) and yaw (rad) of each mount of the left side, from the front.

        The right side is its mirror image. The feet stand as far from their mounts as those of
        bracken.
        """


@pytest.fixture(scope='session')
def make_robot(bracken: Robot) -> MakeRobot:
    """Build robots of any number of pairs."""

    def make(mounts: Sequence[tuple[float, float, float]]) -> Robot:
        legs, feet = [], []
        for side, sign in (('left', 1.0), ('right', -1.0)):
            for place, (x, y, yaw) in enumerate(mounts):
                mount = Mount((x, sign * y, 0.0), (0.0, 0.0, sign * yaw))
                legs.append(replace(bracken.legs[0], name=f'{side}_{place}', mount=mount))
                feet.append((x + 0.125 * cos(yaw), sign * (y + 0.125 * sin(yaw))))

        def posture(height: float) -> Posture:
            places: tuple[Vector, ...] = tuple((x, y, -height) for x, y in feet)
            return Posture(height, places)

        return Robot(
            f'robot_of_{len(legs)}',
            bracken.body,
            tuple(legs),
            posture(bracken.resting.height),
            posture(bracken.standing.height),
            bracken.document,
        )

    return make


@pytest.fixture(scope='session')
def make_straight_robot(make_robot: MakeRobot) -> Callable[[int, float], Robot]:
    """Make robots of so many pairs with a pitch, m, whose feet stand in two straight rows."""

    def make(pairs: int, pitch: float) -> Robot:
        return make_robot(
            [(pitch * (0.5 * (pairs - 1) - place), 0.08, pi / 2.0) for place in range(pairs)]
        )

    return make


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
        walker.step(parameters.stand_time, Twist())
        assert walker.state is GaitState.STANDING
        return walker

    return make


@dataclass(frozen=True)
class Extremes:
    """What a walk can ask of a swing, by its parameters.

    Attributes
    ----------
    span
        Farthest way from liftoff to the first goal, over the ground, m.
    goal_speed
        Fastest that the goal moves, m/s.
    fastest, body
        Speed and acceleration of the ground seen from the body, m/s and m/s^2.

    """

    span: float
    goal_speed: float
    fastest: float
    body: float

    @classmethod
    def of(cls, parameters: GaitParameters, walker: Walker) -> Self:
        """Derive them."""
        duty, swing = parameters.duty_factor, parameters.swing_time
        period = swing / (1.0 - duty)
        arm = max(hypot(x, y) + r for (x, y), r in zip(walker.neutral, walker.radii, strict=True))
        fastest = parameters.max_speed + parameters.max_yaw_rate * arm
        body = parameters.acceleration + parameters.yaw_acceleration * arm
        body += parameters.max_yaw_rate * fastest
        # As far as the body goes in a cycle, or from the farthest place where a foot lifts: in a
        # steady walk the edge of its disc, after hard changes of the command up to 1.3 of it.
        span = min(fastest * period, (2.0 / duty + 0.3) * max(walker.radii))
        return cls(span, body * (swing + 0.5 * duty * period), fastest, body)


@pytest.fixture(scope='session')
def landing_speed_bound() -> Callable[[GaitParameters, Walker, float], float]:
    """Bound on the speed over the ground of a foot within dt of liftoff or touchdown, m/s.

    A minimum jerk motion over D in T has the speed 30 u^2 (1-u)^2 D/T, at most 30 dt^2 D/T^3
    within dt of its ends. The goal moves until 0.7 of the swing; the answer to a moving goal is
    the sum of the answers to its small shifts, each with the time that remained: the integral of
    30 dt^2 g/(T-t)^3, which is 15 dt^2 g (1/0.3^2 - 1)/T^2 for a goal moving at g m/s.
    """

    def bound(parameters: GaitParameters, walker: Walker, dt: float) -> float:
        extremes = Extremes.of(parameters, walker)
        swing = parameters.swing_time
        return (
            30.0 * dt**2 * extremes.span / swing**3
            + 15.0 * dt**2 * extremes.goal_speed * (1.0 / 0.3**2 - 1.0) / swing**2
        )

    return bound


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
        swing = parameters.swing_time
        extremes = Extremes.of(parameters, walker)
        foot = 1.875 * extremes.span / swing + extremes.fastest
        climb = bracken.standing.height - bracken.resting.height
        return (
            5.7735 * extremes.span / swing**2
            + 5.7735 * extremes.goal_speed * (1.0 / 0.3 - 1.0) / swing
            + 24.0 * parameters.lift / swing**2
            + extremes.body
            + 2.0 * parameters.max_yaw_rate * foot
            + 4.0 * 5.7735 * climb / parameters.stand_time**2
        )

    return bound
