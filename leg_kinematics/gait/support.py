# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the standing feet leave between the centre of mass and the edge of their polygon."""

from collections.abc import Sequence
from itertools import compress, pairwise
from math import inf

from leg_kinematics.gait.body_offset import Offset
from leg_kinematics.gait.phases import Cycle
from leg_kinematics.gait.planar import Point
from leg_kinematics.robot import Vector
from leg_kinematics.solver import static_margin

#: Events closer to each other than this are one, as a share of the cycle.
SAME = 1e-6


def least_margin(
    cycle: Cycle, walking: Sequence[bool], feet: Sequence[Point], centre: Point
) -> float:
    """Find the least static margin of a cycle whose feet stand at given points, m.

    A support polygon shrinks by no more than its feet move: wherever feet stand within a radius
    of these points, the margin is at most that radius less.

    Parameters
    ----------
    cycle
        Who stands when.
    walking
        Of each leg, whether it walks.
    feet
        Of each leg, m.
    centre
        Projection of the centre of mass, m.

    """
    legs = list(compress(range(len(feet)), walking))
    events = sorted(
        {(cycle.touchdown[leg] + share) % 1.0 for leg in legs for share in (0.0, cycle.duty_factor)}
    )
    least = inf
    for first, second in pairwise([*events, events[0] + 1.0]):
        if second - first > SAME:
            phase = 0.5 * (first + second)
            stand = [feet[leg] for leg in legs if not cycle.swinging(leg, phase)]
            least = min(least, static_margin(stand, centre))
    return least


def projected(centre: Vector, offset: Offset) -> Point:
    """Project the centre of mass, given in the body, along the vertical of the level body, m."""
    x, y, _ = offset.place(centre)
    return (x, y)
