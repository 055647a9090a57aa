# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The walk of a demonstration: in every direction, at a share of what the robot can do."""

from dataclasses import dataclass, replace

from leg_kinematics.design.design import FEWEST_LEGS, Design
from leg_kinematics.design.steady_walk import standing_walker
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist

#: Directions, each faster than any robot walks, with the time to walk so, s, and in words.
DIRECTIONS = (
    (Twist(x=10.0), 8.0, 'walking forward'),
    (Twist(y=10.0), 6.0, 'walking sideways'),
    (Twist(yaw=50.0), 6.0, 'turning'),
    (Twist(x=10.0, yaw=35.0), 8.0, 'walking an arc'),
)

STOPPING_TIME = 3.0

#: Of the fastest walk in a direction.
SHARE = 2.0 / 3.0

#: A robot that is slower than this does not walk, m/s.
LEAST_SPEED = 1e-3

TICK = 0.02

#: On average, with what is lost to rounding.
FEET_DOWN = 3.0 - 1e-9

#: The velocity is looked at when it has been asked for over so many cycles.
CYCLES = 3


@dataclass(frozen=True)
class Tour:
    """A walk through all directions.

    Attributes
    ----------
    duty_factor
        To walk with.
    parts
        Body velocity, how long it is commanded, s, and what that is in words.

    """

    duty_factor: float
    parts: tuple[tuple[Twist, float, str], ...]

    @property
    def length(self) -> float:
        """Length of the way, m, as if every velocity were reached at once."""
        return sum(twist.speed * seconds for twist, seconds, _ in self.parts)


def plan_tour(design: Design) -> Tour:
    """Plan a walk that suits a robot, with the smallest duty factor that it walks with.

    That is at least the one of the parameters, and three feet stand on average.

    Raises
    ------
    LegKinematicsError
        The robot has fewer than four legs, one that is not wired, or cannot walk; the message says
        why.

    """
    robot = design.robot
    if design.maps is not None and design.maps.not_wired:
        raise CommandError(f'a walk needs every leg: {design.maps.not_wired_in_words}')
    if len(robot.legs) < FEWEST_LEGS:
        legs = 'leg' if len(robot.legs) == 1 else 'legs'
        raise CommandError(f'{robot.name} has {len(robot.legs)} {legs}; {design.lack_of_legs}')
    reason = ''
    steady = [each for each in design.duty_factors if each * len(robot.legs) >= FEET_DOWN]
    # With phases of the user's own there is one duty factor, and the gait judges it.
    for duty_factor in steady or design.duty_factors:
        parts = []
        for direction, seconds, words in DIRECTIONS:
            twist, limit = fastest_walk(design, duty_factor, direction)
            parts.append((twist.scaled(SHARE), seconds, words))
            reason = reason or limit
        if parts[0][0].speed > LEAST_SPEED:
            return Tour(duty_factor, (*parts, (Twist(), STOPPING_TIME, 'stopping')))
    reason = '; '.join(filter(None, (reason, design.lack_of_legs)))
    raise CommandError(
        f'{robot.name} cannot walk with these parameters of the gait: {reason}; '
        '`leg-kinematics check` says what would help'
    )


def fastest_walk(design: Design, duty_factor: float, direction: Twist) -> tuple[Twist, str]:
    """Let the gait walk on its own, and see how fast it does so, and what limits it."""
    parameters = replace(design.parameters, duty_factor=duty_factor)
    walker = standing_walker(design.robot, design.legs, parameters)
    cycle = parameters.swing_time / (1.0 - duty_factor)
    sample = walker.step(TICK, direction)
    for _ in range(round(CYCLES * cycle / TICK)):
        sample = walker.step(TICK, direction)
    return sample.twist, sample.limit
