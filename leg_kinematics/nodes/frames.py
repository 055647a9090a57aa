# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Names of the frames, as REP 105 and REP 120 have them unless parameters say otherwise."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Frames:
    """Names of the frames between the world and the body.

    Attributes
    ----------
    odom
        In which the robot walks; its ground is z = 0.
    footprint
        The body projected on the ground: its x, y and yaw in `odom`.
    base
        The body, in which feet are told.

    """

    odom: str = 'odom'
    footprint: str = 'base_footprint'
    base: str = 'base_link'


FRAMES = Frames()
