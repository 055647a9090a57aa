# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the robot is: its description file and the values read from it."""

from leg_kinematics.robot.description import (
    FEWEST_STANDING,
    SEGMENTS,
    Battery,
    Body,
    Leg,
    Link,
    Mount,
    Posture,
    Robot,
    ServoModel,
    Vector,
)
from leg_kinematics.robot.document import Document
from leg_kinematics.robot.loader import load_robot, robot_of
from leg_kinematics.robot.near import did_you_mean
from leg_kinematics.robot.units import STANDARD_GRAVITY, Dimension, parse_quantity

__all__ = [
    'FEWEST_STANDING',
    'SEGMENTS',
    'STANDARD_GRAVITY',
    'Battery',
    'Body',
    'Dimension',
    'Document',
    'Leg',
    'Link',
    'Mount',
    'Posture',
    'Robot',
    'ServoModel',
    'Vector',
    'did_you_mean',
    'load_robot',
    'parse_quantity',
    'robot_of',
]
