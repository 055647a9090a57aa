# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `kinematics`: foot targets in, joint trajectory out; joint states in, foot states out."""

import sys
from collections.abc import Sequence
from typing import Any

from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.nodes import messages, qos
from leg_kinematics.nodes.diagnostics import ERROR, OK, Diagnostics
from leg_kinematics.nodes.parameters import KINEMATICS, declare
from leg_kinematics.nodes.process import run
from leg_kinematics.robot import Vector, load_robot
from leg_kinematics.robot.urdf import urdf
from leg_kinematics.solver import Trajectory, leg_solvers, posture_angles

#: Points of a streamed preview are at most this far apart, s.
LONGEST_PREVIEW_STEP = 0.1


class KinematicsNode(Node):
    """Turns feet into joints, whole or not at all.

    A target out of reach, beyond a joint limit or beyond a servo map is refused with everything
    that came with it; the bridge then holds, and the diagnostics name foot, value and bound. Each
    message is judged anew, so that moving back is always allowed.
    """

    def __init__(self, overrides: Sequence[RosParameter[Any]] = ()) -> None:
        """Load the files, check both postures, then listen."""
        super().__init__(
            'kinematics',
            parameter_overrides=list(overrides),
            automatically_declare_parameters_from_overrides=True,
        )
        settings = declare(self, KINEMATICS)
        robot = load_robot(settings.text('robot'))
        maps = load_servo_maps(settings.text('servo_maps'), robot)
        self._legs = leg_solvers(
            robot, {servo_map.joint: servo_map.angle_range for servo_map in maps.maps}
        )
        for posture in ('resting', 'standing'):
            posture_angles(robot, self._legs, posture)
        self._leg_names = robot.leg_names
        self._joints = robot.joints
        self._angles: dict[str, Vector] = {}
        self._accepted = 0
        self._refused = 0
        self._diagnostics = Diagnostics(self, robot.name)
        self._trajectories = self.create_publisher(
            JointTrajectory, 'joint_trajectory', qos.PUBLISHED
        )
        self._foot_states = self.create_publisher(MultiDOFJointState, 'foot_states', qos.PUBLISHED)
        description = self.create_publisher(String, 'robot_description', qos.DESCRIPTION)
        description.publish(String(data=urdf(robot)))
        self.create_subscription(
            MultiDOFJointTrajectory, 'foot_targets', self._on_foot_targets, qos.STREAM
        )
        self.create_subscription(JointState, 'joint_states', self._on_joint_states, qos.STREAM)

    def _on_foot_targets(self, message: MultiDOFJointTrajectory) -> None:
        try:
            trajectory = self._solve(messages.FootTargets(message, self._leg_names))
        except LegKinematicsError as error:
            self._refused += 1
            self._report(ERROR, f'refused: {error}')
            return
        self._accepted += 1
        self._trajectories.publish(
            messages.joint_trajectory_message(message.header.stamp, self._joints, trajectory)
        )
        self._report(OK, 'following foot_targets')

    def _report(self, level: bytes, message: str) -> None:
        self._diagnostics.report(
            level, message, lambda: {'accepted': self._accepted, 'refused': self._refused}
        )

    def _solve(self, targets: messages.FootTargets) -> Trajectory:
        """Joint trajectory of a preview; legs that it does not name stay where they are."""
        steps = zip([0.0, *targets.times[:-1]], targets.times, strict=True)
        if any(later - earlier > LONGEST_PREVIEW_STEP for earlier, later in steps):
            raise CommandError(
                f'points of foot_targets are more than {LONGEST_PREVIEW_STEP} s apart; stream '
                'closer points, so that the feet keep their straight way'
            )
        angles = dict(self._angles)
        positions, velocities = [], []
        for feet, speeds in zip(targets.feet, targets.velocities, strict=True):
            rates: dict[str, Vector] = {}
            for leg in self._legs:
                if leg.name in targets.legs:
                    index = targets.legs.index(leg.name)
                    free_coxa = angles[leg.name][0] if leg.name in angles else 0.0
                    angles[leg.name] = leg.angles(feet[index], free_coxa=free_coxa)
                    if speeds is not None:
                        rates[leg.name] = leg.velocity(angles[leg.name], speeds[index])
                elif leg.name not in angles:
                    raise CommandError(
                        f'foot_targets leaves out {leg.name}, and where its joints are is not '
                        'known yet: no joint_states has come; name every leg or start the bridge'
                    )
            positions.append(tuple(a for leg in self._legs for a in angles[leg.name]))
            still = (0.0, 0.0, 0.0)
            velocities.append(tuple(r for leg in self._legs for r in rates.get(leg.name, still)))
        trajectory = Trajectory(tuple(targets.times), tuple(positions), tuple(velocities))
        self._angles = angles
        return trajectory

    def _on_joint_states(self, message: JointState) -> None:
        positions = messages.joint_positions(message, self._joints)
        if positions is None:
            return
        feet = []
        for index, leg in enumerate(self._legs):
            q1, q2, q3 = positions[3 * index : 3 * index + 3]
            self._angles.setdefault(leg.name, (q1, q2, q3))
            feet.append(leg.foot((q1, q2, q3)))
        self._foot_states.publish(
            messages.foot_states_message(message.header.stamp, self._leg_names, feet)
        )


def main() -> None:
    """Run the node as a process."""
    sys.exit(run([KinematicsNode]))


if __name__ == '__main__':
    main()
