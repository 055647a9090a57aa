# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How far a foot may stray from where it stands: the disc that the leg can surely use."""

from collections.abc import Sequence
from math import cos, hypot, pi, sin

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.gait.body_offset import LEVEL, Offset
from leg_kinematics.robot import Vector
from leg_kinematics.solver import LegSolver

DIRECTIONS = 32
HALVINGS = 12

#: Neighbouring feet keep a tenth of their distance even when both stray towards each other.
SHARE_OF_NEIGHBOUR = 0.45


def stride_radii(
    legs: Sequence[LegSolver], neutral: Sequence[Vector], lift: float, offset: Offset = LEVEL
) -> tuple[float, ...]:
    """Radius of the largest usable disc around each neutral foot.

    Every point of the disc's rim can be taken on the ground and lifted, and the discs of two
    legs do not meet.

    Parameters
    ----------
    legs
        Solvers.
    neutral
        Where each foot stands, in `base_link`, m.
    lift
        How high a swinging foot is raised, m.
    offset
        Of the body from the level pose in which the neutral feet are given.

    Returns
    -------
    tuple of float
        m, one a leg.

    """
    return tuple(
        min(
            _reachable_radius(leg, foot, lift, offset),
            *(
                SHARE_OF_NEIGHBOUR * hypot(foot[0] - other[0], foot[1] - other[1])
                for other in neutral
                if other is not foot
            ),
        )
        if len(neutral) > 1
        else _reachable_radius(leg, foot, lift, offset)
        for leg, foot in zip(legs, neutral, strict=True)
    )


def _reachable_radius(leg: LegSolver, foot: Vector, lift: float, offset: Offset) -> float:
    low, high = 0.0, leg.geometry.coxa + leg.geometry.femur + leg.geometry.tibia
    for _ in range(HALVINGS):
        radius = 0.5 * (low + high)
        if _rim_is_reachable(leg, foot, radius, lift, offset):
            low = radius
        else:
            high = radius
    return low


def _rim_is_reachable(
    leg: LegSolver, foot: Vector, radius: float, lift: float, offset: Offset
) -> bool:
    for step in range(DIRECTIONS):
        angle = 2.0 * pi * step / DIRECTIONS
        x, y = foot[0] + radius * cos(angle), foot[1] + radius * sin(angle)
        for z in (foot[2], foot[2] + lift):
            try:
                leg.angles(offset.see((x, y, z)))
            except LegKinematicsError:
                return False
    return True
