# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Robots on other machines that are driven through the link; ROS 2 is not needed here."""

import re
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.remote.driving import RemoteRobot, RemoteRobots
from leg_kinematics.remote.keys import NAME, REGISTER, KeyFolder, Role, identity_of
from leg_kinematics.remote.link import PORT, DriverLink
from leg_kinematics.remote.words import Order
from leg_kinematics.teleop.layout import Act
from leg_kinematics.teleop.steering import Wanted

ROBOT = re.compile(rf'({NAME.pattern})@(\[[0-9a-fA-F:.]+\]|[^\s:/@\[\]]+)(?::(\d{{1,5}}))?')

ORDERS = {Act.STAND: Order.STAND, Act.CROUCH: Order.CROUCH, Act.RELEASE: Order.RELEASE}

#: More robots have no key that chooses them.
MOST_ROBOTS = 9

#: So long a last word is on its way before the link is closed, s.
LEAVING = 0.05

#: Between two looks for what has come, s.
LOOK_EVERY = 0.005


def read_addresses(robots: Sequence[str]) -> dict[str, str]:
    """Read robots that are given as NAME@ADDRESS or NAME@ADDRESS:PORT; give addresses by name.

    Raises
    ------
    CommandError
        One is none, or given twice; or there are too many.

    """
    addresses: dict[str, str] = {}
    for robot in robots:
        match = ROBOT.fullmatch(robot)
        if match is None:
            raise CommandError(
                f'{robot!r} is no robot: expected NAME@ADDRESS, such as bracken@192.168.1.20, '
                'or NAME@ADDRESS:PORT'
            )
        name, address, port = match.groups()
        if name in addresses:
            raise CommandError(f'robot {name!r} is given twice')
        addresses[name] = f'{address}:{port or PORT}'
    if len(addresses) > MOST_ROBOTS:
        raise CommandError(
            f'at most {MOST_ROBOTS} robots have a key that chooses them (got {len(addresses)})'
        )
    return addresses


class DrivenByLink:
    """Robots that a key opens the link to.

    Parameters
    ----------
    folder
        Of the key of the driver.
    addresses
        By the names of the robots; the first is driven.
    tell
        Takes what came of an order.

    Raises
    ------
    DescriptionError
        The key is wrong, or its register does not list a robot.
    LinkError
        The link does not open.

    """

    def __init__(
        self, folder: Path, addresses: Mapping[str, str], tell: Callable[[str], None]
    ) -> None:
        """Begin to connect."""
        key = KeyFolder.load(folder, Role.DRIVER)
        register = key.register()
        identities = {name: identity_of(register, name, folder / REGISTER) for name in addresses}

        def told(robot: str, order: str, answer: Answer) -> None:
            tell(f'{robot}, {order}: {answer.words}')

        self._link = DriverLink(key, {identities[name]: addresses[name] for name in addresses})
        self._all = RemoteRobots(self._link, key.identity, identities, told)
        self._identities = identities
        self._own = key.identity
        self._addresses = dict(addresses)
        self._duty_factor: float | None = None
        self.choices: Sequence[str] = tuple(addresses)
        self._chosen = self.choices[0]

    @property
    def _robot(self) -> RemoteRobot:
        return self._all.robots[self._chosen]

    @property
    def title(self) -> str:
        """Name and address."""
        return f'{self._chosen} at {self._addresses[self._chosen]}'

    @property
    def states(self) -> Sequence[tuple[str, str]]:
        """What the robot says that is driven, and in one line each what the others do."""
        now = time.monotonic()
        told = [('link', misfit) for misfit in self._all.misfits]
        state = self._robot.state(now)
        if state is None:
            told.append(('link', self._why_silent()))
        else:
            told.append(('driver', state.driver or 'nobody'))
            told += state.nodes.items()
            if state.pose is not None:
                x, y, yaw = state.pose
                told.append(('odometry', f'{x:.2f} m, {y:.2f} m, {yaw:.2f} rad'))
        for name, robot in self._all.robots.items():
            if name != self._chosen:
                other = robot.state(now)
                words = 'nothing is heard' if other is None else other.nodes.get('gait', 'no gait')
                told.append((name, words))
        return told

    def _why_silent(self) -> str:
        """Say as much as is known of why nothing is heard from the robot that is driven."""
        words, linked = f'nothing is heard from {self._chosen}', self._link.linked
        if self._identities[self._chosen] in linked:
            return f'{words}, though it is linked: does its register list {self._own}?'
        if others := set(linked) - set(self._identities.values()):
            return f'{words}; linked is {", ".join(others)}, which is another'
        return words

    def choose(self, index: int) -> None:
        """Drive another robot; the one before stands still."""
        self._robot.send(Wanted(Twist()), time.monotonic(), held=False)
        self._chosen = self.choices[index]
        self._duty_factor = None

    def work(self, seconds: float) -> None:
        """Take what comes."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            self._all.step(time.monotonic)
            time.sleep(LOOK_EVERY)

    def send(self, wanted: Wanted, *, held: bool) -> str:
        """Send what is wanted to the robot that is driven."""
        now = time.monotonic()
        ended = self._robot.send(wanted, now, held=held, duty_factor=self._duty_factor)
        if not ended and self._robot.state(now) is None and held:
            return f'nothing is heard from {self._chosen}'
        return ended

    def order(self, acts: Iterable[Act], duty_factor: float) -> None:
        """Send orders to the robot that is driven."""
        for act in acts:
            if act in ORDERS:
                self._robot.order(ORDERS[act], time.monotonic())
            else:
                self._duty_factor = duty_factor

    def stop(self) -> None:
        """Stop whoever drives the robot that is driven."""
        self._robot.order(Order.STOP, time.monotonic())

    def leave(self) -> None:
        """Stand still, and close the link."""
        self.choose(0)
        self.work(LEAVING)
        self._all.close()
