# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What `drive --robot` takes, and what a terminal is told of several robots."""

from collections.abc import Iterator
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.commands.driving.driven_by_link import DrivenByLink, read_addresses
from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.gait import Twist
from leg_kinematics.remote.holding import Holding
from leg_kinematics.remote.keys import REGISTER
from leg_kinematics.remote.link import RobotLink
from leg_kinematics.remote.words import State
from leg_kinematics.teleop.layout import Act
from leg_kinematics.teleop.steering import Wanted

if TYPE_CHECKING:
    from test.fleet import Fleet, free_address, until
else:
    from fleet import Fleet, free_address, until

AHEAD = Wanted(Twist(0.03))


def test_robots_are_given_by_name_and_address() -> None:
    """With a port where it is not the usual one, and an IPv6 address in brackets (RFC 3986)."""
    robots = ['bracken@192.168.1.20', 'fern@fern.local:7000', 'moss@[fe80::1]', 'ivy@[::1]:7001']
    assert read_addresses(robots) == {
        'bracken': '192.168.1.20:7447',
        'fern': 'fern.local:7000',
        'moss': '[fe80::1]:7447',
        'ivy': '[::1]:7001',
    }


@pytest.mark.parametrize(
    ('robots', 'words'),
    [
        (['bracken'], "'bracken' is no robot: expected NAME@ADDRESS"),
        (['192.168.1.20'], 'is no robot'),
        (['bracken@'], 'is no robot'),
        (['bracken@fe80::1'], 'is no robot'),
        (['Bracken@localhost'], 'is no robot'),
        (['bracken@localhost:port'], 'is no robot'),
        (['bracken@a', 'bracken@b'], "robot 'bracken' is given twice"),
        ([f'robot{n}@a' for n in range(10)], 'at most 9 robots'),
    ],
)
def test_what_is_no_robot_is_refused(robots: list[str], words: str) -> None:
    """With what was expected."""
    with pytest.raises(CommandError, match=words):
        read_addresses(robots)


class Robots:
    """Two robots that listen, and somebody who drives one of them.

    Attributes
    ----------
    driven
        What her terminal has.
    told
        What came of her orders.

    """

    def __init__(self, folder: Path) -> None:
        """Have them listen, and connect to both."""
        self.fleet = Fleet(folder, ('bracken', 'fern'), ('anna',))
        self.holding = {name: Holding(1000) for name in ('bracken', 'fern')}
        self._links = {}
        addresses = {}
        for name in self.holding:
            key, addresses[name] = self.fleet.robot(name), free_address()
            self._links[name] = RobotLink(key, key.register(), addresses[name])
        self.told: list[str] = []
        self.driven = DrivenByLink(self.fleet.folder / 'anna', addresses, self.told.append)

    def step(self, *, held: bool) -> str:
        """Have everybody do what is to be done."""
        now = monotonic()
        for name, link in self._links.items():
            for driver, word in link.words():
                assert not isinstance(word, CommandError)
                self.holding[name].hear(driver, word, now)
            state = self.holding[name].state(now)
            nodes = {'gait': f'{name} stands', 'remote': 'all is well'}
            link.tell(State(state.beat, state.driver, state.ended, state.why, nodes))
        self.driven.work(0.01)
        return self.driven.send(AHEAD if held else Wanted(Twist()), held=held)

    def moving(self) -> list[str]:
        """Names of the robots that move."""
        return [name for name, each in self.holding.items() if each.step(monotonic())]

    def until_moving(self, *names: str) -> None:
        """Hold until just these robots move."""

        def there() -> bool:
            self.step(held=True)
            return self.moving() == list(names)

        until(there, f'{names} to move')

    def close(self) -> None:
        """End it all."""
        self.driven.leave()
        for link in self._links.values():
            link.close()


@pytest.fixture
def robots(tmp_path: Path) -> Iterator[Robots]:
    """Have two robots, of which the first is driven."""
    robots = Robots(tmp_path / 'keys')
    yield robots
    robots.close()


def test_one_robot_is_driven_and_all_are_watched(robots: Robots) -> None:
    """Whoever chooses another has to let go first; the one before stands still."""
    all_heard = [
        ('driver', 'nobody'),
        ('gait', 'bracken stands'),
        ('remote', 'all is well'),
        ('fern', 'fern stands'),
    ]
    until(lambda: not robots.step(held=False) and robots.driven.states == all_heard, 'both robots')
    assert robots.driven.title.startswith('bracken at 127.0.0.1:')
    robots.until_moving('bracken')
    robots.driven.choose(1)
    robots.until_moving()
    for _ in range(20):
        robots.step(held=True)
        assert robots.moving() == []
    robots.step(held=False)
    robots.until_moving('fern')
    assert robots.driven.states[0] == ('driver', robots.fleet.driver('anna').identity)


def test_orders_say_why_they_are_not_sent(tmp_path: Path) -> None:
    """Nothing is heard from the robot; a release is sent all the same, and again and again."""
    fleet = Fleet(tmp_path / 'keys', ('bracken',), ('anna',))
    told: list[str] = []
    driven = DrivenByLink(fleet.folder / 'anna', {'bracken': free_address()}, told.append)
    driven.order([Act.STAND], 0.5)
    assert told == ['bracken, stand: stand was not sent: nothing is heard from the robot']
    assert driven.states == [('link', 'nothing is heard from bracken')]
    assert driven.send(AHEAD, held=True) == 'nothing is heard from bracken'
    told.clear()
    driven.order([Act.RELEASE], 0.5)

    def answered() -> bool:
        driven.work(0.01)
        return bool(told)

    until(answered, 'words about the release')
    assert told == [
        'bracken, release: not answered yet, and sent again: use the switch of the battery'
    ]
    driven.leave()


def test_wrong_keys_say_what_is_wrong(tmp_path: Path) -> None:
    """The key of a robot, and one that the register does not list."""
    fleet = Fleet(tmp_path / 'keys', ('bracken',), ('anna',))
    with pytest.raises(DescriptionError, match='the key of a robot, and that of a driver is'):
        DrivenByLink(fleet.folder / 'bracken', {'bracken': 'localhost:1'}, print)
    (fleet.folder / 'anna' / REGISTER).write_text('robots: {}\ndrivers: {}\n')
    with pytest.raises(DescriptionError, match='it was revoked, or the register is older'):
        DrivenByLink(fleet.folder / 'anna', {'bracken': 'localhost:1'}, print)
