# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The way of the feet to a posture of the description, from straight line to straight line.

No foot that stands is dragged. With its belly on the ground a robot sets all feet over at once, on
its feet one after another.
"""

from collections.abc import Generator, Iterator, Sequence
from math import dist

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.steps import Posture
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver

#: A foot that is set over is lifted by the first of these that its leg can do, m.
LIFTS = (0.02, 0.01, 0.005, 0.002)

#: A foot is where it shall be, or on the ground, within this, m.
THERE = 1e-4


def stages(robot: Robot, legs: Sequence[LegSolver], which: Posture, feet: Feet) -> Iterator[Feet]:
    """Give the feet at the ends of the lines, in `base_link`, m; the body is level.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers.
    which
        Of its postures.
    feet
        Where they are.

    """
    goal = (robot.standing if which is Posture.STANDING else robot.resting).feet
    if robot.stands:
        floor = -robot.resting.height
        lowest = min(z for _, _, z in feet)
        if lowest >= floor - THERE:
            ground = min(lowest, floor)
            elsewhere = _elsewhere(feet, goal, ground)
            yield from _set_over(legs, feet, goal, elsewhere, ground)
        elif which is Posture.STANDING:
            for index in _elsewhere(feet, goal, lowest):
                feet = yield from _set_over(legs, feet, goal, [index], lowest)
        else:
            for index in [index for index, (_, _, z) in enumerate(feet) if z > lowest + THERE]:
                feet = yield from _set_over(legs, feet, goal, [index], lowest)
            lying = tuple((x, y, floor) for x, y, _ in feet)
            yield lying
            yield from stages(robot, legs, which, lying)
    yield goal


def takes(leg: LegSolver, foot: Vector) -> bool:
    """Tell whether a foot can be somewhere, in `base_link`, m."""
    try:
        leg.angles(foot)
    except LegKinematicsError:
        return False
    return True


def _elsewhere(feet: Feet, goal: Feet, ground: float) -> list[int]:
    """Which feet do not stand on the ground below or above their goals."""
    pairs = enumerate(zip(feet, goal, strict=True))
    return [index for index, (foot, (x, y, _)) in pairs if dist(foot, (x, y, ground)) > THERE]


def _set_over(
    legs: Sequence[LegSolver], feet: Feet, goal: Feet, group: Sequence[int], ground: float
) -> Generator[Feet, None, Feet]:
    """Lift a group of feet, carry them to above their goals, put them on the ground; return all."""
    lifted, over, down = list(feet), list(feet), list(feet)
    for index in group:
        (x, y, z), (u, v, _) = feet[index], goal[index]
        above = ground + _lift(legs[index], ((x, y), (u, v)), ground)
        lifted[index], over[index], down[index] = (
            (x, y, max(z, above)),
            (u, v, above),
            (u, v, ground),
        )
    yield tuple(lifted)
    yield tuple(over)
    yield tuple(down)
    return tuple(down)


def _lift(leg: LegSolver, ends: Sequence[tuple[float, float]], ground: float) -> float:
    """How high a foot is lifted off the ground to be carried over it, m."""
    can = (lift for lift in LIFTS if all(takes(leg, (x, y, ground + lift)) for x, y in ends))
    return next(can, LIFTS[0])
