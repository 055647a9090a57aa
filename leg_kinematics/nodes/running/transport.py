# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How messages travel between processes of one machine."""

import os

from rclpy.logging import get_logger
from rclpy.utilities import get_rmw_implementation_identifier


def prefer_sockets() -> None:
    """Let Fast DDS use sockets, not shared memory; call it before `rclpy.init`.

    In its shared memory a reader is now and then blocked for a third of a second when another
    process joins or leaves (https://github.com/eProsima/Fast-DDS/issues/6535, open as of 3.2.3):
    somebody looks at a topic, and the robot stops in mid-step. Whoever has chosen a transport keeps
    it; other middleware does not read the variable. The range LOCALHOST brings the shared memory
    along, whatever is chosen, so it is warned of.
    """
    os.environ.setdefault('FASTDDS_BUILTIN_TRANSPORTS', 'UDPv4')
    fast_dds = get_rmw_implementation_identifier().startswith('rmw_fastrtps')
    if fast_dds and os.environ.get('ROS_AUTOMATIC_DISCOVERY_RANGE') == 'LOCALHOST':
        get_logger('leg_kinematics').warning(
            'ROS_AUTOMATIC_DISCOVERY_RANGE is LOCALHOST: Fast DDS then shares memory, which can '
            'stall for a third of a second when another process joins, and the robot stumbles; '
            'unset it and choose a ROS_DOMAIN_ID of your own instead'
        )
