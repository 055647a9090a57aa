# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where the body of a walk is and where it goes, at one instant."""

from typing import NamedTuple

from leg_kinematics.gait.body_offset import Offset
from leg_kinematics.gait.planar import Pose, Twist


class BodyState(NamedTuple):
    """The body at one instant.

    Attributes
    ----------
    pose, twist
        Of the level body in the world.
    height
        Of the level body above z = 0, m.
    offset
        From the level body.

    """

    pose: Pose
    twist: Twist
    height: float
    offset: Offset

    def after(self, time: float) -> 'BodyState':
        """Let it go on like this for a time, s; a negative one leads back."""
        return BodyState(self.pose * self.twist.over(time), self.twist, self.height, self.offset)
