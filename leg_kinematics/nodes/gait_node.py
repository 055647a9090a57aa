# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `gait`: body velocity in, foot targets and odometry out."""

import sys
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from time import monotonic_ns
from typing import Any

from builtin_interfaces.msg import Time
from geometry_msgs.msg import PoseStamped, Twist, TwistStamped
from nav_msgs.msg import Odometry as OdometryMessage
from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import MultiDOFJointState
from std_msgs.msg import Bool, Float64
from std_srvs.srv import Trigger
from trajectory_msgs.msg import MultiDOFJointTrajectory
from visualization_msgs.msg import MarkerArray

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import (
    BodyMotion,
    Covariance,
    GaitParameters,
    GaitSample,
    Odometry,
    Offset,
    Walker,
)
from leg_kinematics.gait import Twist as BodyTwist
from leg_kinematics.nodes import messages, qos
from leg_kinematics.nodes.diagnostics import OK, WARN, Diagnostics
from leg_kinematics.nodes.markers import gait_markers
from leg_kinematics.nodes.parameters import GAIT, Settings, declare
from leg_kinematics.nodes.process import run
from leg_kinematics.nodes.scheduling import take_priority
from leg_kinematics.nodes.stamps import Stamps
from leg_kinematics.nodes.transforms import TransformBroadcaster
from leg_kinematics.robot import Vector, load_robot
from leg_kinematics.solver import leg_solvers, posture_angles

#: Points of the preview, in ticks from now. The last one bridges a machine that is busy elsewhere
#: for a while; the cubic to it is off by micrometres.
PREVIEW = (0, 1, 7)

#: Foot states older than this do not tell where the feet are, s.
FRESH = 1.0

#: Between two pictures of the walk for a viewer, s.
MARKER_INTERVAL = 0.1

NANOSECONDS = 1_000_000_000

#: An order for a body pose is worked out no more often than this, since it takes as long as a few
#: ticks, ns.
POSE_INTERVAL = 300_000_000

#: A schedule that is late is put right by this part of a tick a tick.
SLEW = 100

MESSAGE_TYPES = {'TwistStamped': TwistStamped, 'Twist': Twist}


@dataclass(frozen=True, slots=True)
class Tick:
    """What a tick of the gait gave, and how far its pose can be trusted."""

    sample: GaitSample
    trust: Covariance


class GaitNode(Node):
    """Walks the robot.

    Nothing is published until `gait/stand` is called: only then does the gait take over, from
    where `foot_states` says that the feet are. From then on it streams, until the bridge is
    released: whoever rearms it shall not find the robot standing up by itself.
    """

    def __init__(self, overrides: 'Sequence[RosParameter[Any]]' = ()) -> None:
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
        self._legs = leg_solvers(
            self._robot, {servo_map.joint: servo_map.angle_range for servo_map in maps.maps}
        )
        for posture in ('resting', 'standing'):
            posture_angles(self._robot, self._legs, posture)
        self._gait_parameters = _gait_parameters(settings)
        # What does not fit is told now, not when the robot shall stand up.
        Walker(self._robot, self._legs, self._gait_parameters, self._robot.resting.feet)
        self._walker: Walker | None = None
        self._new_odometry = partial(Odometry, settings.number('slip'), self._robot.standing.feet)
        self._odometry = self._new_odometry()
        self._preview: deque[Tick] = deque(maxlen=PREVIEW[-1] + 1)
        self._feet: tuple[Vector, ...] | None = None
        self._feet_received = 0
        self._released = False
        self._touching: dict[int, bool] = {}
        self._offset: Offset | None = None
        self._next_pose_at = 0
        self._command = BodyTwist()
        self._command_received = 0
        self._silence = round(settings.number('silence') * NANOSECONDS)
        self._max_age = settings.number('max_command_age')
        self._type = settings.text('cmd_vel_type')
        self._refused = 0
        self._refusal = ''
        self._refusal_received = 0
        self._warned_of_type = False
        self._tick = 1.0 / settings.number('rate')
        self._tick_ns = round(NANOSECONDS / settings.number('rate'))
        self._due = 0
        self._stamps = Stamps(lambda: self.get_clock().now().nanoseconds)
        self._missed = 0
        self._ticks = 0
        self._diagnostics = Diagnostics(self, self._robot.name)
        self._targets = self.create_publisher(
            MultiDOFJointTrajectory, 'foot_targets', qos.PUBLISHED
        )
        self._odom = self.create_publisher(OdometryMessage, 'odom', qos.PUBLISHED)
        self._transforms = TransformBroadcaster(self) if settings.flag('publish_tf') else None
        self._markers = self.create_publisher(MarkerArray, 'gait/markers', qos.PUBLISHED)
        self._listen()
        self.create_service(Trigger, 'gait/stand', self._on_stand)
        self.create_service(Trigger, 'gait/crouch', self._on_crouch)
        self.create_timer(self._tick, self._on_tick)
        self.create_timer(MARKER_INTERVAL, self._draw)
        self.create_timer(1.0, self._look_for_other_type)
        self.create_timer(1.0, self._report)
        self._report()

    def _listen(self) -> None:
        self.create_subscription(MESSAGE_TYPES[self._type], 'cmd_vel', self._on_cmd_vel, qos.STREAM)
        self.create_subscription(
            MultiDOFJointState, 'foot_states', self._on_foot_states, qos.STREAM
        )
        self.create_subscription(Bool, 'bridge/released', self._on_released, qos.DESCRIPTION)
        self.create_subscription(PoseStamped, 'body_pose', self._on_body_pose, qos.STREAM)
        self.create_subscription(Float64, 'gait/duty_factor', self._on_duty_factor, qos.PUBLISHED)
        if self._gait_parameters.contacts:
            for leg, name in enumerate(self._robot.leg_names):
                self.create_subscription(
                    Bool, f'contacts/{name}', partial(self._on_contact, leg), qos.STREAM
                )

    def _on_cmd_vel(self, message: Twist | TwistStamped) -> None:
        try:
            command = messages.body_twist(message)
            if isinstance(message, TwistStamped):
                self._check_age(message)
        except CommandError as error:
            self._refuse(error)
            return
        self._refusal = ''
        self._command = command
        self._command_received = monotonic_ns()

    def _on_body_pose(self, message: PoseStamped) -> None:
        if self._walker is None:
            self._refuse(CommandError('body_pose came before gait/stand; stand up first'))
            return
        try:
            self._offset = messages.body_offset(message)
        except CommandError as error:
            self._refuse(error)
        self._pose_body(self._walker)

    def _pose_body(self, walker: Walker) -> None:
        """Order the newest body pose; of a stream, one every so often."""
        now = monotonic_ns()
        if self._offset is None or now < self._next_pose_at:
            return
        offset, self._offset = self._offset, None
        self._next_pose_at = now + POSE_INTERVAL
        try:
            walker.pose_body(offset)
        except CommandError as error:
            self._refuse(error)

    def _on_duty_factor(self, message: Float64) -> None:
        if self._walker is None:
            self._refuse(CommandError('gait/duty_factor came before gait/stand; stand up first'))
            return
        try:
            self._walker.set_duty_factor(message.data)
        except CommandError as error:
            self._refuse(error)

    def _on_contact(self, leg: int, message: Bool) -> None:
        self._touching[leg] = message.data
        if self._walker is not None:
            self._walker.touch(leg, message.data)

    def _refuse(self, error: CommandError) -> None:
        self._refused += 1
        self._refusal = str(error)
        self._refusal_received = monotonic_ns()
        self._report()

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

    def _on_foot_states(self, message: MultiDOFJointState) -> None:
        feet = messages.feet_of(message, self._robot.leg_names)
        if feet is not None:
            self._feet = feet
            self._feet_received = monotonic_ns()
            if self._walker is None:
                self._report()

    def _on_released(self, message: Bool) -> None:
        """Give the robot up: where it is when its servos have power again nobody knows."""
        self._released = message.data
        if message.data:
            self._walker = self._feet = None
            self._preview.clear()
            self._odometry = self._new_odometry()
            self._report()

    def _on_stand(self, _: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        if self._released:
            response.success = False
            response.message = 'the bridge is released: call bridge/rearm first'
            return response
        if self._walker is None:
            age = (monotonic_ns() - self._feet_received) / NANOSECONDS
            if self._feet is None or age > FRESH:
                response.success = False
                response.message = (
                    'where the feet are is not known: no foot_states within the last second; '
                    'activate the bridge first'
                )
                return response
            self._walker = Walker(self._robot, self._legs, self._gait_parameters, self._feet)
            for leg, touching in self._touching.items():
                self._walker.touch(leg, touching)
            self._preview.clear()
        self._walker.stand()
        response.success = True
        response.message = f'now {self._walker.state}'
        if self._walker.hindrance:
            response.message += f'; it will not walk: {self._walker.hindrance}'
        return response

    def _on_crouch(self, _: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        if self._walker is None:
            response.success = False
            response.message = 'the gait has not taken over yet: call gait/stand first'
            return response
        self._walker.crouch()
        response.success = True
        response.message = f'now {self._walker.state}'
        return response

    def _on_tick(self) -> None:
        if self._walker is None:
            return
        now = monotonic_ns()
        if not self._preview:
            self._due = now
            self._preview.extend(self._advance() for _ in range(PREVIEW[-1]))
        early = self._due - now
        if early > self._tick_ns // 2:
            # The timer makes up for a tick too, which the node has made up for already.
            return
        # No timer is early: if it seems so, the ticks before were late. The schedule is put right
        # so slowly that no foot seems to jump.
        self._due -= max(0, min(early, self._tick_ns // SLEW))
        # Ticks that came late are made up for as far as the preview has carried the bridge on.
        # Beyond that the bridge stands at the last point: the walk goes on from there, and the
        # time that the process did not get is left out. Either way nothing jumps.
        late = (now - self._due) // self._tick_ns
        for _ in range(min(late, PREVIEW[-1])):
            self._preview.append(self._advance())
            self._due += self._tick_ns
        if (missed := late - PREVIEW[-1]) > 0:
            self._missed += missed
            period = now - self._due + self._tick_ns
            self.get_logger().debug(f'ticks missed: {missed}, {period / 1e6:.1f} ms since the last')
            self._due = now
        self._preview.append(self._advance())
        self._ticks += 1
        stamp = self._stamps.at(self._due)
        self._due += self._tick_ns
        self._targets.publish(
            messages.foot_targets_message(
                stamp,
                self._robot.leg_names,
                [(ticks * self._tick, self._preview[ticks].sample) for ticks in PREVIEW],
            )
        )
        self._tell_where(stamp, self._preview[0])
        self._pose_body(self._walker)
        self._report()

    def _tell_where(self, stamp: Time, tick: Tick) -> None:
        """Publish where `base_link` is; what it is shifted by is too short to matter for trust."""
        sample = tick.sample
        motion = BodyMotion.of(sample)
        rate = self._odometry.twist(sample.twist)
        self._odom.publish(messages.odometry_message(stamp, motion, tick.trust, rate))
        if self._transforms is not None:
            self._transforms.send(messages.transform_message(stamp, motion))

    def _advance(self) -> Tick:
        if self._walker is None:
            raise RuntimeError('no walk has begun')
        silent = monotonic_ns() - self._command_received > self._silence
        sample = self._walker.step(self._tick, BodyTwist() if silent else self._command)
        cycle = self._gait_parameters.swing_time / (1.0 - sample.duty_factor)
        self._odometry.go(sample.pose, sample.twist, self._tick, cycle)
        return Tick(sample, self._odometry.pose)

    def _draw(self) -> None:
        """Show the walk to whoever looks."""
        if self._preview and self._markers.get_subscription_count() > 0:
            stamp = self.get_clock().now().to_msg()
            sample = self._preview[0].sample
            self._markers.publish(gait_markers(stamp, self._robot, self._legs, sample))

    def _report(self) -> None:
        if self._refusal and monotonic_ns() - self._refusal_received <= self._silence:
            level, state, detail = WARN, 'refused', self._refusal
        elif self._walker is None and self._feet is None:
            level, state, detail = OK, 'waiting for foot_states', ''
        elif self._walker is None:
            level, state, detail = OK, 'waiting for gait/stand', ''
        else:
            state, detail = str(self._walker.state), self._walker.hindrance
            level = WARN if detail else OK
        self._diagnostics.report(level, state, self._values, detail)

    def _values(self) -> dict[str, object]:
        values: dict[str, object] = {
            'ticks': self._ticks,
            'missed_ticks': self._missed,
            'refused_commands': self._refused,
        }
        if self._preview:
            sample = self._preview[0].sample
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

    def _look_for_other_type(self) -> None:
        """Warn once when somebody offers cmd_vel with the type that we do not take."""
        offered = {
            info.topic_type.rpartition('/')[2]
            for info in self.get_publishers_info_by_topic('cmd_vel')
        }
        others = sorted(offered - {self._type})
        if others and not self._warned_of_type:
            self._warned_of_type = True
            self.get_logger().warning(
                f'cmd_vel is offered as {", ".join(others)}, this node takes {self._type}; '
                "set the parameter 'cmd_vel_type' or change the sender"
            )


def _gait_parameters(settings: Settings) -> GaitParameters:
    return GaitParameters(
        swing_time=settings.number('swing_time'),
        duty_factor=settings.number('duty_factor'),
        slow_duty_factor=settings.number('slow_duty_factor'),
        phases=_phases(settings.texts('phases')),
        carry_height=settings.number('carry_height'),
        lift=settings.number('lift'),
        max_speed=settings.number('max_speed'),
        max_yaw_rate=settings.number('max_yaw_rate'),
        acceleration=settings.number('acceleration'),
        yaw_acceleration=settings.number('yaw_acceleration'),
        speed_share=settings.number('speed_share'),
        min_margin=settings.number('min_margin'),
        contacts=settings.flag('contacts'),
        search_depth=settings.number('search_depth'),
        rise_time=settings.number('rise_time'),
        body_speed=settings.number('body_speed'),
        body_rate=settings.number('body_rate'),
    )


def _phases(texts: Sequence[str]) -> dict[str, float]:
    """Read touchdown phases written as LEG=PHASE."""
    phases = {}
    for text in texts:
        leg, _, phase = text.partition('=')
        try:
            phases[leg] = float(phase)
        except ValueError:
            raise CommandError(
                f"'phases' must list LEG=PHASE, such as left_front=0.25 (got {text!r})"
            ) from None
    return phases


def main() -> None:
    """Run the node as a process."""
    sys.exit(run([GaitNode]))


if __name__ == '__main__':
    main()
