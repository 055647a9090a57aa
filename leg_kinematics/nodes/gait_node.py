# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `gait`: body velocity in, foot targets and odometry out."""

import sys
from collections.abc import Callable, Sequence
from functools import partial
from time import monotonic
from typing import Any

from geometry_msgs.msg import PoseStamped, Twist, TwistStamped
from nav_msgs.msg import Odometry as OdometryMessage
from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import MultiDOFJointState
from std_msgs.msg import Bool, Float64, Float64MultiArray
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory
from visualization_msgs.msg import MarkerArray

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.chain.values import NANOSECONDS, Odom, Walked
from leg_kinematics.chain.walking import Walking, WalkingParameters
from leg_kinematics.errors import CommandError
from leg_kinematics.nodes import messages, qos
from leg_kinematics.nodes.diagnostics import Diagnostics
from leg_kinematics.nodes.frames import Frames
from leg_kinematics.nodes.gait_settings import gait_parameters
from leg_kinematics.nodes.markers import gait_markers
from leg_kinematics.nodes.orders import offer_order
from leg_kinematics.nodes.parameters import GAIT, declare
from leg_kinematics.nodes.process import run
from leg_kinematics.nodes.scheduling import take_priority
from leg_kinematics.nodes.senders import Senders
from leg_kinematics.nodes.stamps import Stamps
from leg_kinematics.nodes.streams import (
    FootStates,
    FootTrajectories,
    OdometryMessages,
    RobotReports,
)
from leg_kinematics.nodes.transforms import TransformBroadcaster
from leg_kinematics.robot import Vector, load_robot
from leg_kinematics.solver import leg_solvers

#: Between two pictures of the walk for a viewer, s.
MARKER_INTERVAL = 0.1

MESSAGE_TYPES = {'TwistStamped': TwistStamped, 'Twist': Twist}


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
        super().__init__(
            'gait',
            parameter_overrides=list(overrides),
            automatically_declare_parameters_from_overrides=True,
        )
        settings = declare(self, GAIT)
        take_priority(settings.whole('realtime_priority'))
        self._robot = load_robot(settings.text('robot'))
        maps = load_servo_maps(settings.text('servo_maps'), self._robot)
        self._legs = leg_solvers(self._robot, {each.joint: each.angle_range for each in maps.maps})
        self.rate = settings.number('rate')
        self.stage = Walking(
            self._robot,
            self._legs,
            gait_parameters(settings),
            WalkingParameters(
                rate=self.rate,
                preview=0.0 if direct else settings.number('preview'),
                silence=settings.number('silence'),
                slip=settings.number('slip'),
            ),
        )
        # In one process the kinematics listens as well, but only for others.
        self._own = int(direct)
        self._frames = Frames(
            settings.text('odom_frame'),
            settings.text('footprint_frame'),
            settings.text('base_frame'),
        )
        self._foot_targets = FootTrajectories(self._robot.leg_names, self._frames.base)
        self._feet = FootStates(self._robot.leg_names)
        self._odometry = OdometryMessages(self._frames)
        self._reports = RobotReports()
        self._max_age = settings.number('max_command_age')
        self._type = settings.text('cmd_vel_type')
        self._missed = 0
        self._stamps = Stamps()
        self._diagnostics = Diagnostics(self, self._robot.name, self._values)
        self._targets = self.create_publisher(
            MultiDOFJointTrajectory, 'foot_targets', qos.PUBLISHED
        )
        self._odom = self.create_publisher(OdometryMessage, 'odom', qos.PUBLISHED)
        self._transforms = TransformBroadcaster(self) if settings.flag('publish_tf') else None
        self._markers = self.create_publisher(MarkerArray, 'gait/markers', qos.PUBLISHED)
        self._senders = Senders(
            self,
            'cmd_vel',
            self._type,
            "set the parameter 'cmd_vel_type' or change the sender",
        )
        self._listen(contacts=settings.flag('contacts'), direct=direct)
        offer_order(
            self, 'gait/stand', lambda: self.stage.stand(monotonic()), max_age=self._max_age
        )
        offer_order(self, 'gait/crouch', self.stage.crouch, max_age=self._max_age)
        self.create_timer(MARKER_INTERVAL, self._draw)
        self.create_timer(1.0, self._report)
        if not direct:
            self.create_timer(1.0 / self.rate, self._on_tick)
        self._report()

    def _listen(self, *, contacts: bool, direct: bool) -> None:
        self.create_subscription(MESSAGE_TYPES[self._type], 'cmd_vel', self._on_cmd_vel, qos.STREAM)
        self.create_subscription(PoseStamped, 'body_offset', self._on_body_offset, qos.STREAM)
        self.create_subscription(Float64, 'gait/duty_factor', self._on_duty_factor, qos.PUBLISHED)
        if contacts:
            for leg, name in enumerate(self._robot.leg_names):
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
        stamp = messages.nanoseconds_of(message.header.stamp)
        if stamp == 0:
            return
        age = (self.get_clock().now().nanoseconds - stamp) / NANOSECONDS
        if abs(age) > self._max_age:
            raise CommandError(
                f'cmd_vel is stamped {age:.2f} s ago, at most {self._max_age:g} s are accepted; '
                'are the clocks of both machines set?'
            )

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
            self._tell_odometry(() if rest is None else (rest,))
        else:
            if walked.targets is not None and self._targets.get_subscription_count() > self._own:
                self._targets.publish(self._foot_targets.write(walked.targets))
            self._tell_odometry(walked.odometry)
            if missed := self.stage.missed - self._missed:
                self._missed += missed
                self.get_logger().debug(f'ticks missed: {missed}')
        self._report()

    def _tell_odometry(self, odometry: Sequence[Odom]) -> None:
        listened = self._odom.get_subscription_count() > 0
        for odom in odometry:
            if listened:
                self._odom.publish(self._odometry.write(odom))
            if self._transforms is not None:
                self._transforms.send(partial(messages.transform_messages, odom, self._frames))

    def _draw(self) -> None:
        """Show the walk to whoever looks."""
        sample = self.stage.sample
        if sample is not None and self._markers.get_subscription_count() > 0:
            stamp = self.get_clock().now().to_msg()
            self._markers.publish(
                gait_markers(stamp, self._robot, self._legs, sample, self._frames.odom)
            )

    def _report(self) -> None:
        self._diagnostics.report(self._senders.judge(self.stage.condition(monotonic())))

    def _values(self) -> dict[str, object]:
        values: dict[str, object] = {
            'ticks': self.stage.ticks,
            'missed_ticks': self.stage.missed,
            'refused_commands': self.stage.refused,
        }
        sample = self.stage.sample
        if sample is not None:
            missed = zip(self._robot.leg_names, sample.missed, strict=True)
            values |= {
                'phase': '' if sample.phase is None else f'{sample.phase:.3f}',
                'duty_factor': f'{sample.duty_factor:.4f}',
                'feet_down': sum(sample.standing),
                'margin': f'{sample.margin:.4f} m',
                'limit': sample.limit,
                'no_ground': ' '.join(name for name, in_vain in missed if in_vain),
            }
        return values


def main() -> None:
    """Run the node as a process."""
    sys.exit(run(lambda: [GaitNode()]))


if __name__ == '__main__':
    main()
