# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Names of the frames, as REP 105 and REP 120 have them unless parameters say otherwise."""

from dataclasses import dataclass

from leg_kinematics.parameters import text


@dataclass(frozen=True, slots=True)
class BodyFrame:
    """Name of the frame of the body, in which feet are told."""

    base_frame: str = text('Frame of the body', 'base_link')


@dataclass(frozen=True, slots=True)
class Frames(BodyFrame):
    """Names of the frames between the world and the body.

    The footprint is the body projected on the ground: its x, y and yaw in the frame in which the
    robot walks.
    """

    odom_frame: str = text('Frame in which the robot walks, on the ground', 'odom')
    footprint_frame: str = text('Frame of the body projected on the ground', 'base_footprint')


FRAMES = Frames()
