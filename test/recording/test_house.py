# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pages look at a recorded run, each where and as fast as it likes; nothing can be driven."""

import json
from typing import TYPE_CHECKING, Any

import pytest
from rclpy.serialization import deserialize_message
from sensor_msgs.msg import JointState

from leg_kinematics.errors import CommandError
from leg_kinematics.recording.house import FASTEST, SLOWEST, RecordedHouse
from leg_kinematics.recording.run import Run, robot_of
from leg_kinematics.view.messages import FRAMES_A_SECOND, Arm, Hold, Order, Play, Seek
from leg_kinematics.view.server import Page

if TYPE_CHECKING:
    from test.recorded_run import walk
else:
    from recorded_run import walk


pytestmark = pytest.mark.xdist_group('recorded house')


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

    @property
    def frame(self) -> dict[str, Any]:
        """The latest frame."""
        return self.of('frame')[-1]

    @property
    def at(self) -> float:
        """Where it is in the recording, s."""
        return float(self.frame['at'])


class Watched:
    """A house with pages, whose clock goes as a test wants."""

    def __init__(self, run: Run) -> None:
        """Have nobody here."""
        self.now = 100.0
        self.run = run
        self.house = RecordedHouse(run, robot_of(run), 'walk', lambda: self.now)
        self.viewers: list[Viewer] = []

    def come(self) -> Viewer:
        """Have a page come."""
        viewer = Viewer(len(self.viewers) + 1)
        self.viewers.append(viewer)
        self.house.come(viewer)
        return viewer

    def go_on(self, seconds: float) -> None:
        """Let time pass, with 30 looks a second."""
        for _ in range(round(seconds * FRAMES_A_SECOND)):
            self.now += 1.0 / FRAMES_A_SECOND
            self.house.step()

    def angles_at(self, at: float) -> list[float]:
        """Read the recording itself: the last angles that were received until an instant."""
        until = [
            each for each in self.run.of('joint_states') if self.run.instant(each.received) <= at
        ]
        return list(deserialize_message(until[-1].data, JointState).position)


@pytest.fixture(scope='module')
def run() -> Run:
    """Walk once for all."""
    return walk()


@pytest.fixture
def watched(run: Run) -> Watched:
    """Begin anew."""
    return Watched(run)


def test_a_page_is_greeted_with_what_is_shown(watched: Watched) -> None:
    """Which robot, which recording, how it is played; and that nobody can drive."""
    viewer = watched.come()
    assert [each['kind'] for each in viewer.told] == ['robot', 'control', 'recording', 'playback']
    assert viewer.of('robot')[0]['name'] == 'bracken'
    assert not viewer.of('control')[0]['offered']
    recording = viewer.of('recording')[0]
    assert (recording['name'], recording['duration']) == ('walk', round(watched.run.seconds, 3))
    marks = recording['marks']
    assert marks == sorted(marks, key=lambda mark: float(mark['at']))
    assert any('gait/stand' in mark['words'] for mark in marks)
    assert viewer.of('playback') == [{'kind': 'playback', 'playing': True, 'speed': 1.0}]


def test_it_is_played_in_its_own_time(watched: Watched) -> None:
    """Frames go on as the clock does, and have the angles of the recording."""
    viewer = watched.come()
    watched.go_on(2.0)
    instants = [frame['at'] for frame in viewer.of('frame')]
    assert instants == pytest.approx([(n + 1) / FRAMES_A_SECOND for n in range(60)], abs=1e-3)
    for frame in viewer.of('frame')[10::10]:
        assert frame['angles'] == pytest.approx(watched.angles_at(frame['at']), abs=1e-5)
    assert len(viewer.of('statuses')) == pytest.approx(2, abs=1)


@pytest.mark.parametrize('speed', [0.25, 4.0])
def test_it_is_played_slower_and_faster(watched: Watched, speed: float) -> None:
    """As a multiple of real time."""
    viewer = watched.come()
    watched.house.take(viewer, Play(playing=True, speed=speed))
    watched.go_on(1.0)
    assert viewer.at == pytest.approx(speed, abs=1e-3)
    assert viewer.of('playback')[-1]['speed'] == speed


@pytest.mark.parametrize(('asked', 'had'), [(0.0, SLOWEST), (1e9, FASTEST), (-3.0, SLOWEST)])
def test_speed_is_bounded(watched: Watched, asked: float, had: float) -> None:
    """And the page is told which it is."""
    viewer = watched.come()
    watched.house.take(viewer, Play(playing=True, speed=asked))
    assert viewer.of('playback')[-1]['speed'] == had


def test_seeking_shows_what_was_known_there(watched: Watched) -> None:
    """Back and forth, also while it pauses; the same frame as by playing to there."""
    viewer = watched.come()
    watched.go_on(4.0)
    played = {frame['at']: frame for frame in viewer.of('frame')}
    watched.house.take(viewer, Play(playing=False, speed=1.0))
    for at in (sorted(played)[100], sorted(played)[30], sorted(played)[110]):
        watched.house.take(viewer, Seek(at=at))
        before = len(viewer.told)
        watched.go_on(0.2)
        frames = [each for each in viewer.told[before:] if each['kind'] == 'frame']
        assert len(frames) == 1
        assert frames[0]['at'] == pytest.approx(at, abs=1e-4)
        for name in ('angles', 'power', 'feet', 'foot_targets', 'wanted'):
            assert frames[0][name] == played[at][name], name
        assert any(each['kind'] == 'statuses' for each in viewer.told[before:])


@pytest.mark.parametrize(('asked', 'went'), [(-5.0, 0.0), (1e6, None)])
def test_seeking_ends_at_the_ends(watched: Watched, asked: float, went: float | None) -> None:
    """Nothing is before the beginning or behind the end."""
    viewer = watched.come()
    watched.house.take(viewer, Play(playing=False, speed=1.0))
    watched.house.take(viewer, Seek(at=asked))
    watched.go_on(0.1)
    assert viewer.at == pytest.approx(watched.run.seconds if went is None else went, abs=1e-3)


def test_it_stops_at_its_end_and_begins_anew(watched: Watched) -> None:
    """The page is told that it plays no more; `play` then goes to the beginning."""
    viewer = watched.come()
    watched.house.take(viewer, Seek(at=watched.run.seconds - 0.5))
    watched.go_on(1.0)
    assert viewer.at == pytest.approx(watched.run.seconds, abs=1e-3)
    assert viewer.of('playback')[-1] == {'kind': 'playback', 'playing': False, 'speed': 1.0}
    frames = len(viewer.of('frame'))
    watched.go_on(0.5)
    assert len(viewer.of('frame')) == frames
    watched.house.take(viewer, Play(playing=True, speed=1.0))
    watched.go_on(0.5)
    assert viewer.at == pytest.approx(0.5, abs=1e-3)


def test_two_pages_are_each_at_their_own_place(watched: Watched) -> None:
    """One pauses while the other goes on; who leaves takes nothing along."""
    one = watched.come()
    watched.go_on(1.0)
    other = watched.come()
    watched.house.take(other, Seek(at=3.0))
    watched.house.take(one, Play(playing=False, speed=1.0))
    watched.go_on(0.5)
    assert one.at == pytest.approx(1.0, abs=1e-3)
    assert other.at == pytest.approx(3.5, abs=1e-3)
    assert one.frame['angles'] == pytest.approx(watched.angles_at(1.0), abs=1e-5)
    assert other.frame['angles'] == pytest.approx(watched.angles_at(3.5), abs=1e-5)
    watched.house.leave(one)
    watched.go_on(0.5)
    assert other.at == pytest.approx(4.0, abs=1e-3)


@pytest.mark.parametrize(
    'message', [Arm(), Hold(press=1, sequence=1, seen=0.0, forward=1.0), Order('release')]
)
def test_nothing_of_a_recording_can_be_driven(
    watched: Watched, message: Arm | Hold | Order
) -> None:
    """The server hangs up on who tries."""
    viewer = watched.come()
    with pytest.raises(CommandError, match='nothing can be driven'):
        watched.house.take(viewer, message)


def test_events_come_when_they_happened(watched: Watched) -> None:
    """Each once, with its instant, in the order of time; the order to stand is among them."""
    viewer = watched.come()
    watched.go_on(watched.run.seconds + 0.5)
    events = [event for told in viewer.of('events') for event in told['events']]
    assert [event['at'] for event in events] == sorted(event['at'] for event in events)
    stand = [event for event in events if event['who'] == 'gait/stand']
    (ordered,) = [order for order in watched.run.orders if order.name == 'gait/stand']
    assert [(each['at'], each['words']) for each in stand] == [
        (round(ordered.at, 3), ordered.words)
    ]
