# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A node for a while, beside a running chain: listens, calls, waits for what shall happen."""

from collections.abc import Callable, Sequence
from functools import cached_property
from math import inf
from time import monotonic
from types import TracebackType
from typing import Any, Self, cast

import rclpy
from diagnostic_msgs.msg import DiagnosticArray
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState
from rclpy.client import Client
from rclpy.executors import SingleThreadedExecutor
from rclpy.qos import QoSProfile
from rclpy.task import Future
from std_msgs.msg import Float64MultiArray
from std_srvs.srv import Trigger

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import RobotReport
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.nodes.running.transport import join_graph
from leg_kinematics.nodes.translation.messages import robot_report

#: Deep enough that no message is lost while the node does something else.
RECORDED = QoSProfile(depth=2000)

PATIENCE = 20.0

#: States of the bridge once it has found its boards.
FOUND = ('inactive', 'active')


class NoAnswerError(LegKinematicsError):
    """The chain did not come to the state waited for in time."""


class Participant:
    """A node with a context and an executor of its own, in the namespace of a chain.

    Parameters
    ----------
    name
        Of the node.
    namespace
        Of the chain.
    progress
        Called often, with what is going on.
    triggers
        Services that will be called.

    Attributes
    ----------
    node
        For whatever else shall be sent or heard.
    doing
        What is going on, for `progress`.
    states
        The latest message of each node's status, by node name, for people.
    values
        The latest values of each node's status.
    report
        What the bridge told last of the robot; None before that.
    patience
        How long something is waited for that should happen soon, s.

    """

    patience = PATIENCE

    def __init__(
        self,
        name: str,
        namespace: str,
        progress: Callable[[str], None] = lambda _: None,
        triggers: Sequence[str] = ('bridge/release', 'bridge/rearm'),
    ) -> None:
        """Join the graph."""
        self._context, self.node = join_graph(name, namespace)
        self._executor = SingleThreadedExecutor(context=self._context)
        self._executor.add_node(self.node)
        self._progress = progress
        self.doing = ''
        self.states: dict[str, str] = {}
        self.values: dict[str, dict[str, str]] = {}
        self.report: RobotReport | None = None
        self._trigger = {each: self._client(Trigger, each) for each in triggers}
        self.node.create_subscription(
            DiagnosticArray, '/diagnostics', self._on_diagnostics, RECORDED
        )
        self.node.create_subscription(Float64MultiArray, 'bridge/state', self._on_report, RECORDED)

    def _client(self, kind: type[Any], name: str) -> 'Client[Any, Any]':
        return self.node.create_client(kind, name)

    @cached_property
    def _change(self) -> 'Client[ChangeState.Request, ChangeState.Response]':
        """Made by whoever powers servos, which DDS security need not allow the others."""
        return self._client(ChangeState, 'bridge/change_state')

    def __enter__(self) -> Self:
        """Be there."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the graph."""
        self.close()

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

    # ---- waiting

    def spin_once(self, seconds: float = 0.02) -> None:
        """Work for so many seconds at most, s."""
        self._executor.spin_once(timeout_sec=seconds)
        self._progress(self.doing)

    def happens(self, until: Callable[[], bool], patience: float = inf) -> bool:
        """Work until a condition holds; tell whether it did in time, s."""
        end = monotonic() + patience
        while not until():
            if monotonic() > end:
                return False
            self.spin_once()
        return True

    def spin(self, until: Callable[[], bool], what: str, patience: float | None = None) -> None:
        """Work until a condition holds.

        Raises
        ------
        NoAnswerError
            It did not hold in time.

        """
        patience = self.patience if patience is None else patience
        if not self.happens(until, patience):
            raise NoAnswerError(
                f'waited {patience:g} s in vain for {what}; the nodes say {self.states}'
            )

    def wait_for(self, node: str, state: str, patience: float | None = None) -> None:
        """Work until a node reports a state."""
        self.spin(lambda: self._state_of(node) == state, f"'{state}' of {node}", patience)

    def wait_for_power(self, state: PowerState) -> None:
        """Work until the bridge tells who has power and who may move."""
        self.spin(
            lambda: self.report is not None and self.report.state is state, f'a robot {state}'
        )

    def next_report(self) -> RobotReport:
        """Wait for what the bridge tells next of the robot."""
        self.report = None
        self.spin(lambda: self.report is not None, 'bridge/state')
        return cast('RobotReport', self.report)

    def wait_for_boards(self) -> None:
        """Work until the bridge has found its boards."""
        self.spin(lambda: self._state_of('bridge') in FOUND, 'the boards')

    def _state_of(self, node: str) -> str:
        return self.values.get(node, {}).get('state', '')

    # ---- calling

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

    def find_boards(self) -> None:
        """Configure the bridge, and wait until it has found its boards: nothing is powered."""
        self.spin(self._change.service_is_ready, 'discovery of the bridge')
        self.doing = 'looking for the boards'
        self.change_bridge(Transition.TRANSITION_CONFIGURE)
        self.wait_for_boards()

    def enable_legs(self) -> None:
        """Activate the bridge, and wait until every leg has its pulses."""
        self.doing = 'enabling legs'
        self.change_bridge(Transition.TRANSITION_ACTIVATE)
        self.wait_for_power(PowerState.FOLLOWING)
