# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Robots on other machines, as their driver has them: one is driven, all are watched."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError
from leg_kinematics.remote.holding import RATE, Pressing
from leg_kinematics.remote.link import DriverLink
from leg_kinematics.remote.words import Order, State
from leg_kinematics.teleop.steering import Wanted

#: An order that is obeyed whenever it comes is sent again after this, s, and for so long.
AGAIN_AFTER, AGAIN_FOR = 0.5, 20.0


@dataclass(slots=True)
class _Ordered:
    """An order that waits for its answer."""

    order: Order
    since: float
    sent_at: float
    asking: bool = True


class RemoteRobot:
    """A robot on another machine.

    Parameters
    ----------
    link
        To it, among others.
    driver, identity
        Identities of the driver and of the robot.
    tell
        Takes the name of an order and its answer, or what hinders it.

    """

    def __init__(
        self, link: DriverLink, driver: str, identity: str, tell: Callable[[str, Answer], None]
    ) -> None:
        """Wait for the robot."""
        self._link = link
        self._identity = identity
        self._tell = tell
        self._pressing = Pressing(driver)
        self._ordered: list[_Ordered] = []
        self._sent_at = -float('inf')

    def hear(self, state: State, now: float) -> None:
        """Take what the robot tells, at an instant, s."""
        self._pressing.hear(state, now)

    def state(self, now: float) -> State | None:
        """Give the latest state; None while nothing is heard from the robot."""
        return self._pressing.state(now)

    def send(
        self, wanted: Wanted, now: float, *, held: bool, duty_factor: float | None = None
    ) -> str:
        """Send what is wanted at an instant, s, unless that was just done.

        Returns
        -------
        str
            Why the press has ended though the control is held; empty while it goes on.

        """
        ended = self._pressing.ended(now)
        going_on = held and not ended
        if going_on and wanted.offset is None and now - self._sent_at < 1.0 / RATE:
            return ''
        word = self._pressing.word(wanted, now, held=held, duty_factor=duty_factor)
        if word is not None:
            self._link.send(self._identity, word)
            self._sent_at = now
        return ended

    def order(self, order: Order, now: float) -> None:
        """Send an order, at an instant, s."""
        try:
            self._ask(_Ordered(order, now, now), now)
        except CommandError as error:
            self._tell(order, Answer(success=False, words=str(error)))

    def step(self, now: float) -> None:
        """Send again what has not been answered, at an instant, s."""
        waiting, self._ordered = self._ordered, []
        for each in waiting:
            if now - each.since > AGAIN_FOR:
                words = f'NOT ANSWERED in {AGAIN_FOR:g} s: use the switch of the battery'
                self._tell(each.order, Answer(success=False, words=words))
            elif each.asking or now - each.sent_at < AGAIN_AFTER:
                self._ordered.append(each)
            else:
                self._ask(_Ordered(each.order, each.since, now), now)

    def _ask(self, ordered: _Ordered, now: float) -> None:
        word = self._pressing.order(ordered.order, now)
        self._link.order(self._identity, word, partial(self._answered, ordered))
        self._ordered.append(ordered)

    def _answered(self, ordered: _Ordered, answer: Answer | None) -> None:
        if answer is None and ordered.order.whenever:
            if ordered.since == ordered.sent_at:
                words = 'not answered yet, and sent again: use the switch of the battery'
                self._tell(ordered.order, Answer(success=False, words=words))
            ordered.asking = False
            return
        self._ordered.remove(ordered)
        missing = Answer(success=False, words='not answered: look at the robot')
        self._tell(ordered.order, answer or missing)


class RemoteRobots:
    """All robots that a driver is linked to.

    Parameters
    ----------
    link
        To all of them.
    driver
        Identity of the driver.
    robots
        Identity by name.
    tell
        Takes the name of a robot, the name of an order and its answer.

    Attributes
    ----------
    robots
        By name.
    misfits
        Texts of robots that were none.

    """

    def __init__(
        self,
        link: DriverLink,
        driver: str,
        robots: Mapping[str, str],
        tell: Callable[[str, str, Answer], None],
    ) -> None:
        """Wait for the robots."""
        self._link = link
        self.robots = {
            name: RemoteRobot(link, driver, identity, partial(tell, name))
            for name, identity in robots.items()
        }
        self._by_identity = dict(zip(robots.values(), self.robots.values(), strict=True))
        self.misfits: Sequence[str] = ()

    def step(self, clock: Callable[[], float]) -> None:
        """Take what has come, and send again what has to be; the clock tells instants, s."""
        misfits = []
        for identity, state in self._link.states():
            if isinstance(state, CommandError):
                misfits.append(f'{identity}: {state}')
            else:
                self._by_identity[identity].hear(state, clock())
        self.misfits = misfits or self.misfits
        self._link.take_answers()
        for robot in self.robots.values():
            robot.step(clock())

    def close(self) -> None:
        """Leave all robots."""
        self._link.close()
