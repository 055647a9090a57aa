# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `gait`: body velocity in, foot targets and odometry out."""

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from time import monotonic
from typing import Any

from geometry_msgs.msg import PoseStamped, Twist, TwistStamped
from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import MultiDOFJointState
from std_msgs.msg import Bool, Float64, Float64MultiArray
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.chain.values import Walked
from leg_kinematics.chain.walking import Walking, WalkingParameters
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters
from leg_kinematics.nodes.odometry_broadcaster import OdometryBroadcaster
from leg_kinematics.nodes.orders import offer_order
from leg_kinematics.nodes.running.catalogue import (
    GAIT,
    GaitNodeParameters,
    OrderParameters,
    VelocityType,
)
from leg_kinematics.nodes.running.process import run
from leg_kinematics.nodes.running.start import start
from leg_kinematics.nodes.senders import Senders
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.diagnostics import Diagnostics
from leg_kinematics.nodes.translation.frames import Frames
from leg_kinematics.nodes.translation.markers import WalkMarkers
from leg_kinematics.nodes.translation.stamps import Stamps, refusal_of_age
from leg_kinematics.nodes.translation.status_values import gait_values
from leg_kinematics.nodes.translation.streams import FootStates, FootTrajectories, RobotReports
from leg_kinematics.robot import Vector

MESSAGE_TYPES = {VelocityType.TWIST_STAMPED: TwistStamped, VelocityType.TWIST: Twist}


class GaitNode(Node):
    """Has the robot walk.

    No foot target is published until `gait/stand` is called; `odom` at rest is, once the robot
    follows.

    Parameters
    ----------
    overrides
        Of parameters.
    direct
        Whether the stages are in one process: then there is no preview, and whoever steps them
        calls `tell` after each step.

    """

    def __init__(
        self, overrides: 'Sequence[RosParameter[Any]]' = (), *, direct: bool = False
    ) -> None:
        """Load the files, check both postures, then listen."""
        super().__init__('gait', parameter_overrides=list(overrides))
        settings, calibrated = start(self, GAIT)
        robot, legs = calibrated.robot, calibrated.legs
        own, gait = settings.of(GaitNodeParameters), settings.of(GaitParameters)
        walking = settings.of(WalkingParameters)
        self.rate = walking.rate
        if direct:
            walking = replace(walking, preview=0.0)
        self.stage = Walking(robot, legs, gait, walking, calibrated.maps.not_wired_in_words)
        # In one process the kinematics listens as well, but only for others.
        self._own = int(direct)
        frames = settings.of(Frames)
        self._foot_targets = FootTrajectories(robot.leg_names, frames.base_frame)
        self._feet = FootStates(robot.leg_names, frames.base_frame)
        self._reports = RobotReports()
        self._max_age = settings.of(OrderParameters).max_command_age
        self._missed = 0
        self._stamps = Stamps()
        self._diagnostics = Diagnostics(
            self, robot.name, lambda: gait_values(robot.leg_names, self.stage)
        )
        # Where it stays away it is no sender, so that others may be.
        self._targets = (
            None
            if self.stage.lacks
            else self.create_publisher(MultiDOFJointTrajectory, 'foot_targets', qos.PUBLISHED)
        )
        self._odometry = OdometryBroadcaster(self, frames, publish_tf=own.publish_tf)
        self._markers = WalkMarkers(self, robot, legs, lambda: self.stage.sample, frames.odom_frame)
        self._senders = Senders(
            self,
            'cmd_vel',
            own.cmd_vel_type,
            "set the parameter 'cmd_vel_type' or change the sender",
        )
        self._listen(own.cmd_vel_type, robot.leg_names if gait.contacts else (), direct=direct)
        offer_order(
            self, 'gait/stand', lambda: self.stage.stand(monotonic()), max_age=self._max_age
        )
        offer_order(self, 'gait/crouch', self.stage.crouch, max_age=self._max_age)
        offer_order(self, 'gait/hand_over', self.stage.hand_over, max_age=self._max_age)
        self.create_timer(1.0, self._report)
        if not direct:
            self.create_timer(1.0 / self.rate, self._on_tick)
        self._report()

    def _listen(self, velocity: VelocityType, feeling: Sequence[str], *, direct: bool) -> None:
        self.create_subscription(MESSAGE_TYPES[velocity], 'cmd_vel', self._on_cmd_vel, qos.STREAM)
        self.create_subscription(PoseStamped, 'body_offset', self._on_body_offset, qos.STREAM)
        self.create_subscription(Float64, 'gait/duty_factor', self._on_duty_factor, qos.PUBLISHED)
        for leg, name in enumerate(feeling):
            self.create_subscription(
                Bool, f'contacts/{name}', partial(self._on_contact, leg), qos.STREAM
            )
        if not direct:
            self.create_subscription(
                MultiDOFJointState,
                'foot_states',
                self._on_foot_states,
                qos.STREAM,
                raw=True,
            )
            self.create_subscription(
                JointTrajectory, 'bridge/limits', self._on_limits, qos.DESCRIPTION
            )
            self.create_subscription(
                Float64MultiArray, 'bridge/state', self._on_report, qos.STREAM, raw=True
            )

    # ---- in

    def _on_cmd_vel(self, message: Twist | TwistStamped) -> None:
        try:
            command = messages.body_twist(message)
            if isinstance(message, TwistStamped):
                self._check_age(message)
        except CommandError as error:
            self._refuse(error)
            return
        self.stage.command(command, monotonic())

    def _check_age(self, message: TwistStamped) -> None:
        sent, now = messages.nanoseconds_of(message.header.stamp), self.get_clock().now()
        if sent and (refusal := refusal_of_age(sent, now.nanoseconds, self._max_age)):
            raise CommandError(f'cmd_vel: {refusal}')

    def _on_body_offset(self, message: PoseStamped) -> None:
        self._obey(lambda: self.stage.order_offset(messages.body_offset(message), monotonic()))

    def _on_duty_factor(self, message: Float64) -> None:
        self._obey(lambda: self.stage.set_duty_factor(message.data))

    def _on_contact(self, leg: int, message: Bool) -> None:
        self.stage.touch(leg, message.data)

    def _on_foot_states(self, message: bytes) -> None:
        self._obey(lambda: self._locate(self._feet.read(message)[1]))

    def _locate(self, feet: tuple[Vector, ...] | None) -> None:
        if feet is not None:
            self.stage.locate(feet, monotonic())

    def _on_report(self, message: bytes) -> None:
        self._obey(lambda: self.stage.hear(self._reports.read(message), monotonic()))

    def _on_limits(self, message: JointTrajectory) -> None:
        self._obey(lambda: self.stage.heed(messages.joint_limits(message)))

    def _obey(self, order: Callable[[], None]) -> None:
        try:
            order()
        except CommandError as error:
            self._refuse(error)

    def _refuse(self, error: CommandError) -> None:
        self.stage.refuse(error, monotonic())
        self._report()

    # ---- out

    def _on_tick(self) -> None:
        self.tell(self.stage.step(monotonic(), self._stamps.offset()))

    def clock_offset(self) -> int:
        """Read what the clock of the stamps shows more than the steady clock, ns."""
        return self._stamps.offset()

    def tell(self, walked: Walked | None) -> None:
        """Publish what a step of the stage gave."""
        if walked is None:
            rest = self.stage.odometry_at_rest(monotonic(), self._stamps.offset())
            self._odometry.tell(() if rest is None else (rest,))
        else:
            out = self._targets
            if walked.targets is not None and out and out.get_subscription_count() > self._own:
                out.publish(self._foot_targets.write(walked.targets))
            self._odometry.tell(walked.odometry)
            if missed := self.stage.missed - self._missed:
                self._missed += missed
                self.get_logger().debug(f'ticks missed: {missed}')
        self._report()

    def _report(self) -> None:
        self._diagnostics.report(self._senders.judge(self.stage.condition(monotonic())))


def main() -> None:
    """Run the node as a process."""
    sys.exit(run(lambda: [GaitNode()]))


if __name__ == '__main__':
    main()
