# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Walking: phases, swing, velocity limits, and the walker that puts them together."""

from leg_kinematics.gait.body import Offset, Pose, Twist
from leg_kinematics.gait.odometry import BodyMotion, Covariance, Odometry
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import (
    TETRAPOD,
    TRIPOD,
    WAVE,
    Cycle,
    touchdown_phases,
    walking_phases,
)
from leg_kinematics.gait.walker import GaitSample, GaitState, Walker

__all__ = [
    'TETRAPOD',
    'TRIPOD',
    'WAVE',
    'BodyMotion',
    'Covariance',
    'Cycle',
    'GaitParameters',
    'GaitSample',
    'GaitState',
    'Odometry',
    'Offset',
    'Pose',
    'Twist',
    'Walker',
    'touchdown_phases',
    'walking_phases',
]
