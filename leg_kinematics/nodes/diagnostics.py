# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The state of a node on `/diagnostics`: once a second, and at once when it changes."""

from collections.abc import Callable, Mapping

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from rclpy.node import Node

from leg_kinematics.nodes.qos import PUBLISHED

OK = DiagnosticStatus.OK
WARN = DiagnosticStatus.WARN
ERROR = DiagnosticStatus.ERROR

INTERVAL = 1.0


class Diagnostics:
    """One status, published on change and once a second.

    Parameters
    ----------
    node
        Whose status it is.
    hardware
        Name of the robot.

    """

    def __init__(self, node: Node, hardware: str) -> None:
        """Start at OK with no message."""
        self._node = node
        self._status = DiagnosticStatus(
            level=OK, name=node.get_fully_qualified_name(), hardware_id=hardware
        )
        self._edge = (OK, '')
        self._values: Callable[[], Mapping[str, object]] = dict
        self._publisher = node.create_publisher(DiagnosticArray, '/diagnostics', PUBLISHED)
        self._timer = node.create_timer(INTERVAL, self._publish)

    def report(
        self,
        level: bytes,
        state: str,
        values: Callable[[], Mapping[str, object]] = dict,
        detail: str = '',
    ) -> None:
        """Set the status; a new level or state goes out at once, and into the log as an edge.

        A detail may change with every tick: it stands behind the state, and is no edge. The
        values are asked for whenever the status is published.
        """
        changed = (level, state) != self._edge
        self._edge = (level, state)
        self._status.level = level
        self._status.message = f'{state}: {detail}' if detail else state
        self._values = values
        if changed:
            self._publish()
            # Each severity from a line of its own: rclpy ties a severity to the calling line.
            if level == OK:
                self._node.get_logger().info(self._status.message)
            else:
                self._node.get_logger().warning(self._status.message)

    def _publish(self) -> None:
        self._status.values = [
            KeyValue(key=key, value=str(value)) for key, value in self._values().items()
        ]
        array = DiagnosticArray(status=[self._status])
        array.header.stamp = self._node.get_clock().now().to_msg()
        self._publisher.publish(array)
