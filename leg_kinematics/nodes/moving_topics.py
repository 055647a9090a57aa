# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The stage that moves feet, among the topics of a chain."""

from time import monotonic

from rclpy.node import Node
from sensor_msgs.msg import JointState
from std_msgs.msg import Float64MultiArray
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.errors import CommandError
from leg_kinematics.moves.moving import Moving, MovingParameters
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.frames import FRAMES
from leg_kinematics.nodes.translation.stamps import Stamps
from leg_kinematics.nodes.translation.streams import FootTrajectories, JointStates, RobotReports


class MovingTopics:
    """Has the stage hear the chain, and its foot targets heard by it.

    Parameters
    ----------
    node
        In the namespace of the chain.
    stage
        What moves the feet.
    parameters
        Of the stage.
    frame
        Of the body.

    """

    def __init__(
        self,
        node: Node,
        stage: Moving,
        parameters: MovingParameters,
        frame: str = FRAMES.base_frame,
    ) -> None:
        """Listen, and tick."""
        robot = stage.calibrated.robot
        self._node = node
        self._stage = stage
        self._stamps = Stamps()
        self._foot_targets = FootTrajectories(robot.leg_names, frame)
        self._joint_states = JointStates(robot.joints)
        self._reports = RobotReports()
        self._limits_heard = False
        self._targets = node.create_publisher(
            MultiDOFJointTrajectory, 'foot_targets', qos.PUBLISHED
        )
        node.create_subscription(
            Float64MultiArray, 'bridge/state', self._on_report, qos.STREAM, raw=True
        )
        node.create_subscription(
            JointState, 'joint_states', self._on_joint_states, qos.STREAM, raw=True
        )
        node.create_subscription(JointTrajectory, 'bridge/limits', self._on_limits, qos.DESCRIPTION)
        # A single message of somebody else shall not be lost among our own.
        node.create_subscription(
            MultiDOFJointTrajectory, 'foot_targets', self._on_targets, qos.PUBLISHED, raw=True
        )
        node.create_timer(1.0 / parameters.rate, self._on_tick)

    @property
    def connected(self) -> bool:
        """Whether somebody takes our foot targets, and tells how fast the joints are driven."""
        return self._limits_heard and self._targets.get_subscription_count() > 1

    def _on_report(self, message: bytes) -> None:
        try:
            self._stage.hear(self._reports.read(message), monotonic())
        except CommandError as error:
            self._node.get_logger().warning(str(error))

    def _on_joint_states(self, message: bytes) -> None:
        try:
            _, positions = self._joint_states.read(message)
        except CommandError as error:
            self._node.get_logger().warning(str(error))
            return
        if positions is not None:
            self._stage.locate(positions, monotonic())

    def _on_limits(self, message: JointTrajectory) -> None:
        try:
            self._stage.heed(messages.joint_limits(message))
        except CommandError as error:
            self._node.get_logger().warning(str(error))
        self._limits_heard = True

    def _on_targets(self, message: bytes) -> None:
        try:
            stamp = self._foot_targets.read(message).stamp
        except CommandError:
            # Whatever it is, it is none of ours, and kinematics says what is wrong with it.
            stamp = None
        self._stage.hear_targets(stamp, monotonic())

    def _on_tick(self) -> None:
        targets = self._stage.step(monotonic(), self._stamps.offset())
        if targets is not None:
            self._targets.publish(self._foot_targets.write(targets))
