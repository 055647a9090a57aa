# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `teleop`: a gamepad in, what its driver wants out."""

import sys
from collections.abc import Sequence
from time import monotonic
from typing import Any

from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter
from sensor_msgs.msg import Joy

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.nodes.driver import DriverTopics
from leg_kinematics.nodes.running.catalogue import TELEOP, OrderParameters, TeleopNodeParameters
from leg_kinematics.nodes.running.process import run
from leg_kinematics.nodes.running.start import take_parameters
from leg_kinematics.nodes.senders import Senders
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.diagnostics import Diagnostics
from leg_kinematics.nodes.translation.stamps import refusal_of_age
from leg_kinematics.teleop.layout import JoyTable, load_layout
from leg_kinematics.teleop.steering import Steering, SteeringParameters

#: Of what is sent, Hz.
RATE = 50.0

VELOCITY = 'teleop/cmd_vel'


class TeleopNode(Node):
    """Has a robot driven by a gamepad, while its hold control is pressed.

    Parameters
    ----------
    overrides
        Of parameters.

    """

    def __init__(self, overrides: 'Sequence[RosParameter[Any]]' = ()) -> None:
        """Load the layout, then listen."""
        super().__init__('teleop', parameter_overrides=list(overrides))
        settings = take_parameters(self, TELEOP)
        file = settings.of(TeleopNodeParameters).layout
        layout = load_layout(file)
        if layout.joy is None:
            raise DescriptionError(
                "'joy' is missing: without the place of each control no message can be read",
                file=file,
            )
        self._table: JoyTable = layout.joy
        self._max_age = settings.of(OrderParameters).max_command_age
        self.steering = Steering(layout, settings.of(SteeringParameters))
        self._driver = DriverTopics(self, VELOCITY, self._tell)
        self._answer = ''
        self._senders = Senders(self, 'joy', 'Joy')
        self._diagnostics = Diagnostics(
            self,
            '',
            lambda: {
                'layout': layout.name,
                'refused_inputs': self.steering.refused,
                'last_answer': self._answer,
            },
        )
        self.create_subscription(Joy, 'joy', self._on_joy, qos.STREAM)
        self.create_timer(1.0 / RATE, self._on_tick)

    def _on_joy(self, message: Joy) -> None:
        stamp = messages.nanoseconds_of(message.header.stamp) or None
        try:
            if stamp is not None:
                self._check_age(stamp)
            pad = self._table.read(message.axes, message.buttons)
        except CommandError as error:
            self.steering.refuse(str(error))
            return
        acts = self.steering.take(pad, monotonic(), stamp)
        self._driver.order(acts, self.steering.duty_factor)
        self._on_tick()

    def _check_age(self, stamp: int) -> None:
        now = self.get_clock().now().nanoseconds
        if refusal := refusal_of_age(stamp, now, self._max_age):
            raise CommandError(f'joy: {refusal}')

    def _on_tick(self) -> None:
        self._driver.send(self.steering.step(monotonic()))
        self._diagnostics.report(self._senders.judge(self.steering.condition()))

    def _tell(self, name: str, answer: Answer) -> None:
        self._answer = f'{name}: {answer.words}'
        # Each severity from a line of its own: rclpy ties a severity to the calling line.
        if answer.success:
            self.get_logger().info(self._answer)
        else:
            self.get_logger().warning(self._answer)


def main() -> None:
    """Run the node as a process."""
    sys.exit(run(lambda: [TeleopNode()]))


if __name__ == '__main__':
    main()
