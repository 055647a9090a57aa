# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Which pulse turns which joint how far: servo maps and the file they are kept in."""

from leg_kinematics.calibration.curves import Curve, LinearCurve, TableCurve
from leg_kinematics.calibration.loader import load_servo_maps
from leg_kinematics.calibration.servo_map import Measured, ServoMap, ServoMaps

__all__ = [
    'Curve',
    'LinearCurve',
    'Measured',
    'ServoMap',
    'ServoMaps',
    'TableCurve',
    'load_servo_maps',
]
