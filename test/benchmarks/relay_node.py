# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A node that passes joint trajectories on and does nothing else, as a process."""

import sys

from rclpy.node import Node
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.nodes import qos
from leg_kinematics.nodes.process import run


class Relay(Node):
    """From one topic to another, with the quality of service of the chain."""

    def __init__(self) -> None:
        """Connect both."""
        source, target = sys.argv[1:3]
        super().__init__(f'relay_{target}')
        publisher = self.create_publisher(JointTrajectory, target, qos.PUBLISHED)
        self.create_subscription(JointTrajectory, source, publisher.publish, qos.STREAM)


if __name__ == '__main__':
    sys.exit(run([Relay]))
