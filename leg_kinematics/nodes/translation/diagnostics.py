# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The condition of a node on `/diagnostics`: once a second, and at once when it changes."""

from collections.abc import Callable, Mapping

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from rclpy.node import Node

from leg_kinematics.chain.values import Condition, Level
from leg_kinematics.nodes.translation.qos import PUBLISHED

INTERVAL = 1.0


class Diagnostics:
    """One status, published on change and once a second.

    Its message is for people. Its value `state` has the state alone, for whoever waits for one.

    Parameters
    ----------
    node
        Whose status it is.
    hardware
        Name of the robot.
    values
        Asked for whenever the status is published.

    """

    def __init__(
        self, node: Node, hardware: str, values: Callable[[], Mapping[str, object]]
    ) -> None:
        """Start at OK with no message."""
        self._node = node
        self._status = DiagnosticStatus(
            level=DiagnosticStatus.OK,
            name=node.get_fully_qualified_name(),
            hardware_id=hardware,
        )
        self._condition = Condition(Level.OK, '')
        self._values = values
        self._publisher = node.create_publisher(DiagnosticArray, '/diagnostics', PUBLISHED)
        self._timer = node.create_timer(INTERVAL, self._publish)

    def report(self, condition: Condition) -> None:
        """Set the condition; a new level or state goes out at once, and into the log as an edge.

        A detail may change with every tick: it stands behind the state, and is no edge.
        """
        before, self._condition = self._condition, condition
        if (condition.level, condition.state) == (before.level, before.state):
            return
        self._publish()
        # Each severity from a line of its own: rclpy ties a severity to the calling line.
        if condition.level is Level.OK:
            self._node.get_logger().info(str(condition))
        else:
            self._node.get_logger().warning(str(condition))

    def _publish(self) -> None:
        self._status.level = bytes([self._condition.level])
        self._status.message = str(self._condition)
        values = {'state': self._condition.state, **self._values()}
        self._status.values = [KeyValue(key=key, value=str(each)) for key, each in values.items()]
        array = DiagnosticArray(status=[self._status])
        array.header.stamp = self._node.get_clock().now().to_msg()
        self._publisher.publish(array)
