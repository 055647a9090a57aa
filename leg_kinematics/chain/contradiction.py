# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Parameters of gait and bridge that cannot both be meant."""

from leg_kinematics.chain.values import JointLimits
from leg_kinematics.gait import GaitParameters
from leg_kinematics.robot import Robot

#: Peak acceleration of a joint in a walk, times the time of a swing, over its peak speed. Largest
#: seen with bracken at its limits of speed, ahead, aside and turning: 9.5.
ACCELERATION_FACTOR = 10.0


def contradiction(robot: Robot, gait: GaitParameters, limits: JointLimits) -> str:
    """Say where a gait asks joints for more than the bridge drives them at; empty if nowhere.

    Parameters
    ----------
    robot
        That the gait walks.
    gait
        How it walks.
    limits
        Of the bridge.

    """
    if limits.joints != robot.joints:
        return (
            f'the bridge drives the joints of another robot: expected {", ".join(robot.joints)} '
            f'(got {", ".join(limits.joints)})'
        )
    links = [link for leg in robot.legs for link in leg.links]
    share = gait.speed_share
    for joint, link, speed in zip(limits.joints, links, limits.speeds, strict=True):
        if share * link.servo.speed > speed * (1.0 + 1e-9):
            return (
                f"'speed_share' {share:g} of the gait asks {joint} for up to "
                f'{share * link.servo.speed:.2f} rad/s, that of the bridge allows {speed:.2f}'
            )
    needed = ACCELERATION_FACTOR * share * max(link.servo.speed for link in links) / gait.swing_time
    if needed > limits.acceleration:
        return (
            f"'swing_time' {gait.swing_time:g} s of the gait may ask joints for {needed:.0f} "
            f"rad/s^2, 'joint_acceleration' of the bridge allows {limits.acceleration:g}"
        )
    return ''
