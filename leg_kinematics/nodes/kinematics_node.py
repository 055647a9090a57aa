# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `kinematics`: foot targets in, joint trajectory out; joint states in, foot states out."""

import sys
from collections.abc import Mapping, Sequence
from itertools import pairwise
from math import dist
from typing import Any

from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.nodes import messages, qos
from leg_kinematics.nodes.diagnostics import ERROR, OK, WARN, Diagnostics
from leg_kinematics.nodes.parameters import KINEMATICS, declare
from leg_kinematics.nodes.process import run
from leg_kinematics.nodes.scheduling import take_priority
from leg_kinematics.robot import Vector, load_robot
from leg_kinematics.robot.urdf import urdf
from leg_kinematics.solver import (
    LegReach,
    LegSolver,
    Trajectory,
    leg_solvers,
    polyline_move,
    posture_angles,
)

#: Points of a streamed preview are at most this far apart, s; farther ones are straight moves.
LONGEST_PREVIEW_STEP = 0.1

STILL = (0.0, 0.0, 0.0)


class KinematicsNode(Node):
    """Turns feet into joints, whole or not at all.

    A target out of reach, beyond a joint limit or beyond a servo map is handled by one policy.
    `reject` refuses it with everything that came with it; the bridge then holds, and the
    diagnostics name foot, value and bound. `clamp` takes the nearest point that the same foot can
    reach, and says so. Each message is judged anew, so that moving back is always allowed.

    A streamed preview passes point by point. A target seconds away is a straight move from where
    the feet are: at rest at both ends, close to the line, all joints arriving together.
    """

    def __init__(self, overrides: 'Sequence[RosParameter[Any]]' = ()) -> None:
        """Load the files, check both postures, then listen."""
        super().__init__(
            'kinematics',
            parameter_overrides=list(overrides),
            automatically_declare_parameters_from_overrides=True,
        )
        settings = declare(self, KINEMATICS)
        take_priority(settings.whole('realtime_priority'))
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
        self._line_tolerance = settings.number('line_tolerance')
        self._speeds = {
            joint: settings.number('speed_share') * link.servo.speed
            for leg in robot.legs
            for joint, link in zip(leg.joints, leg.links, strict=True)
        }
        self._clamps = settings.text('out_of_reach') == 'clamp'
        self._reach = {leg.name: LegReach(leg) for leg in self._legs}
        self._clamped: dict[str, float] = {}
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
        self._clamped.clear()
        try:
            trajectory = self._solve(messages.FootTargets(message, self._leg_names))
        except LegKinematicsError as error:
            self._refused += 1
            self._report(ERROR, 'refused', str(error))
            return
        self._accepted += 1
        self._trajectories.publish(
            messages.joint_trajectory_message(message.header.stamp, self._joints, trajectory)
        )
        if self._clamped:
            where = ', '.join(f'{leg} by {way * 1e3:.1f} mm' for leg, way in self._clamped.items())
            self._report(WARN, 'clamped to the nearest reachable point', where)
        else:
            self._report(OK, 'following foot_targets')

    def _report(self, level: bytes, state: str, detail: str = '') -> None:
        self._diagnostics.report(
            level,
            state,
            lambda: {'accepted': self._accepted, 'refused': self._refused},
            detail,
        )

    def _solve(self, targets: messages.FootTargets) -> Trajectory:
        """Joint trajectory of all legs; those that the targets do not name stay where they are."""
        steps = zip([0.0, *targets.times[:-1]], targets.times, strict=True)
        if any(later - earlier > LONGEST_PREVIEW_STEP for earlier, later in steps):
            return self._solve_moves(targets)
        return self._solve_preview(targets)

    def _solve_preview(self, targets: messages.FootTargets) -> Trajectory:
        """Point by point, as streamed."""
        positions, velocities = [], []
        for feet, speeds in zip(targets.feet, targets.velocities, strict=True):
            angles: list[float] = []
            rates: list[float] = []
            for leg in self._legs:
                if leg.name not in targets.legs:
                    angles += self._where(leg.name)
                    rates += STILL
                    continue
                index = targets.legs.index(leg.name)
                foot = self._within_reach(leg, feet[index])
                free_coxa = self._angles.get(leg.name, STILL)[0]
                joints = leg.angles(foot, free_coxa=free_coxa)
                angles += joints
                moves = speeds is not None and foot is feet[index]
                rates += leg.velocity(joints, speeds[index]) if moves and speeds else STILL
            positions.append(tuple(angles))
            velocities.append(tuple(rates))
        return Trajectory(tuple(targets.times), tuple(positions), tuple(velocities))

    def _solve_moves(self, targets: messages.FootTargets) -> Trajectory:
        """Straight moves from where the feet are, from point to point."""
        if targets.times[0] <= 0.0:
            raise CommandError(
                'the first of foot_targets far apart is due at once; give it the time that the '
                'straight move to it may take'
            )
        if any(speed for row in targets.velocities if row for foot in row for speed in foot):
            raise CommandError(
                'foot_targets far apart are straight moves from rest to rest and have no '
                'velocities; leave them out, or stream closer points'
            )
        legs = [leg for leg in self._legs if leg.name in targets.legs]
        order = [targets.legs.index(leg.name) for leg in legs]
        start = [leg.foot(self._where(leg.name)) for leg in legs]
        goals = [
            [self._within_reach(leg, feet[index]) for leg, index in zip(legs, order, strict=True)]
            for feet in targets.feet
        ]
        move = polyline_move(
            legs,
            [start, *goals],
            [later - earlier for earlier, later in pairwise([0.0, *targets.times])],
            tolerance=self._line_tolerance,
            speeds=[self._speeds[joint] for leg in legs for joint in leg.joints],
        )
        moved = [joint for leg in legs for joint in leg.joints]
        resting = {
            joint: angle
            for leg in self._legs
            if leg.name not in targets.legs
            for joint, angle in zip(leg.joints, self._where(leg.name), strict=True)
        }
        still = dict.fromkeys(resting, 0.0)

        def whole(row: tuple[float, ...], others: Mapping[str, float]) -> tuple[float, ...]:
            values = {**others, **dict(zip(moved, row, strict=True))}
            return tuple(values[joint] for joint in self._joints)

        return Trajectory(
            move.times,
            tuple(whole(row, resting) for row in move.positions),
            tuple(whole(row, still) for row in move.velocities),
        )

    def _within_reach(self, leg: LegSolver, foot: Vector) -> Vector:
        """Return the foot itself, or under the policy `clamp` the nearest that can be taken."""
        if not self._clamps:
            return foot
        nearest = self._reach[leg.name].nearest(foot)
        if nearest is not foot:
            self._clamped[leg.name] = dist(nearest, foot)
        return nearest

    def _where(self, leg: str) -> Vector:
        """Joint angles of a leg as the bridge last said."""
        if leg not in self._angles:
            raise CommandError(
                f'where the joints of {leg} are is not known yet: no joint_states has come; '
                'activate the bridge, or stream targets that name every leg'
            )
        return self._angles[leg]

    def _on_joint_states(self, message: JointState) -> None:
        positions = messages.joint_positions(message, self._joints)
        if positions is None:
            return
        feet = []
        for index, leg in enumerate(self._legs):
            q1, q2, q3 = positions[3 * index : 3 * index + 3]
            self._angles[leg.name] = (q1, q2, q3)
            feet.append(leg.foot((q1, q2, q3)))
        self._foot_states.publish(
            messages.foot_states_message(message.header.stamp, self._leg_names, feet)
        )


def main() -> None:
    """Run the node as a process."""
    sys.exit(run([KinematicsNode]))


if __name__ == '__main__':
    main()
