# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The way of the feet to a posture of the description, from straight line to straight line.

No foot that stands is dragged. With its belly on the ground a robot sets all feet over at once, on
its feet one after another.
"""

from collections.abc import Generator, Iterator, Sequence
from math import dist

from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.steps import Posture
from leg_kinematics.robot import Robot

#: A foot that is set over is lifted so high, m.
LIFT = 0.02

#: A foot is where it shall be, or on the ground, within this, m.
THERE = 1e-4

#: Robots with fewer legs do not stand on their feet.
FEWEST_STANDING = 3


def stages(robot: Robot, which: Posture, feet: Feet) -> Iterator[Feet]:
    """Give the feet at the ends of the lines, in `base_link`, m; the body is level.

    Parameters
    ----------
    robot
        The description.
    which
        Of its postures.
    feet
        Where they are.

    """
    goal = (robot.standing if which is Posture.STANDING else robot.resting).feet
    if len(feet) >= FEWEST_STANDING:
        floor = -robot.resting.height
        lowest = min(z for _, _, z in feet)
        if lowest >= floor - THERE:
            ground = min(lowest, floor)
            elsewhere = _elsewhere(feet, goal, ground)
            yield from _set_over(feet, goal, elsewhere, ground)
        elif which is Posture.STANDING:
            for index in _elsewhere(feet, goal, lowest):
                feet = yield from _set_over(feet, goal, [index], lowest)
        else:
            for index in [index for index, (_, _, z) in enumerate(feet) if z > lowest + THERE]:
                feet = yield from _set_over(feet, goal, [index], lowest)
            lying = tuple((x, y, floor) for x, y, _ in feet)
            yield lying
            yield from stages(robot, which, lying)
    yield goal


def _elsewhere(feet: Feet, goal: Feet, ground: float) -> list[int]:
    """Which feet do not stand on the ground below or above their goals."""
    pairs = enumerate(zip(feet, goal, strict=True))
    return [index for index, (foot, (x, y, _)) in pairs if dist(foot, (x, y, ground)) > THERE]


def _set_over(
    feet: Feet, goal: Feet, group: Sequence[int], ground: float
) -> Generator[Feet, None, Feet]:
    """Lift a group of feet, carry them to above their goals, put them on the ground; return all."""
    if not group:
        return feet
    lifted, over, down = list(feet), list(feet), list(feet)
    for index in group:
        (x, y, z), (u, v, _), above = feet[index], goal[index], ground + LIFT
        lifted[index], over[index], down[index] = (
            (x, y, max(z, above)),
            (u, v, above),
            (u, v, ground),
        )
    yield tuple(lifted)
    yield tuple(over)
    yield tuple(down)
    return tuple(down)
