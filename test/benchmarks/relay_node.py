# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A node that passes joint trajectories on and does nothing else, as a process.

A yardstick: it takes from rclpy everything that it can, and from us nothing that may get faster.
"""

import sys

import rclpy
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor
from rclpy.node import Node
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.nodes.running.transport import prefer_sockets
from leg_kinematics.nodes.translation import qos


class Relay(Node):
    """From one topic to another, with the quality of service of the chain."""

    def __init__(self) -> None:
        """Connect both."""
        source, target = sys.argv[1:3]
        super().__init__(f'relay_{target}')
        publisher = self.create_publisher(JointTrajectory, target, qos.PUBLISHED)
        self.create_subscription(JointTrajectory, source, publisher.publish, qos.STREAM)


def main() -> None:
    """Pass on until SIGINT."""
    prefer_sockets()
    with rclpy.init():
        relay = Relay()
        executor = SingleThreadedExecutor()
        executor.add_node(relay)
        try:
            executor.spin()
        except (KeyboardInterrupt, ExternalShutdownException):
            executor.shutdown()
            relay.destroy_node()


if __name__ == '__main__':
    main()
