# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody who operates a running chain: brings the bridge up, stands, drives, listens."""

from collections.abc import Callable
from time import monotonic
from typing import Any

import rclpy
from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import TwistStamped
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState
from nav_msgs.msg import Odometry
from rclpy.client import Client
from rclpy.context import Context
from rclpy.executors import SingleThreadedExecutor
from rclpy.qos import QoSProfile
from rclpy.serialization import deserialize_message
from rclpy.task import Future
from std_msgs.msg import Float64MultiArray
from std_srvs.srv import Trigger
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import RobotReport
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.messages import robot_report
from leg_kinematics.nodes.qos import PUBLISHED
from leg_kinematics.nodes.transport import prefer_sockets

#: Deep enough that no message is lost while the operator does something else.
RECORDED = QoSProfile(depth=2000)

PATIENCE = 20.0

COMMAND_INTERVAL = 0.05

#: States of the bridge once it has found its boards.
FOUND = ('inactive', 'active')

#: State of the gait once the robot can be taken over.
READY = 'waiting for gait/stand'


class NoAnswerError(LegKinematicsError):
    """The chain did not come to the state waited for in time."""


class Operator:
    """A node that drives a chain and records what passes through it.

    Parameters
    ----------
    namespace
        Of the chain.
    progress
        Called often, with what is going on.

    Attributes
    ----------
    node
        For whatever else shall be sent or heard.
    foot_targets, odometry
        Every message received, in its serialised form.
    states
        The latest message of each node's status, by node name, for people.
    values
        The latest values of each node's status.
    report
        What the bridge told last of the robot; None before that.

    """

    def __init__(self, namespace: str, progress: Callable[[str], None] = lambda _: None) -> None:
        """Connect to the topics of the chain, in a context of its own."""
        prefer_sockets()
        self._context = Context()
        rclpy.init(context=self._context)
        self.node = rclpy.create_node('operator', namespace=namespace, context=self._context)
        self._executor = SingleThreadedExecutor(context=self._context)
        self._executor.add_node(self.node)
        self._progress = progress
        self._doing = ''
        self.foot_targets: list[bytes] = []
        self.odometry: list[bytes] = []
        self.states: dict[str, str] = {}
        self.values: dict[str, dict[str, str]] = {}
        self.report: RobotReport | None = None
        node = self.node
        self._commands = node.create_publisher(TwistStamped, 'cmd_vel', PUBLISHED)
        self._trigger = {
            name: self._client(Trigger, name)
            for name in ('gait/stand', 'gait/crouch', 'bridge/release', 'bridge/rearm')
        }
        self._change: Client[ChangeState.Request, ChangeState.Response] = node.create_client(
            ChangeState, 'bridge/change_state'
        )
        node.create_subscription(
            MultiDOFJointTrajectory,
            'foot_targets',
            self.foot_targets.append,
            RECORDED,
            raw=True,
        )
        node.create_subscription(Odometry, 'odom', self.odometry.append, RECORDED, raw=True)
        node.create_subscription(DiagnosticArray, '/diagnostics', self._on_diagnostics, RECORDED)
        node.create_subscription(Float64MultiArray, 'bridge/state', self._on_report, RECORDED)

    def _client(self, kind: type[Any], name: str) -> 'Client[Any, Any]':
        return self.node.create_client(kind, name)

    def close(self) -> None:
        """Leave the graph."""
        self._executor.shutdown()
        self.node.destroy_node()
        rclpy.try_shutdown(context=self._context)

    def _on_report(self, message: Float64MultiArray) -> None:
        self.report = robot_report(message.data)

    def _on_diagnostics(self, message: DiagnosticArray) -> None:
        prefix = self.node.get_namespace().rstrip('/') + '/'
        for status in message.status:
            if status.name.startswith(prefix):
                name = status.name.removeprefix(prefix)
                self.states[name] = status.message
                self.values[name] = {value.key: value.value for value in status.values}

    def spin(self, until: Callable[[], bool], what: str, patience: float = PATIENCE) -> None:
        """Work until a condition holds.

        Raises
        ------
        NoAnswerError
            It did not in time.

        """
        end = monotonic() + patience
        while not until():
            if monotonic() > end:
                raise NoAnswerError(
                    f'{what} did not happen within {patience:g} s; the nodes say {self.states}'
                )
            self._executor.spin_once(timeout_sec=0.02)
            self._progress(self._doing)

    def wait_for(self, node: str, state: str, patience: float = PATIENCE) -> None:
        """Work until a node reports a state."""
        self.spin(lambda: self._state_of(node) == state, f"'{state}' of {node}", patience)

    def wait_for_power(self, state: PowerState) -> None:
        """Work until the bridge tells who has power and who may move."""
        self.spin(
            lambda: self.report is not None and self.report.state is state, f'a robot {state}'
        )

    def _state_of(self, node: str) -> str:
        return self.values.get(node, {}).get('state', '')

    def wait_for_graph(self) -> None:
        """Work until every end of the chain is connected to this node."""
        self._doing = 'finding the nodes'
        clients = [*self._trigger.values(), self._change]
        self.spin(
            lambda: (
                all(client.service_is_ready() for client in clients)
                and self._commands.get_subscription_count() > 0
                and self.node.count_publishers('foot_targets') > 0
                and self.node.count_publishers('odom') > 0
            ),
            'discovery of the chain',
        )

    def order(self, name: str) -> 'Future[Any]':
        """Call a trigger service, and leave it to the caller to wait for the `answer`."""
        return self._trigger[name].call_async(Trigger.Request())

    def answer(self, future: 'Future[Any]', name: str) -> Any:  # noqa: ANN401
        """Wait for the response of a service."""
        self.spin(future.done, f'an answer of {name}')
        return future.result()

    def call(self, name: str) -> str:
        """Call a trigger service and return its message.

        Raises
        ------
        NoAnswerError
            It was refused, or nobody answered.

        """
        response = self.answer(self.order(name), name)
        if not response.success:
            raise NoAnswerError(f'{name}: {response.message}')
        return str(response.message)

    def change_bridge(self, transition: int) -> None:
        """Ask the bridge for a transition of its life cycle.

        Raises
        ------
        NoAnswerError
            It failed, or nobody answered.

        """
        request = ChangeState.Request(transition=Transition(id=transition))
        if not self.answer(self._change.call_async(request), 'bridge/change_state').success:
            raise NoAnswerError(
                f'transition {transition} of the bridge failed: {self.states.get("bridge", "?")}'
            )

    def bring_up(self) -> None:
        """Configure and activate the bridge; wait for pulses on every leg, and for foot states."""
        self.wait_for_graph()
        self._doing = 'enabling legs'
        self.change_bridge(Transition.TRANSITION_CONFIGURE)
        self.wait_for_boards()
        self.change_bridge(Transition.TRANSITION_ACTIVATE)
        self.wait_for_power(PowerState.FOLLOWING)
        self.wait_for('gait', READY)

    def wait_for_boards(self) -> None:
        """Work until the bridge has found its boards."""
        self.spin(lambda: self._state_of('bridge') in FOUND, 'the boards')

    def stand(self) -> None:
        """Stand up and wait until the robot stands."""
        self._doing = 'standing up'
        self.call('gait/stand')
        self.wait_for('gait', 'standing')

    def crouch(self) -> None:
        """Crouch and wait until the robot rests."""
        self._doing = 'crouching'
        self.call('gait/crouch')
        self.wait_for('gait', 'resting')

    def drive(self, twist: Twist, seconds: float, what: str) -> None:
        """Send a body velocity for a while."""
        self._doing = what
        end = monotonic() + seconds
        while (now := monotonic()) < end:
            self.send(twist)
            pause = min(end, now + COMMAND_INTERVAL)
            self.spin(lambda pause=pause: monotonic() >= pause, what)  # type: ignore[misc]

    def send(self, twist: Twist) -> None:
        """Send one body velocity."""
        message = TwistStamped()
        message.header.stamp = self.node.get_clock().now().to_msg()
        message.twist.linear.x = twist.x
        message.twist.linear.y = twist.y
        message.twist.angular.z = twist.yaw
        self._commands.publish(message)

    def targets_heard(self) -> list[MultiDOFJointTrajectory]:
        """Return all foot targets received so far."""
        return [deserialize_message(each, MultiDOFJointTrajectory) for each in self.foot_targets]

    def odometry_heard(self) -> list[Odometry]:
        """Return all odometry received so far."""
        return [deserialize_message(each, Odometry) for each in self.odometry]
