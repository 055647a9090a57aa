# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A house of pages beside a chain of which only the edges are there: what comes in, what goes out.

What a page may do is judged in `test/view/test_control.py`, the whole in `test/chain/test_view.py`.
"""

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from geometry_msgs.msg import PoseStamped, Twist, TwistStamped
from rclpy.node import Node
from std_srvs.srv import Trigger

from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.kinematics_node import KinematicsNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.translation import qos
from leg_kinematics.nodes.viewer import LiveHouse
from leg_kinematics.view.messages import Arm, Disarm, Hold, LetGo, Order, Seek
from leg_kinematics.view.server import Page

if TYPE_CHECKING:
    from test.nodes.conftest import NAMESPACE, Probe
else:
    NAMESPACE = '/greenhouse'


class Viewer(Page):
    """A page, and what it was told."""

    def __init__(self, number: int) -> None:
        """Be told nothing yet."""
        super().__init__(number)
        self.told: list[dict[str, Any]] = []

    def say_text(self, text: str) -> None:
        """Be told something."""
        self.told.append(json.loads(text))

    def show(self, frame: str) -> None:
        """Be shown a frame."""
        self.told.append(json.loads(frame))

    def of(self, kind: str) -> list[dict[str, Any]]:
        """Give what it was told of a kind."""
        return [each for each in self.told if each['kind'] == kind]


class Visited:
    """A house, its pages, and the probe that stands for the chain."""

    def __init__(self, probe: 'Probe', house: LiveHouse) -> None:
        """Have nobody here."""
        self.probe = probe
        self.house = house
        self._count = 0
        self._sequence = 0

    def come(self) -> Viewer:
        """Have a page come."""
        self._count += 1
        viewer = Viewer(self._count)
        self.house.come(viewer)
        return viewer

    def until(self, condition: Callable[[], object], what: str) -> None:
        """Step the house until something has happened."""

        def stepped() -> object:
            self.house.step()
            return condition()

        self.probe.until(stepped, what)

    def hold(self, viewer: Viewer, **ways: float) -> None:
        """Have a page hold its stick, with the latest frame seen."""
        self._sequence += 1
        self.house.step()
        seen = viewer.of('frame')[-1]['at']
        self.house.take(viewer, Hold(press=1, sequence=self._sequence, seen=seen, **ways))  # type: ignore[arg-type]

    def drive(self, viewer: Viewer, heard: list[Any]) -> Any:  # noqa: ANN401
        """Arm a page, and hold its stick until somebody hears of it."""
        self.house.take(viewer, Arm())

        def moving() -> bool:
            self.hold(viewer, forward=1.0)
            return any(_twist(each).linear.x > 0.0 for each in heard)

        self.until(moving, 'a velocity')
        return heard[-1]


@pytest.fixture
def visited(probe: 'Probe') -> Iterator[Visited]:
    """Open a house where pages may drive."""
    house = LiveHouse(NAMESPACE, control=True)
    yield Visited(probe, house)
    house.close()


def _twist(message: Any) -> Twist:  # noqa: ANN401
    return message.twist if isinstance(message, TwistStamped) else message


def gait(probe: 'Probe', kind: type[Any]) -> list[Any]:
    """Have a gait that takes velocities of a kind, and hear them."""
    node = Node('gait', namespace=NAMESPACE)
    probe.add(node)
    heard: list[Any] = []
    node.create_subscription(kind, 'cmd_vel', heard.append, qos.STREAM)
    return heard


def test_the_robot_is_known_by_the_files_of_the_chain(
    visited: Visited, files: dict[str, str]
) -> None:
    """Whoever came before it is told as well."""
    early = visited.come()
    visited.house.step()
    assert early.of('frame')[-1]['angles'] is None
    visited.probe.add(KinematicsNode(as_overrides({**files})))
    visited.until(lambda: early.of('robot'), 'the robot')
    late = visited.come()
    assert late.of('robot') == early.of('robot')
    assert late.of('robot')[0]['namespace'] == NAMESPACE


def test_files_that_cannot_be_read_here_are_named(
    visited: Visited, files: dict[str, str], tmp_path: Path
) -> None:
    """As where the chain runs on another machine."""
    viewer = visited.come()
    away = tmp_path / 'bracken.yaml'
    shutil.copy(files['robot'], away)
    visited.probe.add(KinematicsNode(as_overrides({**files, 'robot': str(away)})))
    away.unlink()
    told = 'give copies by --robot and --servo-maps'
    visited.until(
        lambda: any(
            told in event['words'] and str(away) in event['words']
            for each in viewer.of('events')
            for event in each['events']
        ),
        'the name of the file that is away',
    )


@pytest.mark.parametrize('kind', [Twist, TwistStamped])
def test_what_is_wanted_is_shown_whatever_kind_the_gait_takes(
    visited: Visited, files: dict[str, str], kind: type[Any]
) -> None:
    """Parameter `cmd_vel_type` of the gait."""
    visited.probe.add(KinematicsNode(as_overrides({**files})))
    gait(visited.probe, kind)
    viewer = visited.come()
    publisher = visited.probe.node.create_publisher(kind, 'cmd_vel', qos.PUBLISHED)
    message = kind()
    _twist(message).linear.x, _twist(message).angular.z = 0.05, -0.2

    def wanted() -> bool:
        publisher.publish(message)
        told: object = viewer.of('frame')[-1]['wanted']
        return told == {'forward': 0.05, 'left': 0.0, 'turn': -0.2}

    visited.until(wanted, 'the velocity that is wanted')


@pytest.mark.parametrize('kind', [Twist, TwistStamped])
def test_a_page_drives_the_gait_itself_by_the_kind_that_it_takes(
    visited: Visited, kind: type[Any]
) -> None:
    """Where there is no arbiter; a publisher is there only while somebody drives."""
    heard = gait(visited.probe, kind)
    viewer = visited.come()
    assert isinstance(visited.drive(viewer, heard), kind)
    topic = f'{NAMESPACE}/cmd_vel'
    assert visited.probe.node.count_publishers(topic) == 1
    visited.house.take(viewer, LetGo(1, 'finger lifted'))
    visited.until(lambda: _twist(heard[-1]).linear.x == 0.0, 'a stop')
    visited.house.take(viewer, Disarm())
    visited.until(lambda: not visited.probe.node.count_publishers(topic), 'nobody who could drive')
    assert _twist(heard[-1]) == Twist()


def test_a_page_drives_through_the_arbiter_where_there_is_one(visited: Visited) -> None:
    """And when it is gone, with its stick held, the robot is told to stop; then nothing."""
    heard = gait(visited.probe, TwistStamped)
    through: list[TwistStamped] = []
    visited.probe.node.create_subscription(TwistStamped, 'view/cmd_vel', through.append, qos.STREAM)
    viewer = visited.come()
    visited.drive(viewer, through)
    assert heard == []
    visited.house.leave(viewer)
    visited.until(lambda: through[-1].twist == Twist(), 'a stop')
    other = visited.come()
    words = other.of('control')[-1]['words']
    assert 'the page that drove is gone' in words


def test_a_stick_that_is_held_but_not_heard_stops_the_robot(visited: Visited) -> None:
    """The page is told which press counts no more."""
    through: list[TwistStamped] = []
    visited.probe.node.create_subscription(TwistStamped, 'view/cmd_vel', through.append, qos.STREAM)
    viewer = visited.come()
    visited.drive(viewer, through)
    visited.until(lambda: through[-1].twist == Twist(), 'a stop')
    control = viewer.of('control')[-1]
    assert (control['armed'], control['moving'], control['press']) == (True, False, 1)
    assert 'nothing was heard' in control['words']


def test_a_body_that_leans_is_told_so(visited: Visited) -> None:
    """By the offset that the gait takes; the velocity is none."""
    offsets = visited.probe.record(PoseStamped, 'body_offset')
    viewer = visited.come()
    visited.house.take(viewer, Arm())

    def leans() -> bool:
        visited.hold(viewer, roll=1.0, lean=True)
        return any(each.pose.orientation.x > 0.0 for each in offsets)

    visited.until(leans, 'a body that leans')


def test_release_is_called_for_every_page_and_the_answer_told_to_all(visited: Visited) -> None:
    """The others are for the page that is armed; where nobody takes an order that is told."""
    calls: list[str] = []

    def answer(name: str) -> Callable[[Any, Any], Any]:
        def called(_: Any, response: Any) -> Any:  # noqa: ANN401
            calls.append(name)
            response.success, response.message = True, f'{name} done'
            return response

        return called

    for name in ('bridge/release', 'gait/stand'):
        visited.probe.node.create_service(Trigger, name, answer(name))
    driver, other = visited.come(), visited.come()
    visited.house.take(driver, Arm())
    visited.house.take(other, Order('stand'))
    assert other.of('answered')[-1]['success'] is False
    assert 'not armed' in other.of('answered')[-1]['words']

    def answered(viewer: Viewer, order: str) -> bool:
        return any(
            each['order'] == order and each['words'].endswith('done')
            for each in viewer.of('answered')
        )

    def ordered(page: Viewer, order: str) -> Callable[[], bool]:
        def once() -> bool:
            # Until the services are found, nobody takes the order, and the page is told so.
            if not calls or not calls[-1].endswith(order):
                visited.house.take(page, Order(order))  # type: ignore[arg-type]
            return answered(driver, order) and answered(other, order)

        return once

    visited.until(ordered(other, 'release'), 'an answer for all')
    visited.until(ordered(driver, 'stand'), 'an answer for all')
    assert set(calls) == {'bridge/release', 'gait/stand'}


def test_where_nothing_is_offered_nothing_is_sent(probe: 'Probe') -> None:
    """Not even a publisher is there, and no order is called."""
    heard = gait(probe, TwistStamped)
    house = LiveHouse(NAMESPACE, control=False)
    visited = Visited(probe, house)
    try:
        viewer = visited.come()
        house.take(viewer, Arm())
        for _ in range(40):
            visited.hold(viewer, forward=1.0)
        house.take(viewer, Order('release'))
        assert viewer.of('answered')[-1]['success'] is False
        assert not viewer.of('control')[-1]['offered']
        assert probe.node.count_publishers(f'{NAMESPACE}/cmd_vel') == 0
        assert heard == []
    finally:
        house.close()


def test_a_running_chain_cannot_be_sought(visited: Visited) -> None:
    """Only a recording can."""
    viewer = visited.come()
    with pytest.raises(CommandError, match='no recording'):
        visited.house.take(viewer, Seek(at=1.0))
