# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `kinematics`: foot targets in, joint trajectory out; joint states in, foot states out."""

import sys
from collections.abc import Callable, Sequence
from typing import Any

from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.chain.solving import Solving, SolvingParameters
from leg_kinematics.chain.values import FootTargets, JointTargets
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.nodes.running.catalogue import KINEMATICS
from leg_kinematics.nodes.running.process import run
from leg_kinematics.nodes.running.start import start
from leg_kinematics.nodes.senders import Senders
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.diagnostics import Diagnostics
from leg_kinematics.nodes.translation.frames import BodyFrame
from leg_kinematics.nodes.translation.streams import (
    FootStates,
    FootTrajectories,
    JointStates,
    JointTrajectories,
)
from leg_kinematics.robot import Vector
from leg_kinematics.robot.urdf import urdf

Feet = tuple[Vector, ...]

#: Each of them sends foot targets only while no other does.
TAKING_TURNS = ('gait', 'player', 'mover', 'replay')


class KinematicsNode(Node):
    """Has foot targets solved, and says where the feet are.

    Parameters
    ----------
    overrides
        Of parameters.
    direct
        Whether the stages are in one process: then whoever steps them calls `tell` after each
        step.

    Attributes
    ----------
    pass_on
        Takes foot targets that came as a message.

    """

    def __init__(
        self, overrides: 'Sequence[RosParameter[Any]]' = (), *, direct: bool = False
    ) -> None:
        """Load the files, check both postures, then listen."""
        super().__init__('kinematics', parameter_overrides=list(overrides))
        settings, calibrated = start(self, KINEMATICS)
        robot, frame = calibrated.robot, settings.of(BodyFrame).base_frame
        self._foot_targets = FootTrajectories(robot.leg_names, frame)
        self._joint_targets = JointTrajectories(robot.joints)
        self._joint_states = JointStates(robot.joints)
        self._feet = FootStates(robot.leg_names, frame)
        self.stage = Solving(robot, calibrated.legs, settings.of(SolvingParameters))
        self.pass_on: Callable[[FootTargets], None] = self._solve
        # In one process the bridge listens as well, but only for others.
        self._own = int(direct)
        self._diagnostics = Diagnostics(
            self,
            robot.name,
            lambda: {'accepted': self.stage.accepted, 'refused': self.stage.refused},
        )
        self._senders = Senders(
            self, 'foot_targets', 'MultiDOFJointTrajectory', taking_turns=TAKING_TURNS
        )
        self._trajectories = self.create_publisher(
            JointTrajectory, 'joint_trajectory', qos.PUBLISHED
        )
        self._foot_states = self.create_publisher(MultiDOFJointState, 'foot_states', qos.PUBLISHED)
        description = self.create_publisher(String, 'robot_description', qos.DESCRIPTION)
        description.publish(String(data=urdf(robot)))
        self.create_subscription(
            MultiDOFJointTrajectory,
            'foot_targets',
            self._on_foot_targets,
            qos.STREAM,
            raw=True,
        )
        if not direct:
            self.create_subscription(
                JointTrajectory, 'bridge/limits', self._on_limits, qos.DESCRIPTION
            )
            self.create_subscription(
                JointState, 'joint_states', self._on_joint_states, qos.STREAM, raw=True
            )
            self.create_timer(1.0, self._report)
        self._report()

    def _on_foot_targets(self, message: bytes) -> None:
        try:
            self.pass_on(self._foot_targets.read(message))
        except LegKinematicsError as error:
            self.stage.refuse(error)
        self._report()

    def _solve(self, targets: FootTargets) -> None:
        self._tell_joints(self.stage.solve(targets))

    def _on_joint_states(self, message: bytes) -> None:
        try:
            stamp, positions = self._joint_states.read(message)
        except CommandError as error:
            self.get_logger().warning(str(error))
            return
        if positions is not None:
            self._tell_feet(stamp, self.stage.locate(positions))

    def _on_limits(self, message: JointTrajectory) -> None:
        try:
            self.stage.heed(messages.joint_limits(message))
        except CommandError as error:
            self.get_logger().warning(str(error))

    def tell(self, stamp: int, joints: JointTargets | None, feet: Feet | None) -> None:
        """Publish what a step of the stage gave, for the instant of a stamp, ns."""
        if joints is not None:
            self._tell_joints(joints)
        if feet is not None:
            self._tell_feet(stamp, feet)
        self._report()

    def _tell_joints(self, joints: JointTargets) -> None:
        if self._trajectories.get_subscription_count() > self._own:
            self._trajectories.publish(self._joint_targets.write(joints))

    def _tell_feet(self, stamp: int, feet: Feet) -> None:
        if self._foot_states.get_subscription_count():
            self._foot_states.publish(self._feet.write(stamp, feet))

    def _report(self) -> None:
        self._diagnostics.report(self._senders.judge(self.stage.condition()))


def main() -> None:
    """Run the node as a process."""
    sys.exit(run(lambda: [KinematicsNode()]))


if __name__ == '__main__':
    main()
