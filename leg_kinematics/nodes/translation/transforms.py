# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Transforms on `/tf`, where ROS 2 has `tf2_msgs`: no wheel brings it to a plain machine."""

from collections.abc import Callable, Sequence
from importlib.util import find_spec

from geometry_msgs.msg import TransformStamped
from rclpy.node import Node

from leg_kinematics.nodes.translation import qos

HAS_TF = find_spec('tf2_msgs') is not None

if HAS_TF:
    from tf2_msgs.msg import TFMessage


class TransformBroadcaster:
    """Tells transforms to all, or to nobody where there is no `tf2_msgs`.

    Parameters
    ----------
    node
        Who tells. It says once in its log when it cannot.

    """

    def __init__(self, node: Node) -> None:
        """Offer `/tf`, whatever the namespace, as is the custom."""
        self._publisher = None
        if HAS_TF:
            self._publisher = node.create_publisher(TFMessage, '/tf', qos.TRANSFORMS)
        else:
            node.get_logger().info('no transforms on /tf: tf2_msgs is not installed')

    def send(self, make: Callable[[], Sequence[TransformStamped]]) -> None:
        """Publish transforms, which are made only if somebody can be told."""
        if self._publisher is not None:
            self._publisher.publish(TFMessage(transforms=make()))
