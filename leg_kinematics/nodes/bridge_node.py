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
from typing import TYPE_CHECKING, Any

from rclpy.event_handler import SubscriptionEventCallbacks
from rclpy.lifecycle import LifecycleNode, LifecycleState, TransitionCallbackReturn
from rclpy.parameter import Parameter as RosParameter
from std_msgs.msg import Bool
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.board.parameters import BoardsParameters
from leg_kinematics.board.port import is_pseudo_terminal
from leg_kinematics.chain.driving import Driving, DrivingParameters
from leg_kinematics.chain.emergency_stops import EmergencyStops
from leg_kinematics.chain.outputs import pulse_limits
from leg_kinematics.chain.ticks import Ticks
from leg_kinematics.chain.values import JointTargets
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.nodes.caution import CAUTION
from leg_kinematics.nodes.orders import offer_order
from leg_kinematics.nodes.robot_broadcaster import RobotBroadcaster
from leg_kinematics.nodes.running.catalogue import BRIDGE, BridgeNodeParameters, OrderParameters
from leg_kinematics.nodes.running.process import run
from leg_kinematics.nodes.running.reach import tell_reach
from leg_kinematics.nodes.running.start import start
from leg_kinematics.nodes.senders import Senders
from leg_kinematics.nodes.translation import qos
from leg_kinematics.nodes.translation.diagnostics import Diagnostics
from leg_kinematics.nodes.translation.status_values import bridge_values, identity_in_words
from leg_kinematics.nodes.translation.streams import JointTrajectories
from leg_kinematics.solver import posture_angles

if TYPE_CHECKING:
    # Jazzy has it under another name.
    from rclpy.subscription import MessageInfo

SUCCESS = TransitionCallbackReturn.SUCCESS
FAILURE = TransitionCallbackReturn.FAILURE


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
        super().__init__('bridge', parameter_overrides=list(overrides))
        settings, calibrated = start(self, BRIDGE)
        robot, maps = calibrated.robot, calibrated.maps.maps
        self._boards = settings.of(BoardsParameters)
        boards = self._boards.boards_for(pulse_limits(maps))
        stage = self._stage = Driving(
            robot,
            maps,
            posture_angles(robot, calibrated.legs, 'resting'),
            settings.of(DrivingParameters),
            boards,
            session=secrets.randbits(32),
        )
        self.rate = self._boards.rate
        tick = 1.0 / self.rate
        self._targets = JointTrajectories(robot.joints)
        self._found = False
        self._ticks = Ticks(tick)
        self._shortcomings = boards.shortcomings
        reach = tell_reach(self)
        self._diagnostics = Diagnostics(
            self,
            robot.name,
            lambda: {'reach': reach, **bridge_values(stage, self._ticks, self._shortcomings)},
        )
        self._senders = Senders(self, 'joint_trajectory', 'JointTrajectory')
        self._broadcaster = RobotBroadcaster(self, stage, tick)
        self.create_subscription(
            JointTrajectory, 'joint_trajectory', self._on_trajectory, qos.STREAM, raw=True
        )
        self._emergency_stops = EmergencyStops()
        # A sender that keeps its value for late joiners is heard even if it spoke before we came,
        # and by the other subscription one that does not keep it. That the first cannot hear such
        # a one is no trouble, and not to be told as one.
        for profile in (qos.DESCRIPTION, qos.PUBLISHED):
            self.create_subscription(
                Bool,
                'emergency_stop',
                self._on_emergency_stop,
                profile,
                event_callbacks=SubscriptionEventCallbacks(
                    use_default_callbacks=profile is not qos.DESCRIPTION
                ),
            )
        age = settings.of(OrderParameters).max_command_age
        # A release is obeyed however late it comes.
        offer_order(self, 'bridge/release', stage.release)
        offer_order(self, 'bridge/rearm', stage.rearm, max_age=age)
        self.pass_on: Callable[[JointTargets], None] = self._follow
        self._pending = settings.of(BridgeNodeParameters).enable
        if self._pending:
            self._start_timer = self.create_timer(0.0, self._start)
        if ticks:
            self.create_timer(tick, self._on_tick)

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
            silence = self._boards.silence
            self.get_logger().warning(
                f'{len(on)} servos stay powered: the bridge ends, its boards go on and '
                f'{silence.reaction.value} after {silence.timeout:g} s'
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

    def _on_emergency_stop(self, message: Bool, info: 'MessageInfo') -> None:
        sender = bytes((info.get('publisher_gid') or {}).get('data', b''))
        offers = self.get_publishers_info_by_topic(self.resolve_topic_name('emergency_stop'))
        stops, before = self._emergency_stops, self._emergency_stops.count
        stops.hear(sender, on=message.data, there={bytes(each.endpoint_gid) for each in offers})
        if stops.on != self.driving.emergency_stop:
            answer = self.driving.set_emergency_stop(on=stops.on)
            self.get_logger().warning(answer.words)
        elif stops.on and stops.count < before:
            self.get_logger().warning(
                f'one emergency stop is off, the robot stays stopped: {stops.count} more hold it'
            )

    def _on_tick(self) -> None:
        now = monotonic()
        self.driving.step(now)
        self.tell(now, now)

    def tell(self, now: float, at: float) -> None:
        """Say, at an instant of the steady clock, s, what the stage did in its step to another."""
        stage = self.driving
        if missed := self._ticks.see(now):
            period = self._ticks.period
            self.get_logger().debug(f'ticks missed: {missed}, {period * 1e3:.1f} ms since the last')
        self._broadcaster.tell(at)
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
        if not all(is_pseudo_terminal(board.port) for board in self._boards.boards):
            self.get_logger().warning(CAUTION)
        if self._pending:
            self.trigger_activate()


def main() -> None:
    """Run the node as a process."""
    sys.exit(run(lambda: [BridgeNode()]))


if __name__ == '__main__':
    main()
