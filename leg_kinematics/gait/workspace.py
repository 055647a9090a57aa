# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How far a foot may stray from where it stands: the disc that the leg can surely use."""

from collections.abc import Sequence
from math import hypot, tau

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.gait.body_offset import LEVEL, Offset
from leg_kinematics.robot import Vector
from leg_kinematics.solver import LegSolver, solve_batch

Array = NDArray[np.float64]

#: In which the rim is looked at. Between two of them a disc passes a straight edge of the reach by
#: up to 1 - cos(pi / 32) of its radius, 0.5 %; a walk leaves more than that unused.
DIRECTIONS = 32

#: The radius is sought in rounds, each a number of times finer than the one before: to 1/4096 of
#: the stretched leg.
ROUNDS, STEPS = 3, 16

#: Neighbouring feet keep a tenth of their distance even when both stray towards each other.
SHARE_OF_NEIGHBOUR = 0.45


def stride_radii(
    legs: Sequence[LegSolver],
    neutral: Sequence[Vector],
    lift: float,
    offset: Offset = LEVEL,
    depth: float = 0.0,
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
    depth
        How far the ground may be below, m.

    Returns
    -------
    tuple of float
        m, one a leg.

    """
    return tuple(
        min(
            [
                _reachable_radius(leg, foot, (-depth, 0.0, lift), offset),
                *(
                    SHARE_OF_NEIGHBOUR * hypot(foot[0] - other[0], foot[1] - other[1])
                    for other in neutral
                    if other is not foot
                ),
            ]
        )
        for leg, foot in zip(legs, neutral, strict=True)
    )


def _reachable_radius(
    leg: LegSolver, foot: Vector, heights: Sequence[float], offset: Offset
) -> float:
    # Seen from the body: the middle of the disc at each height, and its rim at a radius of 1.
    turn = np.array(offset.rotation)
    angles = np.arange(DIRECTIONS) * tau / DIRECTIONS
    rim = np.stack((np.cos(angles), np.sin(angles), np.zeros(DIRECTIONS)), axis=-1) @ turn
    middles = np.array([offset.see((foot[0], foot[1], foot[2] + height)) for height in heights])
    low, step = 0.0, leg.geometry.stretched
    for _ in range(ROUNDS):
        step /= STEPS
        radii = low + step * np.arange(1, STEPS + 1)
        points = middles[:, np.newaxis] + radii[:, np.newaxis, np.newaxis, np.newaxis] * rim
        reached = solve_batch(leg, points.reshape(-1, 3)).reached.reshape(STEPS, -1).all(axis=-1)
        low += step * (STEPS if reached.all() else int(reached.argmin()))
    return low
