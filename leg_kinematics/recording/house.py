# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A recorded run, for pages that look at it: each where and as fast as it likes."""

from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.values import NANOSECONDS
from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.hearing import Hearing
from leg_kinematics.recording.bag.contents import Message
from leg_kinematics.recording.run import Run
from leg_kinematics.recording.timeline import stops, timeline
from leg_kinematics.view.messages import (
    Control,
    Events,
    FromPage,
    Mark,
    Play,
    Playback,
    Recording,
    Seek,
)
from leg_kinematics.view.reading import written
from leg_kinematics.view.server import Page

SLOWEST, FASTEST = 0.1, 10.0

#: Between two tellings of statuses, s of the recording.
STATUSES_EVERY = 1.0

#: Before the instant that is looked for, messages of the last so many s are heard as well: nodes
#: tell of themselves once a second.
HEARD_BEFORE = 1.5


@dataclass
class _Viewer:
    """Where one page is in the recording."""

    page: Page
    hearing: Hearing
    at: float = 0.0
    shown: float = -1.0
    next_message: int = 0
    statuses_at: float = -float('inf')
    playing: bool = True
    speed: float = 1.0


class RecordedHouse:
    """Answers pages for one recorded run.

    Parameters
    ----------
    run
        What was recorded.
    calibrated
        Its robot.
    name
        Of the recording.
    clock
        Gives the instant, s, of a clock that is never set.

    """

    def __init__(
        self, run: Run, calibrated: CalibratedRobot, name: str, clock: Callable[[], float]
    ) -> None:
        """Put the messages in their order."""
        self._run = run
        self._calibrated = calibrated
        self._clock = clock
        self._stepped_at = clock()
        heard = [
            (run.instant(each.received), topic, each)
            for topic in (*Hearing.TOPICS, 'orders', '/diagnostics')
            for each in run.of(topic)
        ]
        self._messages: list[tuple[float, str, Message]] = sorted(heard, key=lambda each: each[0])
        self._instants = [at for at, _, _ in self._messages]
        self._recording = Recording(name, round(run.seconds, 3), _marks(run))
        self._viewers: dict[int, _Viewer] = {}

    def come(self, page: Page) -> None:
        """Greet a page; it sees the run from its beginning."""
        viewer = _Viewer(page, self._new_hearing())
        self._viewers[page.number] = viewer
        page.say(viewer.hearing.robot)
        page.say(Control(offered=False, armed=False, moving=False, press=0, words=''))
        page.say(self._recording)
        page.say(Playback(viewer.playing, viewer.speed))

    def leave(self, page: Page) -> None:
        """Forget a page."""
        del self._viewers[page.number]

    def take(self, page: Page, message: FromPage) -> None:
        """Go where a page wants to."""
        viewer = self._viewers[page.number]
        match message:
            case Seek():
                self._seek(viewer, message.at)
            case Play():
                if message.playing and viewer.at >= self._run.seconds:
                    self._seek(viewer, 0.0)
                viewer.playing = message.playing
                viewer.speed = min(FASTEST, max(SLOWEST, message.speed))
                page.say(Playback(viewer.playing, viewer.speed))
            case _:
                raise CommandError('a recording is shown here: nothing can be driven')

    def step(self) -> None:
        """Go on where somebody plays, and show what has changed."""
        now = self._clock()
        passed, self._stepped_at = now - self._stepped_at, now
        for viewer in self._viewers.values():
            if viewer.playing:
                viewer.at = min(self._run.seconds, viewer.at + passed * viewer.speed)
                if viewer.at >= self._run.seconds:
                    viewer.playing = False
                    viewer.page.say(Playback(viewer.playing, viewer.speed))
            if viewer.at != viewer.shown:
                self._show(viewer)

    def _new_hearing(self) -> Hearing:
        return Hearing(self._calibrated, self._run.namespace)

    def _seek(self, viewer: _Viewer, at: float) -> None:
        """Go to an instant: what is known there is what was heard shortly before."""
        viewer.at = min(self._run.seconds, max(0.0, at))
        viewer.shown = viewer.statuses_at = -float('inf')
        viewer.hearing = self._new_hearing()
        viewer.next_message = bisect_left(self._instants, viewer.at - HEARD_BEFORE)

    def _show(self, viewer: _Viewer) -> None:
        hearing, page = viewer.hearing, viewer.page
        end = bisect_right(self._instants, viewer.at)
        for at, topic, message in self._messages[viewer.next_message : end]:
            latency = (message.received - message.sent) / NANOSECONDS
            hearing.hear(topic, message.data, at, latency=latency, number=message.sequence)
        viewer.next_message = end
        frame = hearing.frame(viewer.at)
        second = viewer.at - viewer.statuses_at >= STATUSES_EVERY
        if hearing.fetch_change() or second:
            page.say(hearing.statuses(viewer.at, counting=second))
            if second:
                viewer.statuses_at = viewer.at
        if events := hearing.fetch_events():
            page.say(Events(events))
        page.show(written(frame))
        viewer.shown = viewer.at


def _marks(run: Run) -> tuple[Mark, ...]:
    """Mark stops with their causes, and whatever else has happened."""
    marks = [Mark(round(e.at, 3), False, f'{e.who}: {e.what}') for e in timeline(run)]  # noqa: FBT003
    marks += [Mark(round(s.at, 3), True, f'{s.what}; likely cause: {s.cause}') for s in stops(run)]  # noqa: FBT003
    return tuple(sorted(marks, key=lambda mark: mark.at))
