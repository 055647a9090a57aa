# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How messages travel between processes of one machine."""

import os


def prefer_sockets() -> None:
    """Let Fast DDS use sockets, not shared memory; call it before `rclpy.init`.

    In its shared memory a reader is now and then blocked for a third of a second when another
    process joins or leaves (https://github.com/eProsima/Fast-DDS/issues/6535, open as of 3.2.3):
    somebody looks at a topic, and the robot stops in mid-step. Who has chosen a transport keeps
    it; other middleware does not read the variable.
    """
    os.environ.setdefault('FASTDDS_BUILTIN_TRANSPORTS', 'UDPv4')
