# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where the robot has walked to, told to all."""

from collections.abc import Iterable
from functools import partial

from nav_msgs.msg import Odometry
from rclpy.node import Node

from leg_kinematics.chain.values import Odom
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.frames import Frames
from leg_kinematics.nodes.translation.streams import OdometryMessages
from leg_kinematics.nodes.translation.transforms import TransformBroadcaster


class OdometryBroadcaster:
    """Publishes `odom`, and on `/tf` the way from `odom` to the body.

    Parameters
    ----------
    node
        Who tells.
    frames
        Their names.
    publish_tf
        Whether transforms are told at all.

    """

    def __init__(self, node: Node, frames: Frames, *, publish_tf: bool) -> None:
        """Tell nothing yet."""
        self._frames = frames
        self._messages = OdometryMessages(frames)
        self._odom = node.create_publisher(Odometry, 'odom', qos.PUBLISHED)
        self._transforms = TransformBroadcaster(node) if publish_tf else None

    def tell(self, odometry: Iterable[Odom]) -> None:
        """Tell where the robot was, instant by instant."""
        listened = self._odom.get_subscription_count() > 0
        for odom in odometry:
            if listened:
                self._odom.publish(self._messages.write(odom))
            if self._transforms is not None:
                self._transforms.send(partial(messages.transform_messages, odom, self._frames))
