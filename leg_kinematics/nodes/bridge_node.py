# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `bridge`: joint trajectory in, pulses out, through servo boards on serial lines.

A lifecycle node: configure opens and identifies the boards, activate enables leg after leg and
then follows, deactivate holds, cleanup lets go of the boards.
"""

import sys
from collections.abc import Mapping, Sequence
from time import monotonic, monotonic_ns
from typing import Any

from rclpy.lifecycle import LifecycleNode, LifecycleState, TransitionCallbackReturn
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import JointState
from std_msgs.msg import Bool
from std_srvs.srv import Trigger
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.board import (
    BoardIdentity,
    Boards,
    BoardSpec,
    BoardsStatus,
    Output,
    Reaction,
    SilenceAction,
)
from leg_kinematics.calibration import ServoMap, load_servo_maps
from leg_kinematics.errors import BoardError, CommandError, LegKinematicsError
from leg_kinematics.nodes import messages, qos
from leg_kinematics.nodes.diagnostics import ERROR, OK, WARN, Diagnostics
from leg_kinematics.nodes.parameters import BRIDGE, declare
from leg_kinematics.nodes.process import run
from leg_kinematics.nodes.scheduling import take_priority
from leg_kinematics.nodes.stamps import Stamps
from leg_kinematics.robot import load_robot
from leg_kinematics.solver import (
    StreamClock,
    Tracker,
    leg_solvers,
    position_ranges,
    posture_angles,
)

SUCCESS = TransitionCallbackReturn.SUCCESS
FAILURE = TransitionCallbackReturn.FAILURE


class BridgeNode(LifecycleNode):
    """Brings joints to servos, and survives what happens between them.

    Nobody knows where a hobby servo is: at start-up, after a release and after a board has lost
    its state, legs are enabled one after another at the resting posture. Only then is the stream
    followed, from wherever the joints are and never faster than allowed.
    """

    def __init__(self, overrides: 'Sequence[RosParameter[Any]]' = ()) -> None:
        """Load and check the files; nothing is opened yet."""
        # ROS destroys the node at its end even if one of the checks below has failed.
        self._boards: Boards | None = None
        super().__init__(
            'bridge',
            parameter_overrides=list(overrides),
            automatically_declare_parameters_from_overrides=True,
        )
        settings = declare(self, BRIDGE)
        take_priority(settings.whole('realtime_priority'))
        robot = load_robot(settings.text('robot'))
        maps = load_servo_maps(settings.text('servo_maps'), robot)
        self._maps = maps.maps
        self._joints = robot.joints
        self._legs = [leg.joints for leg in robot.legs]
        legs = leg_solvers(robot, {each.joint: each.angle_range for each in self._maps})
        posture_angles(robot, legs, 'standing')
        self._resting = tuple(
            angle for angles in posture_angles(robot, legs, 'resting') for angle in angles
        )
        share = settings.number('speed_share')
        self._tracker = Tracker(
            self._resting,
            [share * link.servo.speed for leg in robot.legs for link in leg.links],
            settings.number('catch_up_speed'),
            settings.number('joint_acceleration'),
            [each.angle_range for each in self._maps],
        )
        self._silence = SilenceAction(
            Reaction(settings.text('board_silence_reaction')), settings.number('board_silence')
        )
        self._store_limits = settings.flag('store_limits')
        self._specs = _specs(settings.texts('boards'), maps.boards)
        self._tick = 1.0 / settings.number('rate')
        self._interval = settings.number('enable_interval')
        self._stream_clock = StreamClock()
        self._stamps = Stamps(lambda: self.get_clock().now().nanoseconds)
        self._active = False
        self._status = BoardsStatus({})
        self._enabled_legs = 0
        self._next_leg_at = 0.0
        self._let_go = 0
        self._ticks = 0
        self._missed = 0
        self._last_tick = 0.0
        self._refused = 0
        self._refusal = ''
        self._fault = ''
        self._diagnostics = Diagnostics(self, robot.name)
        self._states = self.create_publisher(JointState, 'joint_states', qos.PUBLISHED)
        self._released = self.create_publisher(Bool, 'bridge/released', qos.DESCRIPTION)
        self._released.publish(Bool(data=False))
        self.create_subscription(
            JointTrajectory, 'joint_trajectory', self._on_trajectory, qos.STREAM
        )
        self.create_service(Trigger, 'bridge/release', self._on_release)
        self.create_service(Trigger, 'bridge/rearm', self._on_rearm)
        self.create_timer(self._tick, self._on_tick)
        if settings.flag('autostart'):
            self._autostart = self.create_timer(0.0, self._start)

    def _start(self) -> None:
        self._autostart.cancel()
        if self.trigger_configure() == SUCCESS:
            self.trigger_activate()

    def on_configure(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Open, identify and configure every board.

        Success leads to `inactive`. A missing or busy port, a board that does not answer, speaks
        another version, keeps other limits or refuses leads back to `unconfigured`, with the
        reason in log and diagnostics.
        """
        limits = {_output(each): (each.lowest_us, each.highest_us) for each in self._maps}
        try:
            boards = Boards(self._specs, limits, self._silence, store_limits=self._store_limits)
            identities = boards.open()
        except BoardError as error:
            self._fault = str(error)
            return FAILURE
        self._fault = ''
        for name, identity in identities.items():
            self.get_logger().info(f'board {name}: {_in_words(identity)}')
            if boards.shortcomings[name]:
                self.get_logger().warning(
                    f'what board {name} cannot promise: {"; ".join(boards.shortcomings[name])}'
                )
        self._boards = boards
        # Nothing moved while the boards were opened: no tick was missed.
        self._ticks = self._missed = 0
        self._tracker.place(self._resting)
        self._let_go = 0
        self._restart_legs(boards.status())
        return super().on_configure(state)

    def on_activate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Begin to enable the legs, then to follow; leads to `active`."""
        self._active = True
        return super().on_activate(state)

    def on_deactivate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Park where the robot is: brake, hold, pulses on. Leads to `inactive`.

        Only the gait knows which feet carry; whoever wants the robot lower first calls `crouch`.
        """
        self._active = False
        self._tracker.hold()
        return super().on_deactivate(state)

    def on_cleanup(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Stop all pulses and let go of the boards; leads to `unconfigured`."""
        if self._boards is not None:
            self._boards.release()
        self._close()
        return super().on_cleanup(state)

    def on_shutdown(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Let go of the boards, which then act by their setting for silence."""
        self._active = False
        self._leave()
        return super().on_shutdown(state)

    def destroy_node(self) -> None:
        """End the process's hold on the boards; they then act by their setting for silence."""
        self._leave()
        super().destroy_node()

    def _leave(self) -> None:
        """Let go of the boards, and say that their pulses go on."""
        if self._boards is not None and (on := self._boards.status().enabled):
            self.get_logger().warning(
                f'{len(on)} servos stay powered: the bridge ends, its boards go on and '
                f'{self._silence.reaction.value} after {self._silence.timeout:g} s'
            )
        self._close()

    def _close(self) -> None:
        if self._boards is not None:
            self._boards.close()
        self._boards = None

    def _restart_legs(self, status: BoardsStatus) -> None:
        """Begin with the start-up again: what is on stays where it is, the rest begins at rest."""
        on = [_output(each) in status.enabled for each in self._maps]
        self._tracker.place(
            [
                angle if enabled else resting
                for enabled, angle, resting in zip(
                    on, self._tracker.positions, self._resting, strict=True
                )
            ]
        )
        self._take_over(status.found_again)
        self._enabled_legs = 0
        self._next_leg_at = 0.0

    def _take_over(self, found_again: Mapping[Output, float]) -> None:
        """Go on from the pulses that a board still put out when it was found.

        They lie behind ours: the last poses before a loss may not have got through.
        """
        if found_again:
            self._tracker.place(
                [
                    each.angle(found_again[output])
                    if (output := _output(each)) in found_again
                    else angle
                    for each, angle in zip(self._maps, self._tracker.positions, strict=True)
                ]
            )

    def _on_trajectory(self, message: JointTrajectory) -> None:
        try:
            trajectory = messages.joint_trajectory(message, self._joints)
            # Between the points the cubics can go beyond them.
            for each, ends in zip(self._maps, position_ranges(trajectory), strict=True):
                for angle in ends:
                    each.pulse_us(angle)
        except LegKinematicsError as error:
            self._refused += 1
            self._refusal = str(error)
            return
        self._refusal = ''
        # Not before the last leg has its pulses: it joins at rest as well.
        if self._active and self._legs_are_on(self._status):
            stamp = messages.seconds_of(message.header.stamp)
            self._tracker.follow(trajectory, self._stream_clock.start(stamp, monotonic()))

    def _on_tick(self) -> None:
        self._count_tick()
        self._status = BoardsStatus({})
        if self._boards is not None:
            self._status = self._boards.status()
            self._drive(self._boards, self._status)
        self._report()

    def _count_tick(self) -> None:
        now = monotonic()
        period = now - self._last_tick
        if self._ticks and (missed := int(period / self._tick - 0.5)):
            self._missed += missed
            self.get_logger().debug(f'ticks missed: {missed}, {period * 1e3:.1f} ms since the last')
        self._ticks += 1
        self._last_tick = now

    def _drive(self, boards: Boards, status: BoardsStatus) -> None:
        if status.released or status.let_go != self._let_go:
            self._let_go = status.let_go
            self._restart_legs(status)
        else:
            self._take_over(status.found_again)
        if status.lost or self._enabled_legs < len(self._legs):
            self._tracker.hold()
        now = monotonic_ns()
        positions = self._tracker.step(now / messages.NANOSECONDS)
        boards.set_pulses(
            {
                _output(each): each.pulse_us(angle)
                for each, angle in zip(self._maps, positions, strict=True)
            },
            status,
        )
        if self._active and not status.lost and not status.released:
            self._enable_next_leg(boards, status)
        if self._active and self._ticks % 2 == 0 and self._enabled_legs:
            self._states.publish(
                messages.joint_state_message(self._stamps.at(now), self._joints, positions)
            )

    def _legs_are_on(self, status: BoardsStatus) -> bool:
        """Whether every leg was enabled and has its pulses."""
        return self._enabled_legs == len(self._legs) and status.enabled.issuperset(
            map(_output, self._maps)
        )

    def _enable_next_leg(self, boards: Boards, status: BoardsStatus) -> None:
        """Enable one leg more once the one before has its pulses and the interval is over."""
        now = monotonic()
        if self._enabled_legs == len(self._legs) or now < self._next_leg_at:
            return
        if not status.enabled.issuperset(self._outputs_of_legs(self._enabled_legs)):
            return
        outputs = self._outputs_of_legs(self._enabled_legs + 1)
        boards.enable(outputs)
        self._enabled_legs += 1
        if not status.enabled.issuperset(outputs):
            self._next_leg_at = now + self._interval

    def _outputs_of_legs(self, count: int) -> list[Output]:
        """Servo outputs of the first legs, in the order of the joints."""
        joints = sum(len(joints) for joints in self._legs[:count])
        return [_output(each) for each in self._maps[:joints]]

    def _on_release(self, _: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        if self._boards is not None:
            self._boards.release()
        self._tracker.hold()
        self._released.publish(Bool(data=True))
        response.success = True
        response.message = 'pulses off, latched until bridge/rearm; the robot may sink'
        return response

    def _on_rearm(self, _: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        try:
            if self._boards is not None:
                self._boards.rearm()
        except BoardError as error:
            response.success = False
            response.message = str(error)
            return response
        self._released.publish(Bool(data=False))
        response.success = True
        response.message = (
            'rearmed; legs are enabled one after another, at rest: keep hands away. The gait waits '
            'for gait/stand'
        )
        return response

    def _report(self) -> None:
        level, state, detail = self._state_in_words(self._status)
        self._diagnostics.report(level, state, self._values, detail)

    def _values(self) -> dict[str, object]:
        values: dict[str, object] = {
            'ticks': self._ticks,
            'missed_ticks': self._missed,
            'refused': self._refused,
        }
        for name, link in self._status.links.items():
            traffic, identity = link.traffic, link.identity
            values |= {
                f'{name}.state': link.state.value,
                # Hobby servos do not tell where they are.
                f'{name}.positions': 'commanded',
                f'{name}.firmware': identity.firmware if identity else None,
                f'{name}.boots': identity.boots if identity else None,
                f'{name}.sent': traffic.sent,
                f'{name}.acknowledged': traffic.acknowledged,
                f'{name}.refused': traffic.refused,
                f'{name}.unanswered': traffic.unanswered,
                f'{name}.bad_frames': traffic.bad + link.bad_at_board,
                f'{name}.losses': link.losses,
                f'{name}.reboots': link.reboots,
                f'{name}.silences': link.silences,
                f'{name}.ack_latency_s': link.ack_latency,
                f'{name}.supply_v': link.supply,
                f'{name}.low_voltage': link.low_voltage,
                f'{name}.last_error': link.last_error,
            }
            if self._boards is not None and self._boards.shortcomings[name]:
                values[f'{name}.cannot_promise'] = '; '.join(self._boards.shortcomings[name])
        return values

    def _state_in_words(self, status: BoardsStatus) -> tuple[bytes, str, str]:
        """Level, state, and a detail that may change while the state lasts."""
        low = status.low_supplies
        detail = ''
        if self._fault:
            level, state = ERROR, self._fault
        elif not status.links:
            level, state = OK, 'unconfigured'
        elif status.released:
            level, state = WARN, 'released: pulses off until bridge/rearm'
        elif status.lost:
            level, state = ERROR, f'lost board {", ".join(status.lost)}: holding, trying to reopen'
        elif self._refusal:
            level, state, detail = ERROR, 'refused', self._refusal
        elif low:
            level, state = WARN, f'low supply voltage of board {", ".join(low)}'
            detail = ', '.join(f'{supply:.1f} V' for supply in low.values() if supply is not None)
        elif not self._active:
            level, state = OK, 'inactive: following nothing'
        elif not self._legs_are_on(status):
            level, state = OK, 'enabling legs'
        elif self._tracker.cut_off:
            level, state = WARN, 'joint_trajectory fell silent in motion: holding'
        else:
            level, state = OK, 'active'
        return level, state, detail


def _in_words(identity: BoardIdentity) -> str:
    """Say what was found on a port."""
    pulses = f'{len(identity.enabled)} of {identity.channels} channels have pulses on'
    limits = f'limits of {len(identity.limits)} stored'
    return (
        f'firmware {identity.firmware}, start {identity.boots} ({identity.boot_reason}), {pulses}, '
        f'{limits}'
    )


def _output(servo_map: ServoMap) -> Output:
    """Servo output that a joint is driven by."""
    return servo_map.board, servo_map.channel


def _specs(texts: Sequence[str], wanted: Sequence[str]) -> list[BoardSpec]:
    """Boards, exactly those that the servo maps use."""
    specs = [BoardSpec.parse(text) for text in texts]
    names = [spec.name for spec in specs]
    if sorted(names) != sorted(wanted):
        raise CommandError(
            f"'boards' must name exactly the boards of the servo maps: expected "
            f'{", ".join(wanted)} (got {", ".join(names)})'
        )
    return specs


def main() -> None:
    """Run the node as a process."""
    sys.exit(run([BridgeNode]))


if __name__ == '__main__':
    main()
