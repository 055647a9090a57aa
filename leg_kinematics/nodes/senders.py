# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Who sends what a node obeys: two at once lead a robot astray, and another type is not heard."""

from collections.abc import Collection

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
    kind
        Message type that is taken, such as `Twist`.
    advice
        What helps when somebody offers another type.
    taking_turns
        Names of nodes that send only while no other of them does, and so count as one.

    """

    def __init__(
        self,
        node: Node,
        topic: str,
        kind: str,
        advice: str = '',
        taking_turns: Collection[str] = (),
    ) -> None:
        """Look now and then."""
        self._node = node
        self._topic = topic
        self._kind = kind
        self._advice = advice
        self._taking_turns = taking_turns
        self._warned = False
        self._names: tuple[str, ...] = ()
        node.create_timer(INTERVAL, self._look)

    def _look(self) -> None:
        topic = self._node.resolve_topic_name(self._topic)
        offers = self._node.get_publishers_info_by_topic(topic)
        turns = [offer for offer in offers if offer.node_name in self._taking_turns]
        self._names = tuple(
            sorted(
                f'{offer.node_namespace.rstrip("/")}/{offer.node_name}'
                for offer in offers
                if offer not in turns[1:]
            )
        )
        kinds = {offer.topic_type.rpartition('/')[2] for offer in offers} - {self._kind}
        if kinds and not self._warned:
            self._warned = True
            self._node.get_logger().warning(
                f'{self._topic} is offered as {", ".join(sorted(kinds))}, this node takes '
                f'{self._kind}; {self._advice or "change the sender"}'
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
