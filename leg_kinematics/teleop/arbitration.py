# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whose velocity counts: the highest sender that spoke within its time-out."""

import enum
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from leg_kinematics.chain.values import Answer, Condition, Level
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.parameters import texts
from leg_kinematics.teleop.steering import STOP_TOLD_FOR

#: A refused sender is told of for so long after it has spoken, s.
REFUSAL_SHOWN_FOR = 1.0

DEFAULT_SENDERS = (
    'teleop/cmd_vel=100:0.5',
    'drive/cmd_vel=90:0.5',
    'view/cmd_vel=85:0.5',
    'remote/cmd_vel=80:0.5',
    'nav/cmd_vel=10:0.5',
)

_SENDER = re.compile(r'([A-Za-z~/][\w/]*)=(\d{1,3}):(\d+(?:\.\d*)?)')


@dataclass(frozen=True, slots=True)
class Sender:
    """Somebody who may drive.

    Attributes
    ----------
    topic
        On which its velocity comes.
    priority
        The highest that speaks drives.
    timeout
        Silent for longer than this it speaks no more, s.

    """

    topic: str
    priority: int
    timeout: float


def read_senders(entries: Sequence[str]) -> tuple[Sender, ...]:
    """Read senders, highest first; without any entry they are `DEFAULT_SENDERS`.

    Raises
    ------
    CommandError
        An entry is none, or two have the same topic or priority.

    """
    senders = []
    for entry in entries or DEFAULT_SENDERS:
        match = _SENDER.fullmatch(entry)
        if match is None or not 0.05 <= float(match[3]) <= 10.0:
            raise CommandError(
                "'senders' must list TOPIC=PRIORITY:TIMEOUT with a time-out in [0.05, 10] s, such "
                f'as {DEFAULT_SENDERS[0]} (got {entry!r})'
            )
        senders.append(Sender(match[1], int(match[2]), float(match[3])))
    for what in ('topic', 'priority'):
        values = [getattr(each, what) for each in senders]
        if twice := sorted({str(value) for value in values if values.count(value) > 1}):
            raise CommandError(
                f"'senders' must have each {what} once (got {', '.join(twice)} twice)"
            )
    return tuple(sorted(senders, key=lambda each: -each.priority))


@dataclass(frozen=True, slots=True)
class ArbitrationParameters:
    """Who may drive."""

    senders: tuple[Sender, ...] = texts(
        read_senders,
        'Who may drive, as TOPIC=PRIORITY:TIMEOUT, with the time-out in s; empty for '
        + ', '.join(DEFAULT_SENDERS),
    )


class _Bar(enum.Enum):
    """Why a sender has to begin anew before its velocity counts."""

    STOPPED = 'everybody was stopped'
    """Standstill or silence begins anew."""
    LOST = 'it fell silent in motion'
    """Standstill does: what comes back in motion was not meant to go on."""


@dataclass(slots=True)
class _Heard:
    """What was heard of a sender last."""

    twist: Twist = field(default_factory=Twist)
    at: float = -float('inf')
    refused_at: float = -float('inf')
    bar: _Bar | None = None


class Arbitration:
    """Keeps all senders apart: one drives, and the others learn why they do not.

    A driver who falls silent in motion is lost. The robot then stops, and neither he, when he comes
    back, nor anybody below him goes on by itself: each must first have sent a standstill, or, who
    was not lost, have been silent. A driver who has sent a standstill and falls silent has let go,
    and the next below may drive.

    Parameters
    ----------
    senders
        Highest first.

    Attributes
    ----------
    driver
        Topic of who drives now; empty while nobody does.

    """

    def __init__(self, senders: Sequence[Sender]) -> None:
        """Wait for somebody."""
        self._senders = {each.topic: each for each in senders}
        self._heard = {each.topic: _Heard() for each in senders}
        self._lost = ''
        self._stopped = False
        self._driven_at = -float('inf')
        self.driver = ''

    def hear(self, topic: str, twist: Twist, now: float) -> Twist | None:
        """Take a velocity of a sender; give what is to be sent on for it, if anything is."""
        self._look(now)
        sender, heard = self._senders[topic], self._heard[topic]
        paused = now - heard.at > sender.timeout
        if not twist or (paused and heard.bar is _Bar.STOPPED):
            heard.bar = None
        heard.twist, heard.at = twist, now
        if heard.bar is None and self._highest(now) == topic:
            self.driver, self._lost, self._stopped = topic, '', False
            self._driven_at = now
            return twist
        if twist:
            heard.refused_at = now
        return None

    def stop(self, now: float) -> Answer:
        """Stop whoever drives: nobody's velocity counts until he has paused."""
        for heard in self._heard.values():
            heard.bar = heard.bar or _Bar.STOPPED
        stopped, self.driver, self._stopped = self.driver, '', True
        self._driven_at = now
        who = f'{stopped} was driving and is stopped' if stopped else 'nobody was driving'
        return Answer(success=True, words=f'{who}; a sender counts again once it has paused')

    def step(self, now: float) -> Twist | None:
        """Give the standstill that is to be sent, for a while after the last driver; None else."""
        self._look(now)
        if self.driver or now - self._driven_at > STOP_TOLD_FOR:
            return None
        return Twist()

    def _look(self, now: float) -> None:
        """See whether the driver has fallen silent."""
        if not self.driver or self._speaks(self.driver, now):
            return
        heard, lost = self._heard[self.driver], self.driver
        self.driver = ''
        self._driven_at = now
        if not heard.twist:
            return
        self._lost = lost
        for each in self._heard.values():
            each.bar = each.bar or _Bar.STOPPED
        heard.bar = _Bar.LOST

    def _speaks(self, topic: str, now: float) -> bool:
        return now - self._heard[topic].at <= self._senders[topic].timeout

    def _highest(self, now: float) -> str:
        """Topic of the highest that speaks and is not barred; a lower one that drives gives way."""
        for topic, heard in self._heard.items():
            if heard.bar is None and self._speaks(topic, now):
                return topic
        return ''

    def condition(self, now: float) -> Condition:
        """Say who drives, at an instant, s."""
        refused = [
            f'{topic} is refused: {self._why_not(topic)}'
            for topic, heard in self._heard.items()
            if topic != self.driver and now - heard.refused_at <= REFUSAL_SHOWN_FOR
        ]
        detail = '; '.join(refused)
        if self.driver:
            level = Level.WARN if refused else Level.OK
            return Condition(level, f'{self.driver} drives', detail)
        if self._lost:
            return Condition(Level.WARN, f'lost {self._lost} in motion: stopped', detail)
        if self._stopped:
            return Condition(Level.WARN, 'stopped by an order', detail)
        return Condition(Level.WARN if refused else Level.OK, 'nobody drives', detail)

    def _why_not(self, topic: str) -> str:
        match self._heard[topic].bar:
            case None:
                return f'{self.driver} drives, whose priority is higher'
            case _Bar.LOST:
                return 'it fell silent in motion, and must send a standstill before it counts'
            case _Bar.STOPPED:
                return 'everybody was stopped; it counts once it has paused'
