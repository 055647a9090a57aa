# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What every node does first: take its parameters, its priority and its robot."""

from collections.abc import Sequence

from rclpy.node import Node

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.nodes.catalogue import NodeParameters
from leg_kinematics.nodes.parameters import declare
from leg_kinematics.nodes.scheduling import take_priority
from leg_kinematics.parameters import Parameter, Settings


def start(node: Node, parameters: Sequence[Parameter]) -> tuple[Settings, CalibratedRobot]:
    """Declare the parameters of a node, and do what those ask for that all nodes have.

    Raises
    ------
    LegKinematicsError
        A parameter or a file is wrong.

    """
    settings = declare(node, parameters)
    own = settings.of(NodeParameters)
    take_priority(own.realtime_priority)
    calibrated = CalibratedRobot.load(own.robot, own.servo_maps)
    if words := calibrated.maps.not_wired_in_words:
        node.get_logger().info(f'{words} ({own.servo_maps})')
    return settings, calibrated
