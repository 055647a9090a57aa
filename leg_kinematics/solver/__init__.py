# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One leg and all legs: forward, inverse, Jacobian, reach, balance, time laws, tracking.

Statics stand apart in `leg_kinematics.solver.statics.load`: with scipy they would cost every node a
quarter of a second at its start.
"""

from leg_kinematics.solver.kinematics.batch import (
    BatchSolution,
    Outcome,
    forward_batch,
    inverse_batch,
    jacobian_batch,
    joint_points,
    solve_batch,
)
from leg_kinematics.solver.kinematics.distances import box_distances, segment_distances
from leg_kinematics.solver.kinematics.leg import (
    LegGeometry,
    forward,
    inverse,
    jacobian,
    joint_velocity,
)
from leg_kinematics.solver.kinematics.leg_solver import (
    LegSolver,
    Range,
    leg_solvers,
    posture_angles,
)
from leg_kinematics.solver.kinematics.many_legs import ManyLegs
from leg_kinematics.solver.kinematics.mount import MountTransform
from leg_kinematics.solver.kinematics.reach import LegReach
from leg_kinematics.solver.kinematics.section import (
    Section,
    common_ground,
    level_section,
    side_section,
)
from leg_kinematics.solver.motion.extremes import peak_speeds, position_ranges
from leg_kinematics.solver.motion.line import polyline_move, straight_move
from leg_kinematics.solver.motion.minimum_jerk import (
    PEAK_SPEED,
    State,
    Time,
    minimum_jerk,
    on_the_way,
)
from leg_kinematics.solver.motion.tracker import StreamClock, Tracker
from leg_kinematics.solver.motion.trajectory import Trajectory, hermite
from leg_kinematics.solver.statics.balance import centre_of_mass, static_margin, support_polygon

__all__ = [
    'PEAK_SPEED',
    'BatchSolution',
    'LegGeometry',
    'LegReach',
    'LegSolver',
    'ManyLegs',
    'MountTransform',
    'Outcome',
    'Range',
    'Section',
    'State',
    'StreamClock',
    'Time',
    'Tracker',
    'Trajectory',
    'box_distances',
    'centre_of_mass',
    'common_ground',
    'forward',
    'forward_batch',
    'hermite',
    'inverse',
    'inverse_batch',
    'jacobian',
    'jacobian_batch',
    'joint_points',
    'joint_velocity',
    'leg_solvers',
    'level_section',
    'minimum_jerk',
    'on_the_way',
    'peak_speeds',
    'polyline_move',
    'position_ranges',
    'posture_angles',
    'segment_distances',
    'side_section',
    'solve_batch',
    'static_margin',
    'straight_move',
    'support_polygon',
]
