# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A replay as it goes on: stepped by whoever has a clock, it says what is to be sent.

What is driven is the path of the recording: velocities are multiplied by the rate of the replay,
and targets are those of the place that it has come to, with their speeds multiplied. So the robot
goes the same way at any speed and however often it is paused, unless its own limits are in the way.

Nothing is ordered: whoever powers the robot or has it stand does so elsewhere. A robot that loses
its power ends the replay, since the one that comes back is not where it was.
"""

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import (
    LAGGING,
    NANOSECONDS,
    Answer,
    FootTargets,
    JointTargets,
    RobotReport,
)
from leg_kinematics.gait import Twist
from leg_kinematics.recording.replaying.contents import Event, Stretch, Velocities
from leg_kinematics.recording.replaying.playhead import Playhead, RateLimits
from leg_kinematics.solver import Trajectory

#: Between two messages of what is driven, s.
TICK = 0.01

#: Targets reach so many ticks ahead, over messages that are late: 70 ms, as those of a gait do.
AHEAD = 7

#: Who asked for a velocity says for so long that he does so no more, s.
STOP_TOLD_FOR = 0.5

#: A bridge that is not heard for so long is gone, s.
SILENT_AFTER = 1.0

#: A bridge that does not follow for a moment, without a loss of power, is waited for so long, s: on
#: a busy machine a line is lost and found again.
HESITATES_FOR = 1.0

#: A longer time between two steps means that the machine was held up: what was told ahead is over,
#: and the joints have come to rest at its end, s.
HELD_UP_AFTER = 0.06

#: The joints have come to where a stretch begins once they say that they are so far in what was
#: sent for it, s: until then they may be on their way to the end of what was sent before.
COME_FOR = 0.15

#: The joints come to where a stretch begins within this time, or do not come, s.
COMES_WITHIN = 20.0


class Kind(enum.StrEnum):
    """What is driven."""

    NOTHING = 'nothing'
    VELOCITY = 'velocity'
    FEET = 'foot targets'
    JOINTS = 'joint targets'


class ReplayState(enum.StrEnum):
    """What a replay does."""

    READY = 'ready'
    """It waits for the order to play."""
    COMING = 'coming'
    """The robot is led to where the stretch begins."""
    PLAYING = 'playing'
    PAUSED = 'paused'
    """It goes on by an order only."""
    FINISHED = 'finished'
    STOPPED = 'stopped'
    """It is over before its end."""


#: States in which something is sent.
GOING_ON = frozenset({ReplayState.COMING, ReplayState.PLAYING})

#: States in which nothing goes on any more.
OVER = frozenset({ReplayState.FINISHED, ReplayState.STOPPED})


@dataclass(frozen=True)
class Contents:
    """What is replayed.

    Attributes
    ----------
    kind
        What is driven.
    stretches
        With the targets, one after another from the beginning to the end of the replay; without
        any where none are worked out.
    velocities
        None where none are worked out.
    events
        Messages that are sent as they are, in the order of their instants.

    """

    kind: Kind
    stretches: tuple[Stretch, ...]
    velocities: Velocities | None = None
    events: tuple[Event, ...] = ()

    @property
    def worked_out(self) -> bool:
        """Whether what drives is worked out for each instant, and not sent as it was recorded."""
        return self.velocities is not None or any(each.targets for each in self.stretches)


Sent = Twist | FootTargets | JointTargets | Event


class Replay:
    """A replay.

    Parameters
    ----------
    contents
        What is replayed.
    limits
        Of each of its stretches.
    loop
        Whether it begins again at its end.

    Attributes
    ----------
    state
        What it does.
    reason
        Why it is paused or stopped, in words.
    rounds
        How often it has come to its end.

    """

    def __init__(
        self, contents: Contents, limits: Sequence[RateLimits], *, loop: bool = False
    ) -> None:
        """Wait for the order to play."""
        self._contents = contents
        self._limits = tuple(limits)
        self._loop = loop
        self._index = 0
        self._head = Playhead(self._limits[0], self._limits[0].start)
        self._next_event = 0
        self._now = -inf
        self._report: RobotReport | None = None
        self._heard_at = -inf
        self._known: tuple[int, int] | None = None
        self._held_up = False
        self._not_following_since: float | None = None
        self._coming_since = -inf
        self._coming_stamp: int | None = None
        self._told_until = -inf
        self._ending: ReplayState | None = None
        self.state = ReplayState.READY
        self.reason = ''
        self.rounds = 0

    # ---- what is known

    @property
    def place(self) -> float:
        """Where it is, s from the beginning of the run."""
        return self._head.place

    @property
    def end(self) -> float:
        """Where it ends, s from the beginning of the run."""
        return self._limits[-1].end

    @property
    def rate(self) -> float:
        """How fast it goes on: s of the recording a second."""
        return self._head.rate

    def quiet(self, now: float) -> bool:
        """Tell whether it is over, and has nothing more to say, at an instant, s."""
        return self.state in OVER and now >= self._told_until

    @property
    def held_up(self) -> bool:
        """Whether it waits for joints that are behind."""
        return self._held_up

    @property
    def drives(self) -> bool:
        """Whether it drives a robot."""
        return self._contents.kind is not Kind.NOTHING

    def trouble(self, now: float) -> str:
        """Say why it cannot begin, or go on, at an instant, s; empty where it can."""
        if not self.drives:
            return ''
        if now - self._heard_at > SILENT_AFTER or self._report is None:
            return 'nothing is heard from the bridge'
        if self._report.state is not PowerState.FOLLOWING:
            return f'the robot does not follow: it is {self._report.state.value}'
        return ''

    # ---- orders

    def play(self, now: float) -> Answer:
        """Begin, or go on, at an instant, s; what a person lets stand does not begin by itself."""
        if self.state in OVER:
            return Answer(success=False, words=f'it is {self.state.value}: {self.reason}')
        if words := self.trouble(now):
            return Answer(success=False, words=words)
        self.reason, self._ending = '', None
        if self.state not in GOING_ON:
            if self._report is not None:
                self._known = (self._report.session, self._report.losses)
            self._now = now
            self._come(now)
        return Answer(success=True, words='playing')

    def pause(self, reason: str) -> None:
        """Come to rest on the way, and go on by an order only."""
        self._end_with(ReplayState.PAUSED, reason)

    def stop(self, reason: str) -> None:
        """Come to rest on the way, and be over."""
        self._end_with(ReplayState.STOPPED, reason)

    def break_off(self, reason: str) -> None:
        """Be over at once, and say nothing more: somebody else has the robot, or nobody has."""
        if self.state not in OVER:
            self.state, self.reason = ReplayState.STOPPED, reason
            self._head.rate = 0.0
            self._told_until = -inf

    def _end_with(self, state: ReplayState, reason: str) -> None:
        if self.state in OVER:
            return
        self.reason = reason
        if self.state in GOING_ON:
            self._ending = state
        elif state is ReplayState.STOPPED:
            self.state = state

    def hear(self, report: RobotReport, now: float) -> None:
        """Take in what the bridge tells of the robot, at an instant, s."""
        self._report, self._heard_at = report, now
        if self.state in OVER or not self.drives:
            return
        if self._known is not None and (report.session, report.losses) != self._known:
            self.break_off('the robot has lost its power, or has another bridge')
            return
        if self.state in GOING_ON:
            self._look_at_power(report.state, now)
        # A stream that is sent as it was has no other instants: joints that are behind chase it.
        waits = self._contents.worked_out
        self._held_up = waits and report.lag > (0.5 * LAGGING if self._held_up else LAGGING)

    def _look_at_power(self, power: PowerState, now: float) -> None:
        follows = power is PowerState.FOLLOWING
        if not follows and self._not_following_since is None:
            self._not_following_since = now
            self._head.rate = 0.0
        elif follows and self._not_following_since is not None:
            # Its joints may be elsewhere in the meantime.
            self._not_following_since = None
            self._come(now)

    # ---- time

    def step(self, now: float, clock_offset: int = 0) -> list[Sent]:
        """Advance to an instant, s, when the clock of the stamps shows so many ns more.

        Gives what is to be sent then.
        """
        passed, self._now = now - self._now, now
        if self.state not in GOING_ON:
            return [Twist()] if now < self._told_until else []
        if self.drives and now - self._heard_at > SILENT_AFTER:
            self.break_off('nothing is heard from the bridge any more')
            return []
        if self._not_following_since is not None:
            return self._wait(now)
        if passed > HELD_UP_AFTER:
            self._catch_up()
        elif self.state is ReplayState.PLAYING:
            self._head.step(passed, running=self._running)
        if self._head.rate == 0.0 and self._ending is not None:
            self._rest(self._ending, self.reason)
        sent: list[Sent] = [*self._events(), *self._driven(now, clock_offset)]
        if self.state is ReplayState.COMING:
            self._look_for_arrival(now)
        elif self.state is ReplayState.PLAYING and self._head.at_end:
            self._go_to_next(now)
        return sent

    def _wait(self, now: float) -> list[Sent]:
        """Wait for a bridge that does not follow, until somebody has to look after it."""
        since = self._not_following_since
        if self._ending is not None:
            self._rest(self._ending, self.reason)
        elif since is not None and now - since > HESITATES_FOR:
            self._rest(ReplayState.PAUSED, self.trouble(now))
        return [Twist()] if self._contents.velocities is not None else []

    @property
    def _running(self) -> bool:
        return self._ending is None and not self._held_up

    def _catch_up(self) -> None:
        """Go on from where the joints have come to rest while the machine was held up."""
        if self.state is ReplayState.PLAYING:
            ahead = self._head.ahead(TICK, AHEAD, running=self._running)
            self._head.place, self._head.rate = ahead[-1][0], 0.0

    def _rest(self, state: ReplayState, reason: str) -> None:
        """Stand, in a state in which nothing goes on."""
        if self._contents.velocities is not None and self.state in GOING_ON:
            self._told_until = self._now + STOP_TOLD_FOR
        self.state, self.reason, self._ending = state, reason, None
        self._not_following_since = None
        self._head.rate = 0.0

    def _come(self, now: float) -> None:
        """Have the robot come to where the head is."""
        leads = self._contents.stretches[self._index].targets
        self.state = ReplayState.COMING if leads else ReplayState.PLAYING
        self._coming_since, self._coming_stamp = now, None

    def _look_for_arrival(self, now: float) -> None:
        reached = None if self._report is None else self._report.stamp
        wanted = self._coming_stamp
        arrived = (
            reached is not None
            and wanted is not None
            and reached - wanted >= COME_FOR * NANOSECONDS
        )
        if arrived and not self._held_up:
            self.state = ReplayState.PLAYING
        elif now - self._coming_since > COMES_WITHIN:
            self._rest(
                ReplayState.PAUSED,
                f'the joints have not come to where it goes on within {COMES_WITHIN:g} s; what the '
                'bridge says of itself tells why',
            )

    def _go_to_next(self, now: float) -> None:
        """Go on with the next stretch, or with the first one again."""
        self._index += 1
        if self._index == len(self._limits):
            self.rounds += 1
            if not self._loop:
                self._rest(ReplayState.FINISHED, '')
                return
            self._index = self._next_event = 0
        limits = self._limits[self._index]
        self._head = Playhead(limits, limits.start)
        self._come(now)

    # ---- what is sent

    def _events(self) -> list[Event]:
        """Give the messages that the head has come to."""
        events, first = self._contents.events, self._next_event
        while self._next_event < len(events) and events[self._next_event].at <= self._head.place:
            self._next_event += 1
        return list(events[first : self._next_event])

    def _driven(self, now: float, clock_offset: int) -> list[Sent]:
        contents = self._contents
        if contents.velocities is not None:
            twist, rate = contents.velocities.at(self._head.place), self._head.rate
            return [Twist(rate * twist.x, rate * twist.y, rate * twist.yaw)]
        stretch = contents.stretches[self._index]
        if not stretch.targets:
            return []
        stamp = round(now * NANOSECONDS) + clock_offset
        if self.state is ReplayState.COMING and self._coming_stamp is None:
            self._coming_stamp = stamp
        return [self._targets(stretch, stamp)]

    def _targets(self, stretch: Stretch, stamp: int) -> FootTargets | JointTargets:
        playing = self.state is ReplayState.PLAYING
        coming = self._head.ahead(TICK, AHEAD, running=self._running and playing)
        times = tuple(TICK * index for index in range(len(coming)))
        states = [(*stretch.state(place), rate) for place, rate in coming]
        places = tuple(row for row, _, _ in states)
        speeds = tuple(tuple(rate * each for each in row) for _, row, rate in states)
        if self._contents.kind is Kind.JOINTS:
            return JointTargets(stamp, Trajectory(times, places, speeds), stretch.names)
        return FootTargets(
            stamp,
            stretch.names,
            times,
            [_by_leg(row) for row in places],
            [_by_leg(row) for row in speeds],
        )


def _by_leg(row: Sequence[float]) -> list[tuple[float, float, float]]:
    return [(row[i], row[i + 1], row[i + 2]) for i in range(0, len(row), 3)]
