# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `bridge`: joint trajectory in, pulses out, through servo boards on serial lines.

A lifecycle node: configure opens and identifies the boards, activate enables leg after leg and
then follows, deactivate holds, cleanup lets go of the boards.
"""

import sys
from collections.abc import Sequence
from time import monotonic
from typing import Any

from rclpy.lifecycle import LifecycleNode, LifecycleState, TransitionCallbackReturn
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import JointState
from std_srvs.srv import Trigger
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.board import (
    BoardIdentity,
    BoardLink,
    BoardSpec,
    LinkState,
    LinkStatus,
    Reaction,
    SilenceAction,
)
from leg_kinematics.calibration import ServoMap, load_servo_maps
from leg_kinematics.errors import BoardError, CommandError, LegKinematicsError
from leg_kinematics.nodes import messages, qos
from leg_kinematics.nodes.diagnostics import ERROR, OK, WARN, Diagnostics
from leg_kinematics.nodes.parameters import BRIDGE, declare
from leg_kinematics.nodes.process import run
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

REFUSED = 'refused'


class BridgeNode(LifecycleNode):
    """Brings joints to servos, and survives what happens between them.

    Nobody knows where a hobby servo is: at start-up, after a release and after a board has lost
    its state, legs are enabled one after another at the resting posture. Only then is the stream
    followed, from wherever the joints are and never faster than allowed.
    """

    def __init__(self, overrides: Sequence[RosParameter[Any]] = ()) -> None:
        """Load and check the files; nothing is opened yet."""
        # ROS destroys the node at its end even if one of the checks below has failed.
        self._links: dict[str, BoardLink] = {}
        self._found: dict[str, BoardIdentity | None] = {}
        super().__init__(
            'bridge',
            parameter_overrides=list(overrides),
            automatically_declare_parameters_from_overrides=True,
        )
        settings = declare(self, BRIDGE)
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
        self._specs = _specs(settings.texts('boards'), maps.boards)
        self._tick = 1.0 / settings.number('rate')
        self._interval = settings.number('enable_interval')
        self._stream_clock = StreamClock()
        self._active = False
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

        Success leads to `inactive`. A missing or busy port, a board that does not answer or
        refuses leads back to `unconfigured`, with the reason in log and diagnostics.
        """
        try:
            for name, spec in self._specs.items():
                limits = {
                    each.channel: (each.lowest_us, each.highest_us)
                    for each in self._maps
                    if each.board == name
                }
                self._links[name] = BoardLink(spec, limits, self._silence)
                identity = self._links[name].open()
                self.get_logger().info(f'board {name}: {identity}')
        except BoardError as error:
            self._close()
            self._fault = str(error)
            return FAILURE
        self._fault = ''
        self._resume()
        return super().on_configure(state)

    def on_activate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Begin to enable the legs, then to follow; leads to `active`."""
        self._active = True
        return super().on_activate(state)

    def on_deactivate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Follow nothing and hold; pulses stay on. Leads to `inactive`."""
        self._active = False
        self._tracker.hold()
        return super().on_deactivate(state)

    def on_cleanup(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Stop all pulses and let go of the boards; leads to `unconfigured`."""
        for link in self._links.values():
            link.release()
        self._close()
        return super().on_cleanup(state)

    def on_shutdown(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Let go of the boards, which then act by their setting for silence."""
        self._active = False
        self._close()
        return super().on_shutdown(state)

    def destroy_node(self) -> None:
        """End the process's hold on the boards; they then act by their setting for silence."""
        self._close()
        super().destroy_node()

    def _close(self) -> None:
        for link in self._links.values():
            link.close()
        self._links.clear()

    def _resume(self) -> None:
        """Begin where the boards say that their servos are, else at the resting posture."""
        self._let_go = 0
        self._found = {name: link.status().identity for name, link in self._links.items()}
        held = {
            (name, channel): pulse
            for name, link in self._links.items()
            if (identity := link.status().identity) is not None
            for channel, pulse in identity.pulses_us.items()
        }
        if all((each.board, each.channel) in held for each in self._maps):
            self._tracker.place([each.angle(held[each.board, each.channel]) for each in self._maps])
            for each in self._maps:
                self._links[each.board].enable([each.channel])
            self._enabled_legs = len(self._legs)
        else:
            self._restart_legs()

    def _restart_legs(self) -> None:
        self._tracker.place(self._resting)
        self._enabled_legs = 0
        self._next_leg_at = 0.0

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
        if self._active and self._enabled_legs == len(self._legs):
            stamp = messages.seconds_of(message.header.stamp)
            self._tracker.follow(trajectory, self._stream_clock.start(stamp, monotonic()))

    def _on_tick(self) -> None:
        statuses = {name: link.status() for name, link in self._links.items()}
        self._count_tick()
        if statuses:
            self._drive(statuses)
        self._report(statuses)

    def _count_tick(self) -> None:
        now = monotonic()
        if self._ticks:
            self._missed += int((now - self._last_tick) / self._tick - 0.5)
        self._ticks += 1
        self._last_tick = now

    def _drive(self, statuses: dict[str, LinkStatus]) -> None:
        let_go = sum(status.let_go for status in statuses.values())
        if let_go != self._let_go or any(status.released for status in statuses.values()):
            self._let_go = let_go
            self._restart_legs()
        self._take_over(statuses)
        lost = any(status.state is not LinkState.READY for status in statuses.values())
        if lost or self._enabled_legs < len(self._legs):
            self._tracker.hold()
        stamp = self.get_clock().now().to_msg()
        positions = self._tracker.step(monotonic())
        for name, link in self._links.items():
            # One that is found again just now is taken over first, in the next tick.
            if statuses[name].state is LinkState.READY:
                link.set_pulses(
                    {
                        each.channel: each.pulse_us(angle)
                        for each, angle in zip(self._maps, positions, strict=True)
                        if each.board == name
                    }
                )
        if self._active and not lost:
            self._enable_next_leg(statuses)
        if self._active and self._ticks % 2 == 0 and self._enabled_legs:
            self._states.publish(messages.joint_state_message(stamp, self._joints, positions))

    def _take_over(self, statuses: dict[str, LinkStatus]) -> None:
        """Go on from the pulses that a board still put out when it was found again.

        They lie behind ours: the last poses before a loss may not have got through.
        """
        found = {name: status.identity for name, status in statuses.items()}
        held = {
            (name, channel): pulse
            for name, identity in found.items()
            if identity is not None and identity is not self._found[name]
            for channel, pulse in identity.pulses_us.items()
        }
        self._found = found
        if held:
            self._tracker.place(
                [
                    each.angle(held[key]) if (key := (each.board, each.channel)) in held else angle
                    for each, angle in zip(self._maps, self._tracker.positions, strict=True)
                ]
            )

    def _enable_next_leg(self, statuses: dict[str, LinkStatus]) -> None:
        """Enable one leg more once the one before has its pulses and the interval is over."""
        now = monotonic()
        released = any(status.released for status in statuses.values())
        if released or self._enabled_legs == len(self._legs) or now < self._next_leg_at:
            return
        for each in self._maps_of_legs(self._enabled_legs):
            if each.channel not in statuses[each.board].enabled:
                return
        for each in self._maps_of_legs(self._enabled_legs + 1):
            self._links[each.board].enable([each.channel])
        self._enabled_legs += 1
        self._next_leg_at = now + self._interval

    def _maps_of_legs(self, count: int) -> tuple[ServoMap, ...]:
        """Servo maps of the first legs, in the order of the joints."""
        return self._maps[: sum(len(joints) for joints in self._legs[:count])]

    def _on_release(self, _: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        for link in self._links.values():
            link.release()
        self._tracker.hold()
        response.success = True
        response.message = 'pulses off, latched until bridge/rearm; the robot may sink'
        return response

    def _on_rearm(self, _: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        try:
            for link in self._links.values():
                link.rearm()
        except BoardError as error:
            response.success = False
            response.message = str(error)
            return response
        response.success = True
        response.message = 'rearmed; legs are enabled again one after another, at rest'
        return response

    def _report(self, statuses: dict[str, LinkStatus]) -> None:
        level, state = self._state_in_words(statuses)
        detail = self._refusal if state == REFUSED else ''
        self._diagnostics.report(level, state, self._values, detail)

    def _values(self) -> dict[str, object]:
        values: dict[str, object] = {
            'ticks': self._ticks,
            'missed_ticks': self._missed,
            'refused': self._refused,
        }
        for name, link in self._links.items():
            status = link.status()
            traffic = status.traffic
            values |= {
                f'{name}.state': status.state.value,
                f'{name}.sent': traffic.sent,
                f'{name}.acknowledged': traffic.acknowledged,
                f'{name}.refused': traffic.refused,
                f'{name}.unanswered': traffic.unanswered,
                f'{name}.bad_frames': traffic.bad + status.bad_at_board,
                f'{name}.losses': status.losses,
                f'{name}.reboots': status.reboots,
                f'{name}.silences': status.silences,
                f'{name}.ack_latency_s': status.ack_latency,
                f'{name}.supply_v': status.supply,
                f'{name}.last_error': status.last_error,
            }
        return values

    def _state_in_words(self, statuses: dict[str, LinkStatus]) -> tuple[bytes, str]:
        lost = [name for name, s in statuses.items() if s.state is not LinkState.READY]
        on = {(name, channel) for name, s in statuses.items() for channel in s.enabled}
        if self._fault:
            words = (ERROR, self._fault)
        elif not statuses:
            words = (OK, 'unconfigured')
        elif any(status.released for status in statuses.values()):
            words = (WARN, 'released: pulses off until bridge/rearm')
        elif lost:
            words = (ERROR, f'lost board {", ".join(lost)}: holding, trying to reopen')
        elif self._refusal:
            words = (ERROR, REFUSED)
        elif not self._active:
            words = (OK, 'inactive: following nothing')
        elif any((each.board, each.channel) not in on for each in self._maps):
            words = (OK, 'enabling legs')
        else:
            words = (OK, 'active')
        return words


def _specs(texts: Sequence[str], wanted: Sequence[str]) -> dict[str, BoardSpec]:
    """Boards by name, exactly those that the servo maps use."""
    specs = [BoardSpec.parse(text) for text in texts]
    names = [spec.name for spec in specs]
    if sorted(names) != sorted(wanted):
        raise CommandError(
            f"'boards' must name exactly the boards of the servo maps: expected "
            f'{", ".join(wanted)} (got {", ".join(names)})'
        )
    return {spec.name: spec for spec in specs}


def main() -> None:
    """Run the node as a process."""
    sys.exit(run([BridgeNode]))


if __name__ == '__main__':
    main()
