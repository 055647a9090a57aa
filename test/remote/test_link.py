# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The link on this machine: the right key drives, and any other reaches nothing."""

import json
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

import pytest
import zenoh

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.remote.holding import Holding
from leg_kinematics.remote.keys import AUTHORITY, CERTIFICATE, PRIVATE_KEY, KeyFolder
from leg_kinematics.remote.link import ORDERS, WORDS, DriverLink, LinkError, RobotLink
from leg_kinematics.remote.words import Order, OrderWord, Word, place, place_of_state

if TYPE_CHECKING:
    from test.fleet import Fleet, free_address, until
else:
    from fleet import Fleet, free_address, until

STANDS = Answer(success=True, words='it stands')


class Scene:
    """A robot's end that listens, and whoever calls.

    Attributes
    ----------
    words, orders
        That came, with the driver.

    """

    def __init__(self, fleet: Fleet, stack: ExitStack) -> None:
        """Listen with the key of bracken."""
        self.fleet = fleet
        self._stack = stack
        self.address = free_address()
        self.robot = RobotLink(fleet.robot(), fleet.robot().register(), self.address)
        stack.callback(self.close)
        self.identity = fleet.robot().identity
        self._holding = Holding(1)
        self.words: list[tuple[str, Word | CommandError]] = []
        self.orders: list[tuple[str, OrderWord | CommandError]] = []

    def close(self) -> None:
        """Close the robot's end that there is now."""
        self.robot.close()

    def call(self, key: KeyFolder) -> DriverLink:
        """Connect with a key of a driver."""
        link = DriverLink(key, {self.identity: self.address})
        self._stack.callback(link.close)
        return link

    def call_raw(self, folder: Path | None, authority: Path, **more: object) -> 'zenoh.Session':
        """Connect with whatever certificate, or none, and without any access control."""
        tls: dict[str, object] = {
            'root_ca_certificate': str(authority / AUTHORITY),
            'verify_name_on_connect': False,
            'enable_mtls': folder is not None,
        }
        if folder is not None:
            tls['connect_certificate'] = str(folder / CERTIFICATE)
            tls['connect_private_key'] = str(folder / PRIVATE_KEY)
        config = zenoh.Config()
        for name, value in {
            'mode': 'client',
            'connect/endpoints': [f'tls/{self.address}'],
            'connect/timeout_ms': 700,
            'scouting/multicast/enabled': False,
            'transport/link/tls': tls,
            **more,
        }.items():
            config.insert_json5(name, json.dumps(value))
        session = zenoh.open(config)
        self._stack.callback(session.close)
        return session

    def step(self) -> None:
        """Tell the state, and take what has come."""
        self.robot.tell(self._holding.state(monotonic()))
        self.words += self.robot.words()
        for driver, order, answer in self.robot.orders():
            self.orders.append((driver, order))
            answer(STANDS)

    def hears(self, link: DriverLink) -> bool:
        """Tell whether a driver hears the robot now."""
        self.step()
        return any(True for _ in link.states())


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    """Have a robot listen."""
    with ExitStack() as stack:
        yield Scene(Fleet(tmp_path / 'keys', ('bracken', 'fern'), ('anna', 'bert')), stack)


def order_answered(scene: Scene, link: DriverLink) -> Answer | None:
    """Order, and give the answer."""
    answers: list[Answer | None] = []
    link.order(scene.identity, OrderWord(1, Order.STAND), answers.append)

    def answered() -> bool:
        scene.step()
        link.take_answers()
        return bool(answers)

    until(answered, 'an answer, or that none comes')
    return answers[0]


def test_the_right_key_drives(scene: Scene) -> None:
    """Words arrive with who sent them, orders are answered, and states come back."""
    anna = scene.fleet.driver('anna')
    link = scene.call(anna)
    until(lambda: scene.hears(link), 'a state')
    word = Word(5, 6, 7, Twist(0.03))

    def arrived() -> bool:
        link.send(scene.identity, word)
        scene.step()
        return bool(scene.words)

    until(arrived, 'a word')
    assert scene.words[0] == (anna.identity, word)
    assert order_answered(scene, link) == STANDS
    assert scene.orders == [(anna.identity, OrderWord(1, Order.STAND))]
    assert scene.robot.linked == (anna.identity,)
    assert link.linked == (scene.identity,)


def assert_reaches_nothing(scene: Scene, session: 'zenoh.Session', *claimed: str) -> None:
    """Say all that can be said in all names, and hear that nothing comes, while anna drives.

    She sends last, and what she sends has arrived once the session's own could have.
    """
    robot = scene.identity
    heard: list[Any] = []
    listeners = [
        session.declare_subscriber(each, heard.append)
        for each in ('**', place_of_state(robot), place(robot, WORDS))
    ]
    link = scene.call(scene.fleet.driver('anna'))
    until(lambda: scene.hears(link), 'a state for the right key')
    for name in claimed:
        for target, text in (
            (place(robot, WORDS, name), Word(1, 2, 3, Twist(0.1)).text()),
            (place_of_state(robot), b'{}'),
        ):
            session.put(target, text, allowed_destination=zenoh.Locality.REMOTE)
        replies = session.get(
            place(robot, ORDERS, name), payload=OrderWord(1, Order.RELEASE).text(), timeout=0.5
        )
        assert not [reply for reply in replies if reply.ok]

    def arrived() -> bool:
        link.send(robot, Word(1, 2, 0))
        scene.step()
        return len(scene.words) > 3

    until(arrived, 'words of the right key')
    anna = scene.fleet.driver('anna').identity
    assert {driver for driver, _ in scene.words} == {anna}
    assert {word for _, word in scene.words} == {Word(1, 2, 0)}
    assert not scene.orders
    assert not heard
    for each in listeners:
        each.undeclare()  # type: ignore[no-untyped-call]


def test_a_key_that_the_register_does_not_list_reaches_nothing(scene: Scene) -> None:
    """Neither under its own name nor under that of another: it was revoked."""
    bert, anna = scene.fleet.driver('bert'), scene.fleet.driver('anna')
    kept = scene.fleet.folder.parent / 'kept'
    bert.folder.rename(kept)
    scene.fleet.authority.revoke('bert')
    scene.robot.close()
    scene.robot = RobotLink(scene.fleet.robot(), scene.fleet.robot().register(), scene.address)
    session = scene.call_raw(kept, kept)
    assert_reaches_nothing(scene, session, bert.identity, anna.identity)
    assert set(scene.robot.linked) == {anna.identity, bert.identity}


def test_a_registered_driver_says_nothing_in_the_name_of_another(scene: Scene) -> None:
    """His identity is in his certificate, whatever he writes."""
    bert = scene.fleet.driver('bert')
    session = scene.call_raw(bert.folder, bert.folder)
    robot, anna = scene.identity, scene.fleet.driver('anna').identity
    session.put(place(robot, WORDS, anna), Word(1, 2, 3, Twist(0.1)).text())

    def arrived() -> bool:
        session.put(place(robot, WORDS, bert.identity), Word(1, 2, 0).text())
        scene.step()
        return bool(scene.words)

    until(arrived, 'his own words')
    assert {driver for driver, _ in scene.words} == {bert.identity}


@pytest.mark.parametrize('who', ['nobody', 'a stranger', 'a robot', 'without TLS'])
def test_without_a_key_there_is_no_link(scene: Scene, tmp_path: Path, who: str) -> None:
    """No certificate, one of another authority, that of a robot, and no TLS at all."""
    keys = scene.fleet.folder
    more: dict[str, object] = {}
    folder: Path | None = None
    if who == 'a stranger':
        folder = Fleet(tmp_path / 'others', (), ('anna',)).folder / 'anna'
    elif who == 'a robot':
        folder = keys / 'fern'
    elif who == 'without TLS':
        more = {'connect/endpoints': [f'tcp/{scene.address}']}
    with pytest.raises(zenoh.ZError, match='Unable to connect'):
        scene.call_raw(folder, keys / 'anna', **more)
    assert scene.robot.linked == ()


def test_a_driver_takes_no_other_robot_for_his(scene: Scene) -> None:
    """Where fern is at the address of bracken, nothing is said to her, and nothing heard."""
    scene.robot.close()
    fern = scene.fleet.robot('fern')
    scene.robot = RobotLink(fern, fern.register(), scene.address)
    link = scene.call(scene.fleet.driver('anna'))
    until(lambda: link.linked == (fern.identity,), 'a link to fern')
    link.send(scene.identity, Word(1, 2, 3, Twist(0.1)))
    assert order_answered(scene, link) is None
    assert not scene.hears(link)
    assert not scene.words


def test_what_is_no_word_is_told_as_such(scene: Scene) -> None:
    """A driver with another program has his words refused one by one, and no more."""
    anna = scene.fleet.driver('anna')
    session = scene.call_raw(anna.folder, anna.folder)
    target = place(scene.identity, WORDS, anna.identity)

    def arrived() -> bool:
        session.put(target, b'\xff')
        scene.step()
        return bool(scene.words)

    until(arrived, 'what is no word')
    assert isinstance(scene.words[0][1], CommandError)


def test_a_link_comes_back_by_itself(scene: Scene) -> None:
    """Once the robot's end is there again, and whichever is there first."""
    link = scene.call(scene.fleet.driver('anna'))
    until(lambda: scene.hears(link), 'a state')
    scene.robot.close()
    until(lambda: not link.linked, 'the end of the link')
    scene.robot = RobotLink(scene.fleet.robot(), scene.fleet.robot().register(), scene.address)
    until(lambda: scene.hears(link), 'a state again')


def test_what_cannot_open_says_why(scene: Scene) -> None:
    """An address where somebody else listens, and a damaged key."""
    robot = scene.fleet.robot()
    with pytest.raises(LinkError, match='does not open'):
        RobotLink(robot, robot.register(), scene.address)
    (robot.folder / PRIVATE_KEY).write_text('no key')
    with pytest.raises(LinkError, match='does not open'):
        RobotLink(robot, robot.register(), free_address())
