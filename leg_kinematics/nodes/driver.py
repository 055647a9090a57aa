# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What somebody who drives sends to the chain: velocity, lean, duty factor and orders."""

from collections.abc import Callable, Iterable, Mapping, Sequence

from geometry_msgs.msg import PoseStamped, TwistStamped
from rclpy.node import Node
from std_msgs.msg import Float64

from leg_kinematics.chain.values import Answer
from leg_kinematics.gait import Offset, Twist
from leg_kinematics.nodes.order_calls import RELEASE, OrderCalls
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.teleop.layout import Act
from leg_kinematics.teleop.steering import Wanted

#: Services of the orders.
ORDERS: Mapping[Act, str] = {
    Act.STAND: 'gait/stand',
    Act.CROUCH: 'gait/crouch',
    Act.RELEASE: RELEASE,
}

#: Service that stops whoever drives, of an arbiter.
STOP_EVERYBODY = 'arbiter/stop'


class DriverTopics:
    """Sends what is wanted, and calls what is ordered.

    Parameters
    ----------
    node
        Who drives.
    velocity
        Topic of the velocity.
    tell
        Takes the name of an order and its answer.
    more_orders
        Services of more orders than those of a pad.

    """

    def __init__(
        self,
        node: Node,
        velocity: str,
        tell: Callable[[str, Answer], None],
        more_orders: Sequence[str] = (),
    ) -> None:
        """Send nothing yet."""
        self._node = node
        self._velocity = node.create_publisher(TwistStamped, velocity, qos.PUBLISHED)
        self._offset = node.create_publisher(PoseStamped, 'body_offset', qos.PUBLISHED)
        self._duty_factor = node.create_publisher(Float64, 'gait/duty_factor', qos.PUBLISHED)
        self._orders = OrderCalls(node, [*ORDERS.values(), *more_orders], tell)

    @property
    def heard(self) -> bool:
        """Whether anybody takes the velocity."""
        return bool(self._velocity.get_subscription_count())

    def send(self, wanted: Wanted) -> None:
        """Send what is wanted now, if it is anything."""
        if wanted.twist is not None:
            self.drive(wanted.twist)
        if wanted.offset is not None:
            self.lean(wanted.offset)

    def lean(self, offset: Offset) -> None:
        """Send a body offset."""
        now = self._node.get_clock().now().nanoseconds
        self._offset.publish(messages.body_offset_message(offset, now))

    def drive(self, twist: Twist) -> None:
        """Send a velocity."""
        now = self._node.get_clock().now().nanoseconds
        self._velocity.publish(messages.body_twist_message(twist, now))

    def order(self, acts: Iterable[Act], duty_factor: float) -> None:
        """Call orders, and send the duty factor where it was changed."""
        for act in acts:
            if act in ORDERS:
                self.call(ORDERS[act])
            else:
                self.walk_by(duty_factor)

    def call(self, service: str) -> None:
        """Call the service of an order."""
        self._orders.order(service)

    def walk_by(self, duty_factor: float) -> None:
        """Send another duty factor."""
        self._duty_factor.publish(Float64(data=duty_factor))
