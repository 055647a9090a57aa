# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Orders from a person: services that say what they did, and refuse what comes too late.

Calls of services are no messages, so every order is told on the topic `orders` as well, with its
answer: a recording without them would not say why the robot moved.
"""

from collections.abc import Callable

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from rclpy.node import Node
from rclpy.publisher import Publisher
from std_srvs.srv import Trigger

from leg_kinematics.chain.values import Answer
from leg_kinematics.nodes.timed_service import create_timed_service
from leg_kinematics.nodes.translation import qos
from leg_kinematics.nodes.translation.stamps import refusal_of_age


def offer_order(
    node: Node, name: str, obey: Callable[[], Answer], max_age: float | None = None
) -> None:
    """Offer an order as a service.

    Parameters
    ----------
    node
        Who obeys.
    name
        Of the service.
    obey
        Does what is asked for, and says what it did.
    max_age
        An order that was sent longer ago is refused, s, and one that seems to come from as far
        ahead; none is where this is None, or where the middleware does not tell when it was sent.

    """
    told = _publisher_of(node)

    def answer(
        _: Trigger.Request, response: Trigger.Response, sent: int | None
    ) -> Trigger.Response:
        refusal = ''
        if max_age is not None and sent is not None:
            refusal = refusal_of_age(sent, node.get_clock().now().nanoseconds, max_age)
        done = Answer(success=False, words=f'refused: {refusal}') if refusal else obey()
        response.success, response.message = done.success, done.words
        status = DiagnosticStatus(name=name, message=done.words)
        status.level = DiagnosticStatus.OK if done.success else DiagnosticStatus.WARN
        order = DiagnosticArray(status=[status])
        order.header.stamp = node.get_clock().now().to_msg()
        told.publish(order)
        if done.success:
            node.get_logger().info(f'{name}: {done.words}')
        else:
            node.get_logger().warning(f'{name}: {done.words}')
        return response

    create_timed_service(node, Trigger, name, answer)


def _publisher_of(node: Node) -> 'Publisher[DiagnosticArray]':
    """Give the publisher on which a node tells of its orders, the same for all of them."""
    topic = node.resolve_topic_name('orders')
    there = [each for each in node.publishers if each.topic_name == topic]
    return there[0] if there else node.create_publisher(DiagnosticArray, topic, qos.PUBLISHED)
