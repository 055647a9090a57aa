# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The outcome of one tick of the gait, and how `base_link` moves by it."""

from dataclasses import dataclass
from enum import StrEnum

from leg_kinematics.gait.body import LEVEL, Offset
from leg_kinematics.gait.planar import Pose, Twist
from leg_kinematics.robot import Vector


class GaitState(StrEnum):
    """What the gait is doing."""

    RESTING = 'resting'
    STANDING_UP = 'standing_up'
    STANDING = 'standing'
    WALKING = 'walking'
    CROUCHING = 'crouching'


@dataclass(frozen=True, slots=True)
class GaitSample:
    """The outcome of one tick.

    Attributes
    ----------
    feet
        Targets in `base_link`, m, one a leg.
    velocities
        Of the targets in `base_link`, m/s.
    standing
        Whether each foot is on the ground.
    pose
        Of the body in `odom`.
    twist
        The limited body velocity of this tick.
    height, height_rate
        Of the level body above z = 0 of `odom`, m, and its change, m/s.
    state
        What the gait is doing.
    limit
        The limit that bound the velocity, with its value; empty when none did.
    offset, offset_rate
        Pose of `base_link` in the level body that `pose` and `height` tell of, and its change.
    margin
        Static margin of the feet that stand on ground: how far the projection of the centre of
        mass, as the standing posture has it, is inside their polygon, m; negative outside.
    phase
        Share of the cycle that has passed, in [0, 1); None when no leg takes its turn.
    duty_factor
        Share of the cycle in which a leg stands.
    missed
        Whether each foot looked for the ground in vain and has not felt it since.

    """

    feet: tuple[Vector, ...]
    velocities: tuple[Vector, ...]
    standing: tuple[bool, ...]
    pose: Pose
    twist: Twist
    height: float
    state: GaitState
    limit: str
    height_rate: float = 0.0
    offset: Offset = LEVEL
    offset_rate: Offset = LEVEL
    margin: float = 0.0
    phase: float | None = None
    duty_factor: float = 1.0
    missed: tuple[bool, ...] = ()


@dataclass(frozen=True, slots=True)
class BodyMotion:
    """Pose and twist of `base_link` in `odom`, with all that lifts, shifts and tilts it.

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
