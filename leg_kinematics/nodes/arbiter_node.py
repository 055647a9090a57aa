# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `arbiter`: velocities of many senders in, that of one out."""

import sys
from collections.abc import Callable, Sequence
from functools import partial
from time import monotonic
from typing import Any

from geometry_msgs.msg import TwistStamped
from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.orders import offer_order
from leg_kinematics.nodes.running.catalogue import ARBITER, OrderParameters
from leg_kinematics.nodes.running.process import run
from leg_kinematics.nodes.running.start import take_parameters
from leg_kinematics.nodes.senders import Senders
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.diagnostics import Diagnostics
from leg_kinematics.nodes.translation.stamps import refusal_of_age
from leg_kinematics.teleop.arbitration import Arbitration, ArbitrationParameters

#: Of the looks for a driver that has fallen silent, Hz.
RATE = 20.0


class ArbiterNode(Node):
    """Sends on the velocity of the highest sender that speaks.

    Parameters
    ----------
    overrides
        Of parameters.

    """

    def __init__(self, overrides: 'Sequence[RosParameter[Any]]' = ()) -> None:
        """Listen to everybody."""
        super().__init__('arbiter', parameter_overrides=list(overrides))
        settings = take_parameters(self, ARBITER)
        senders = settings.of(ArbitrationParameters).senders
        self._max_age = settings.of(OrderParameters).max_command_age
        self.arbitration = Arbitration(senders)
        self._refused = 0
        self._out = self.create_publisher(TwistStamped, 'cmd_vel', qos.PUBLISHED)
        self._diagnostics = Diagnostics(
            self,
            '',
            lambda: {'driver': self.arbitration.driver, 'refused_commands': self._refused},
        )
        self._senders = [Senders(self, each.topic, 'TwistStamped') for each in senders]
        for each in senders:
            heard: Callable[[TwistStamped], None] = partial(self._on_velocity, each.topic)
            self.create_subscription(TwistStamped, each.topic, heard, qos.STREAM)
        # A stop is obeyed however late it comes.
        offer_order(self, 'arbiter/stop', self._stop)
        self.create_timer(1.0 / RATE, self._on_tick)

    def _on_velocity(self, topic: str, message: TwistStamped) -> None:
        sent, now = messages.nanoseconds_of(message.header.stamp), self.get_clock().now()
        try:
            if sent and (refusal := refusal_of_age(sent, now.nanoseconds, self._max_age)):
                raise CommandError(refusal)  # noqa: TRY301  told as what is wrong with the twist
            twist = messages.body_twist(message)
        except CommandError as error:
            self._refused += 1
            self.get_logger().warning(f'{topic}: {error}', throttle_duration_sec=1.0)
            return
        self._send(self.arbitration.hear(topic, twist, monotonic()))
        self._report()

    def _stop(self) -> Answer:
        answer = self.arbitration.stop(monotonic())
        self._on_tick()
        return answer

    def _on_tick(self) -> None:
        self._send(self.arbitration.step(monotonic()))
        self._report()

    def _send(self, twist: Twist | None) -> None:
        if twist is not None:
            now = self.get_clock().now().nanoseconds
            self._out.publish(messages.body_twist_message(twist, now))

    def _report(self) -> None:
        condition = self.arbitration.condition(monotonic())
        for each in self._senders:
            condition = each.judge(condition)
        self._diagnostics.report(condition)


def main() -> None:
    """Run the node as a process."""
    sys.exit(run(lambda: [ArbiterNode()]))


if __name__ == '__main__':
    main()
