# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Loads: torque of the joints against their stall, and the support margin."""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.design.steady_walk import SteadyWalk
from leg_kinematics.errors import BalanceError
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, centre_of_mass, static_margin
from leg_kinematics.solver.statics.load import standing_loads

Array = NDArray[np.float64]

#: Rubber or plastic feet on a dry floor (common practice, no source).
FRICTION = 0.6

# A hobby servo that holds more than half of its stall torque for long overheats, and one near its
# stall neither moves nor holds its place (common practice, no source). In a walk the load comes
# and goes.
STANDING = Bounds(good=0.50, bound=0.70)
WALKING = Bounds(good=0.75, bound=0.90)

#: Slip, sag and what the robot carries move the centre of mass by some millimetres (our own).
SUPPORT = Bounds(good=0.015, bound=0.005)

GROUP = 'stall torque used'

REMEDY = 'stronger servos, less mass, feet closer to the body, shorter femur'


def standing_torque(
    robot: Robot, legs: Sequence[LegSolver], postures: Iterable[Sequence[Vector]]
) -> Finding:
    """Worst share of stall torque on all feet, from resting to standing."""
    everyone = (True,) * len(legs)
    name = 'up to standing'
    try:
        shares = [stall_shares(robot, legs, angles, everyone) for angles in postures]
    except BalanceError as error:
        return Finding(GROUP, name, None, 'of stall', STANDING, detail=str(error), remedy=REMEDY)
    value, joint = _worst(robot, shares)
    return Finding(GROUP, name, value, 'of stall', STANDING, detail=joint, remedy=REMEDY)


def walking_torque(robot: Robot, legs: Sequence[LegSolver], walks: Sequence[SteadyWalk]) -> Finding:
    """Worst share of stall torque over the cycles of walks, each posture as if held."""
    name = f'walking, at {walks[0].duty_factor:.2f}'
    worst = []
    for walk in walks:
        try:
            shares = walking_shares(robot, legs, walk)
        except BalanceError as error:
            detail = f'{walk.heading}: {error}'
            return Finding(GROUP, name, None, 'of stall', WALKING, detail=detail, remedy=REMEDY)
        value, joint = _worst(robot, list(shares))
        worst.append((value, f'{joint}, {walk.heading}'))
    value, detail = max(worst)
    return Finding(GROUP, name, value, 'of stall', WALKING, detail=detail, remedy=REMEDY)


def walking_shares(robot: Robot, legs: Sequence[LegSolver], walk: SteadyWalk) -> Array:
    """Share of stall torque at each instant, shape (instants, legs, 3).

    Raises
    ------
    BalanceError
        The standing feet cannot carry the robot.

    """
    return np.array([stall_shares(robot, legs, *posture) for posture in walk.postures()])


def stall_shares(
    robot: Robot, legs: Sequence[LegSolver], angles: Sequence[Vector], standing: Sequence[bool]
) -> Array:
    """Share of stall torque that holds a posture, shape (legs, 3)."""
    return 1.0 - np.array(standing_loads(robot, legs, angles, standing, FRICTION).margins)


def _worst(robot: Robot, shares: Sequence[Array]) -> tuple[float, str]:
    worst = np.max(shares, axis=0)
    return float(worst.max()), robot.joints[int(worst.argmax())]


def support_finding(
    robot: Robot, legs: Sequence[LegSolver], walks: Sequence[SteadyWalk]
) -> Finding:
    """Smallest static margin over the cycles of walks with one duty factor."""
    margins = []
    for walk in walks:
        for phase, feet, (angles, standing) in zip(
            walk.phases.tolist(), walk.feet.tolist(), walk.postures(), strict=True
        ):
            ground = [(foot[0], foot[1]) for foot, on in zip(feet, standing, strict=True) if on]
            x, y, _ = centre_of_mass(robot, legs, angles)
            margins.append((static_margin(ground, (x, y)), f'{walk.heading}, phase {phase:.2f}'))
    value, detail = min(margins)
    return Finding(
        'support margin',
        f'duty factor {walks[0].duty_factor:.2f}',
        value,
        'm',
        SUPPORT,
        detail=detail,
        remedy='centre of mass nearer to the middle, feet farther out, shorter strides, a higher '
        'duty factor',
    )
