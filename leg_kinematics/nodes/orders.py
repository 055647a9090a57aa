# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Orders from a person: services that say what they did, and refuse what comes too late."""

from collections.abc import Callable

from rclpy.node import Node
from std_srvs.srv import Trigger

from leg_kinematics.chain.values import Answer


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
        An order that was sent longer ago is refused, s; none is where this is None.

    """

    def answer(_: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        done = obey()
        response.success, response.message = done.success, done.words
        # Each severity from a line of its own: rclpy ties a severity to the calling line.
        if done.success:
            node.get_logger().info(f'{name}: {done.words}')
        else:
            node.get_logger().warning(f'{name}: {done.words}')
        return response

    node.create_service(Trigger, name, answer)
