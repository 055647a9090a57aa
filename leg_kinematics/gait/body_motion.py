# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How `base_link` moves in `odom`, with all that lifts, shifts and tilts the body over its feet."""

from dataclasses import dataclass

from leg_kinematics.gait.sample import GaitSample
from leg_kinematics.robot import Vector


@dataclass(frozen=True, slots=True)
class BodyMotion:
    """Pose and twist of `base_link`.

    Attributes
    ----------
    position
        In `odom`, whose ground is z = 0, m.
    rpy
        Fixed-axis roll, pitch and yaw in `odom`, rad.
    linear, angular
        Velocity of the origin and turning, along the axes of `base_link`, m/s and rad/s.

    """

    position: Vector
    rpy: Vector
    linear: Vector
    angular: Vector

    @classmethod
    def of(cls, sample: GaitSample) -> 'BodyMotion':
        """Put the parts of a tick together."""
        offset, rate = sample.offset, sample.offset_rate
        (sx, sy, sz), (roll, pitch, yaw) = offset.shift, offset.rpy
        x, y = sample.pose.place((sx, sy))
        u, v = sample.twist.at((sx, sy))
        du, dv, dw = rate.shift
        turn_x, turn_y, turn_z = offset.turn_rate(rate.rpy)
        return cls(
            (x, y, sample.height + sz),
            (roll, pitch, sample.pose.yaw + yaw),
            offset.turn_back((u + du, v + dv, sample.height_rate + dw)),
            offset.turn_back((turn_x, turn_y, turn_z + sample.twist.yaw)),
        )
