# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `remote`: drivers on other machines, who hold a key, drive the robot through a link."""

import sys
from collections.abc import Callable, Sequence
from math import isfinite
from pathlib import Path
from time import monotonic
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray
from nav_msgs.msg import Odometry
from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter
from transforms3d.euler import quat2euler

from leg_kinematics.chain.values import Answer, Condition, Level
from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.driver import ORDERS, STOP_EVERYBODY, DriverTopics
from leg_kinematics.nodes.running.catalogue import NODES, REMOTE, RemoteNodeParameters
from leg_kinematics.nodes.running.process import run
from leg_kinematics.nodes.running.start import take_parameters
from leg_kinematics.nodes.translation import qos
from leg_kinematics.nodes.translation.diagnostics import Diagnostics
from leg_kinematics.remote.holding import RATE, Holding
from leg_kinematics.remote.keys import KeyFolder, Register, Role
from leg_kinematics.remote.link import LinkError, RobotLink, load_zenoh, start_of_beats
from leg_kinematics.remote.words import Order, OrderWord, State, Word, shown
from leg_kinematics.teleop.layout import Act
from leg_kinematics.teleop.steering import Wanted

#: Of the looks for what has come, and of the velocity that is sent on, Hz.
TICKS = 50.0

#: Between two looks at the register, s.
LOOK_EVERY = 1.0

#: Odometry that is older is not told, s.
ODOMETRY_LASTS = 1.0

VELOCITY = 'remote/cmd_vel'

SERVICES = {
    Order.STAND: ORDERS[Act.STAND],
    Order.CROUCH: ORDERS[Act.CROUCH],
    Order.STOP: STOP_EVERYBODY,
    Order.RELEASE: ORDERS[Act.RELEASE],
}


class RemoteNode(Node):
    """Has a robot driven from other machines, by whoever holds a key that its register lists.

    Parameters
    ----------
    overrides
        Of parameters.

    """

    def __init__(self, overrides: 'Sequence[RosParameter[Any]]' = ()) -> None:
        """Read the key, and listen."""
        super().__init__('remote', parameter_overrides=list(overrides))
        own = take_parameters(self, REMOTE).of(RemoteNodeParameters)
        load_zenoh()
        self._key = KeyFolder.load(Path(own.key), Role.ROBOT)
        self._address = own.listen
        self._register: Register | None = None
        self._link: RobotLink | None = None
        self._trouble = ''
        self.holding = Holding(start_of_beats())
        self._driver = DriverTopics(self, VELOCITY, self._tell, [STOP_EVERYBODY])
        self._asked: dict[str, list[Callable[[Answer], None]]] = {}
        self._duty_factor: float | None = None
        self._nodes: dict[str, str] = {}
        self._odometry: tuple[float, Odometry] | None = None
        self._misfits = 0
        self._diagnostics = Diagnostics(
            self,
            '',
            lambda: {
                'key': self._key.identity,
                'listens': self._address,
                'linked': ' '.join(self._link.linked if self._link else ()),
                'refused_words': self.holding.refused,
                'misfits': self._misfits,
            },
        )
        self.create_subscription(
            DiagnosticArray, '/diagnostics', self._on_diagnostics, qos.PUBLISHED
        )
        self.create_subscription(Odometry, 'odom', self._on_odometry, qos.STREAM)
        self._look()
        self.create_timer(LOOK_EVERY, self._look)
        self.create_timer(1.0 / TICKS, self._on_tick)
        self.create_timer(1.0 / RATE, self._tell_state)

    # ---- the link

    def _look(self) -> None:
        """See that the link admits whom the register lists now, and nobody else."""
        try:
            register = self._key.register()
        except DescriptionError as error:
            self._shut(str(error))
            return
        if self._link is not None and register == self._register:
            return
        self._shut('the register has changed')
        try:
            self._link = RobotLink(self._key, register, self._address)
        except LinkError as error:
            self._trouble = str(error)
            return
        self._register, self._trouble = register, ''
        self.get_logger().info(
            f'{self._key.identity} listens at {self._address}; '
            f'may drive: {", ".join(register.drivers.values()) or "nobody"}'
        )

    def _shut(self, why: str) -> None:
        self._trouble = why
        self.holding.stop(why, monotonic())
        # Who asked through that link hears no answer.
        self._asked.clear()
        if self._link is not None:
            self._link.close()
        self._link, self._register = None, None

    def destroy_node(self) -> None:
        """Close the link as well."""
        self._shut('the node ends')
        super().destroy_node()

    # ---- what drivers say

    def _on_tick(self) -> None:
        now = monotonic()
        if self._link is not None:
            for driver, word in self._link.words():
                self._take(driver, word, now)
            for driver, order, answer in self._link.orders():
                self._obey(driver, order, answer, now)
        self._driver.send(Wanted(self.holding.step(now)))
        self._diagnostics.report(self._condition())

    def _take(self, driver: str, word: Word | CommandError, now: float) -> None:
        if isinstance(word, CommandError):
            self._misfits += 1
            self.get_logger().warning(f'{driver}: {word}', throttle_duration_sec=1.0)
            return
        if not self.holding.hear(driver, word, now):
            return
        self._driver.send(Wanted(offset=word.offset))
        if word.duty_factor not in {None, self._duty_factor}:
            self._duty_factor = word.duty_factor
            self._driver.walk_by(word.duty_factor)

    def _obey(
        self,
        driver: str,
        word: OrderWord | CommandError,
        answer: Callable[[Answer], None],
        now: float,
    ) -> None:
        if isinstance(word, CommandError):
            self._misfits += 1
            answer(Answer(success=False, words=str(word)))
            return
        if refusal := self.holding.refusal_of_order(word, now):
            answer(Answer(success=False, words=refusal))
            return
        self.get_logger().info(f'{driver} orders: {word.order}')
        self.holding.stop(f'{word.order} was ordered', now)
        service = SERVICES[word.order]
        self._asked.setdefault(service, []).append(answer)
        self._driver.call(service)

    def _tell(self, name: str, answer: Answer) -> None:
        """Hand on the answer of a service to whoever asked."""
        for each in self._asked.pop(name, ()):
            each(Answer(answer.success, shown(f'{name}: {answer.words}')))
        # Each severity from a line of its own: rclpy ties a severity to the calling line.
        if answer.success:
            self.get_logger().info(f'{name}: {answer.words}')
        else:
            self.get_logger().warning(f'{name}: {answer.words}')

    # ---- what they are told

    def _on_diagnostics(self, message: DiagnosticArray) -> None:
        prefix = self.get_namespace().rstrip('/') + '/'
        for status in message.status:
            name = status.name.removeprefix(prefix)
            if status.name == prefix + name and name in NODES:
                self._nodes[name] = shown(status.message)

    def _on_odometry(self, message: Odometry) -> None:
        self._odometry = monotonic(), message

    def _tell_state(self) -> None:
        if self._link is None:
            return
        now = monotonic()
        state, pose, twist = self.holding.state(now), None, None
        if self._odometry is not None and now - self._odometry[0] <= ODOMETRY_LASTS:
            at, moves = self._odometry[1].pose.pose, self._odometry[1].twist.twist
            q = at.orientation
            there = (at.position.x, at.position.y, float(quat2euler((q.w, q.x, q.y, q.z))[2]))
            speed = Twist(moves.linear.x, moves.linear.y, moves.angular.z)
            # Who sends anything else is no odometry.
            if all(map(isfinite, there)) and speed.finite:
                pose, twist = there, speed
        told = State(state.beat, state.driver, state.ended, state.why, self._nodes, pose, twist)
        self._link.tell(told)

    def _condition(self) -> Condition:
        """Say who drives."""
        if self._link is None:
            return Condition(Level.WARN, 'no link', self._trouble)
        if not self._driver.heard:
            return Condition(
                Level.WARN, f'nobody takes {VELOCITY}', 'start the arbiter, which does'
            )
        if self.holding.driver:
            return Condition(Level.OK, f'{self.holding.driver} drives')
        return Condition(Level.OK, 'nobody drives')


def main() -> None:
    """Run the node as a process."""
    sys.exit(run(lambda: [RemoteNode()]))


if __name__ == '__main__':
    main()
