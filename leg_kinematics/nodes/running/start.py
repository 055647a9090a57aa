# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a node does first: take its parameters, its priority and, where it has one, its robot."""

from collections.abc import Sequence

from rclpy.node import Node

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.nodes.running.catalogue import NodeParameters, RobotParameters
from leg_kinematics.nodes.running.parameters import declare
from leg_kinematics.nodes.running.scheduling import take_priority
from leg_kinematics.parameters import Parameter, Settings


def take_parameters(node: Node, parameters: Sequence[Parameter]) -> Settings:
    """Declare the parameters of a node, and do what those ask for that all nodes have.

    Raises
    ------
    LegKinematicsError
        A parameter is wrong.

    """
    settings = declare(node, parameters)
    take_priority(settings.of(NodeParameters).realtime_priority)
    return settings


def start(node: Node, parameters: Sequence[Parameter]) -> tuple[Settings, CalibratedRobot]:
    """Do the same for a node that has to know the robot, and read the robot.

    Raises
    ------
    LegKinematicsError
        A parameter or a file is wrong.

    """
    settings = take_parameters(node, parameters)
    own = settings.of(RobotParameters)
    calibrated = CalibratedRobot.load(own.robot, own.servo_maps)
    if words := calibrated.maps.not_wired_in_words:
        node.get_logger().info(f'{words} ({own.servo_maps})')
    return settings, calibrated
