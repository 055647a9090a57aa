# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Who else sends what a node obeys: two at once lead a robot astray."""

from rclpy.node import Node

from leg_kinematics.chain.values import Condition, Level

#: Between two looks into the graph, s.
INTERVAL = 1.0


class Senders:
    """Watches who sends a topic.

    Parameters
    ----------
    node
        Who obeys it.
    topic
        Its name.

    """

    def __init__(self, node: Node, topic: str) -> None:
        """Look now and then."""
        self._node = node
        self._topic = topic
        self._names: tuple[str, ...] = ()
        node.create_timer(INTERVAL, self._look)

    def _look(self) -> None:
        topic = self._node.resolve_topic_name(self._topic)
        self._names = tuple(
            sorted(
                f'{info.node_namespace.rstrip("/")}/{info.node_name}'
                for info in self._node.get_publishers_info_by_topic(topic)
            )
        )

    def judge(self, condition: Condition) -> Condition:
        """Give the condition of the node, or a warning where it is well and two nodes send."""
        if len(self._names) < 2 or condition.level is not Level.OK:
            return condition
        return Condition(
            Level.WARN,
            f'{len(self._names)} senders of {self._topic}',
            f'{", ".join(self._names)}; only one may send. {condition}',
        )
