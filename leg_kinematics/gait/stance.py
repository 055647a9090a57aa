# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Feet that stand, or are about to land: the body may go only where they stay in reach.

Slower is always allowed, so that this can never trap the robot.
"""

from collections.abc import Sequence
from math import dist
from typing import NamedTuple

from leg_kinematics.gait.planar import Point, Twist

#: In which the part of a change that is allowed is sought: to 1/4096 of what a tick may change.
HALVINGS = 12


class Stance(NamedTuple):
    """A foot whose footprint is settled, seen from the body.

    Attributes
    ----------
    neutral, place
        Its neutral point and its footprint, m.
    time
        Until it is lifted, s.
    room
        How far from its neutral point it may be then, m.

    """

    neutral: Point
    place: Point
    time: float
    room: float

    def allows(self, twist: Twist) -> bool:
        """Tell whether the foot is in reach when it is lifted, if the body goes on like this."""
        return dist(twist.over(self.time).locate(self.place), self.neutral) <= self.room


def allowed(twist: Twist, stances: Sequence[Stance]) -> bool:
    """Tell whether all feet allow a twist."""
    return all(stance.allows(twist) for stance in stances)


def as_far_as_allowed(
    current: Twist, target: Twist, fraction: float, stances: Sequence[Stance]
) -> Twist:
    """Go from a twist that is allowed by a fraction of the way to another, or by less of it."""
    low, high = 0.0, fraction
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if allowed(current.towards(target, middle), stances):
            low = middle
        else:
            high = middle
    return current.towards(target, low)
