# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How messages travel between processes of one machine, and joining them with a node."""

import os

import rclpy
from rclpy.context import Context
from rclpy.impl.implementation_singleton import rclpy_implementation
from rclpy.logging import get_logger
from rclpy.node import Node
from rclpy.utilities import get_rmw_implementation_identifier

from leg_kinematics.errors import CommandError

RCLError = rclpy_implementation.RCLError


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


def join_graph(name: str, namespace: str) -> tuple[Context, Node]:
    """Make a node with a context of its own.

    Raises
    ------
    CommandError
        ROS 2 does not start, such as for want of a key of DDS security.

    """
    prefer_sockets()
    context = Context()
    try:
        rclpy.init(context=context)
        return context, rclpy.create_node(name, namespace=namespace, context=context)
    except RCLError as error:
        rclpy.try_shutdown(context=context)
        raise CommandError(f'ROS 2 does not start: {error}') from error
