# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `bridge`: joint trajectory in, pulses out, through servo boards on serial lines.

A lifecycle node: configure looks for the boards until they are there, activate enables leg after
leg if none was released, deactivate holds, cleanup stops all pulses.
"""

import secrets
import sys
from collections.abc import Callable, Sequence
from time import monotonic
from typing import Any

from rclpy.lifecycle import LifecycleNode, LifecycleState, TransitionCallbackReturn
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import JointState
from std_msgs.msg import Float64MultiArray
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.board import Boards, BoardSpec, Reaction, SilenceAction
from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.chain.driving import Driving, DrivingParameters
from leg_kinematics.chain.outputs import pulse_limits
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import NANOSECONDS, JointTargets
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.nodes import messages, qos
from leg_kinematics.nodes.board_values import board_values, identity_in_words
from leg_kinematics.nodes.diagnostics import Diagnostics
from leg_kinematics.nodes.orders import offer_order
from leg_kinematics.nodes.parameters import BRIDGE, Settings, declare
from leg_kinematics.nodes.process import run
from leg_kinematics.nodes.scheduling import take_priority
from leg_kinematics.nodes.senders import Senders
from leg_kinematics.nodes.stamps import Stamps
from leg_kinematics.nodes.streams import JointStates, JointTrajectories, RobotReports
from leg_kinematics.robot import load_robot
from leg_kinematics.solver import leg_solvers, posture_angles

SUCCESS = TransitionCallbackReturn.SUCCESS
FAILURE = TransitionCallbackReturn.FAILURE

#: Between two reports of the joints and of the robot, s, or a tick where that is longer.
REPORT_INTERVAL = 0.02


class BridgeNode(LifecycleNode):
    """Has joint trajectories driven, and says what the robot does.

    Parameters
    ----------
    overrides
        Of parameters.
    ticks
        Whether the node ticks by itself; otherwise whoever has all stages in one process calls
        `tell` after each of their steps.

    Attributes
    ----------
    pass_on
        Takes joint targets that came as a message.

    """

    def __init__(
        self, overrides: 'Sequence[RosParameter[Any]]' = (), *, ticks: bool = True
    ) -> None:
        """Load and check the files; nothing is opened yet."""
        # ROS destroys the node at its end even if one of the checks below has failed.
        self._stage: Driving | None = None
        super().__init__(
            'bridge',
            parameter_overrides=list(overrides),
            automatically_declare_parameters_from_overrides=True,
        )
        settings = declare(self, BRIDGE)
        take_priority(settings.whole('realtime_priority'))
        self.rate = settings.number('rate')
        self._tick = 1.0 / self.rate
        joints, name, stage = self._load(settings)
        self._targets = JointTrajectories(joints)
        self._joint_states = JointStates(joints)
        self._robot_reports = RobotReports()
        self._stage = stage
        self._tells = max(1, round(REPORT_INTERVAL / self._tick))
        self._stamps = Stamps()
        self._found = False
        self._ticks = self._missed = 0
        self._last_tick = 0.0
        self._told = (PowerState.UNPOWERED, 0)
        self._diagnostics = Diagnostics(self, name, self._values)
        self._senders = Senders(self, 'joint_trajectory', 'JointTrajectory')
        self._states = self.create_publisher(JointState, 'joint_states', qos.PUBLISHED)
        self._reports = self.create_publisher(Float64MultiArray, 'bridge/state', qos.PUBLISHED)
        self._limits = self.create_publisher(JointTrajectory, 'bridge/limits', qos.DESCRIPTION)
        self._limits.publish(messages.limits_message(stage.limits))
        self.create_subscription(
            JointTrajectory, 'joint_trajectory', self._on_trajectory, qos.STREAM, raw=True
        )
        age = settings.number('max_command_age')
        # A release is obeyed however late it comes.
        offer_order(self, 'bridge/release', stage.release)
        offer_order(self, 'bridge/rearm', stage.rearm, max_age=age)
        self.pass_on: Callable[[JointTargets], None] = self._follow
        self._pending = settings.flag('enable')
        if self._pending:
            self._start_timer = self.create_timer(0.0, self._start)
        if ticks:
            self.create_timer(self._tick, self._on_tick)

    def _load(self, settings: Settings) -> tuple[tuple[str, ...], str, Driving]:
        """Joints and name of the robot, and the stage that drives it."""
        robot = load_robot(settings.text('robot'))
        maps = load_servo_maps(settings.text('servo_maps'), robot)
        legs = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
        posture_angles(robot, legs, 'standing')
        silence = SilenceAction(
            Reaction(settings.text('board_silence_reaction')), settings.number('board_silence')
        )
        if silence.timeout * self.rate < 3.0 - 1e-9:
            raise CommandError(
                f"'board_silence' {silence.timeout:g} s must be at least three ticks of 'rate' "
                f'{self.rate:g} Hz, which are {3.0 * self._tick:g} s'
            )
        boards = Boards(
            _specs(settings.texts('boards'), maps.boards),
            pulse_limits(maps.maps),
            silence,
            store_limits=settings.flag('store_limits'),
        )
        self._silence = silence
        self._shortcomings = boards.shortcomings
        stage = Driving(
            robot,
            maps.maps,
            posture_angles(robot, legs, 'resting'),
            DrivingParameters(
                speed_share=settings.number('speed_share'),
                joint_acceleration=settings.number('joint_acceleration'),
                catch_up_speed=settings.number('catch_up_speed'),
                enable_interval=settings.number('enable_interval'),
            ),
            boards,
            session=secrets.randbits(32),
        )
        return robot.joints, robot.name, stage

    # ---- life cycle

    def _start(self) -> None:
        self._start_timer.cancel()
        self.trigger_configure()

    def on_configure(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Begin to look for the boards, which may not be there yet; leads to `inactive`."""
        self.driving.configure()
        self._found = False
        return super().on_configure(state)

    def on_activate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Enable the legs one after another, unless they were released; leads to `active`.

        A board that is not there leads back to `inactive`, with the reason in the log.
        """
        answer = self.driving.activate()
        if not answer.success:
            self.get_logger().error(f'not activated: {answer.words}')
            return FAILURE
        self._pending = False
        self.get_logger().info(f'activated: {answer.words}')
        return super().on_activate(state)

    def on_deactivate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Park where the robot is: come to rest, hold, pulses on. Leads to `inactive`.

        Only the gait knows which feet carry; whoever wants the robot lower first calls `crouch`.
        """
        self.driving.deactivate()
        return super().on_deactivate(state)

    def on_cleanup(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Stop all pulses, which stay off until `bridge/rearm`; leads to `unconfigured`.

        It ends a start that was ordered with the process and waits for its boards.
        """
        self._pending = False
        self.get_logger().info(f'cleaned up: {self.driving.cleanup().words}')
        return super().on_cleanup(state)

    def on_shutdown(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Let go of the boards, which then act by their setting for silence."""
        self._leave()
        return super().on_shutdown(state)

    def destroy_node(self) -> None:
        """End the process's hold on the boards; they then act by their setting for silence."""
        self._leave()
        super().destroy_node()

    def _leave(self) -> None:
        if self._stage is not None and (on := self._stage.shutdown()):
            self.get_logger().warning(
                f'{len(on)} servos stay powered: the bridge ends, its boards go on and '
                f'{self._silence.reaction.value} after {self._silence.timeout:g} s'
            )

    # ---- in and out

    @property
    def driving(self) -> Driving:
        """What drives the servos."""
        if self._stage is None:
            raise RuntimeError('the node was not made')
        return self._stage

    def _on_trajectory(self, message: bytes) -> None:
        try:
            self.pass_on(self._targets.read(message))
        except LegKinematicsError as error:
            self.driving.refuse(error)

    def _follow(self, targets: JointTargets) -> None:
        self.driving.follow(targets, monotonic())

    def _on_tick(self) -> None:
        now = monotonic()
        self.driving.step(now)
        self.tell(now)

    def tell(self, now: float) -> None:
        """Say what the stage did in its step at an instant of the steady clock, s."""
        stage = self.driving
        self._count_tick(now)
        report = stage.report()
        edge = (report.state, report.losses)
        if self._ticks % self._tells == 0 or edge != self._told:
            self._told = edge
            if self._reports.get_subscription_count():
                self._reports.publish(self._robot_reports.write(report))
            if stage.located and self._states.get_subscription_count():
                stamp = round(now * NANOSECONDS) + self._stamps.offset()
                self._states.publish(
                    self._joint_states.write(stamp, stage.positions, stage.velocities)
                )
        if stage.status.found and not self._found:
            self._greet()
        self._diagnostics.report(self._senders.judge(stage.condition()))

    def _greet(self) -> None:
        """Say what was found, and go on with the start that was ordered with the process."""
        self._found = True
        for name, link in self.driving.status.links.items():
            if link.identity is not None:
                self.get_logger().info(f'board {name}: {identity_in_words(link.identity)}')
            if self._shortcomings[name]:
                self.get_logger().warning(
                    f'what board {name} cannot promise: {"; ".join(self._shortcomings[name])}'
                )
        if self._pending:
            self.trigger_activate()

    def _count_tick(self, now: float) -> None:
        period = now - self._last_tick
        if self._ticks and (missed := int(period / self._tick - 0.5)):
            self._missed += missed
            self.get_logger().debug(f'ticks missed: {missed}, {period * 1e3:.1f} ms since the last')
        self._ticks += 1
        self._last_tick = now

    def _values(self) -> dict[str, object]:
        stage = self.driving
        report = stage.report()
        values: dict[str, object] = {
            'power': report.state.value,
            'losses_of_power': report.losses,
            'lag_rad': f'{report.lag:.4f}',
            'ticks': self._ticks,
            'missed_ticks': self._missed,
            'refused': stage.refused,
        }
        for name, link in stage.status.links.items():
            values |= board_values(name, link, self._shortcomings[name])
        return values


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
    sys.exit(run(lambda: [BridgeNode()]))


if __name__ == '__main__':
    main()
