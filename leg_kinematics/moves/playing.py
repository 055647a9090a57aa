# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The stage that plays a plan: foot targets out, as long as the robot follows and nobody objects.

Whatever interrupts it for longer than a busy machine does, it goes on only when a person says so;
after a loss of power not even then.
"""

import enum
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, nextafter

from leg_kinematics.chain.leading import TAKING_OVER, Leading, ticks_ahead
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.schedule import Schedule
from leg_kinematics.chain.values import (
    NANOSECONDS,
    Answer,
    Condition,
    FootTargets,
    Level,
    RobotReport,
)
from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.plan import Move, Plan

#: A report that is older says nothing of the robot, s.
REPORT_HOLDS_FOR = 1.0

#: A robot that has its power but does not follow for no longer than this has been kept waiting by a
#: busy machine: it is led on without another word, s.
HESITATES_FOR = 1.0


class PlayState(enum.StrEnum):
    """How far a plan has come."""

    READY = 'ready'
    """Nothing was sent yet."""
    PLAYING = 'playing'
    PAUSED = 'paused'
    """The robot holds where it is; `play` goes on from there."""
    AT_STEP = 'at the end of a step'
    """The robot holds there, as asked for; `play` goes on with the next one."""
    FINISHED = 'finished'
    """The robot has come to the end of the plan."""
    STOPPED = 'stopped'
    """Nothing is sent any more."""


@dataclass(frozen=True, slots=True)
class PlayTick:
    """The feet at a tick, in `base_link`, m and m/s, and the time in the plan, s."""

    feet: Feet
    velocities: Feet
    time: float


class Playing:
    """Plays a plan once, or in a loop.

    Parameters
    ----------
    plan
        From where the feet are.
    names
        Of the legs, all of them.
    rate
        Ticks, 1/s.
    preview
        How far foot targets reach ahead, s; 0 where they are handed on directly.
    again
        What is played after it, over and over: from the end of `plan` back to there.

    Attributes
    ----------
    state
        How far it has come.
    reason
        Why it is paused or stopped.

    """

    def __init__(
        self,
        plan: Plan,
        names: Sequence[str],
        *,
        rate: float,
        preview: float,
        again: Plan | None = None,
    ) -> None:
        """Send nothing yet."""
        self._plan = plan
        self._again = again if again is not None and again.duration > 0.0 else None
        self._names = tuple(names)
        self._rate = rate
        self._ahead = ticks_ahead(preview, rate)
        self._schedule = Schedule(1.0 / rate, self._ahead[-1])
        self._lead: _Lead | None = None
        self._report: RobotReport | None = None
        self._reported_at = -inf
        self._followed_at = -inf
        self.state = PlayState.READY
        self.reason = ''

    # ---- where it is

    @property
    def end(self) -> float:
        """Time of the end, s; infinite for a loop."""
        return self._plan.duration if self._again is None else inf

    @property
    def time(self) -> float:
        """Time in the plan that the robot has come to, s; it goes on growing in a loop."""
        return 0.0 if self._lead is None else self._lead.reached.time

    @property
    def move(self) -> Move | None:
        """The move that the robot is in, or has done at the end of a step; None without moves."""
        at_step = self.state is PlayState.AT_STEP
        plan, time = self._part(nextafter(self.time, 0.0) if at_step else self.time)
        return plan.moves[plan.move_at(time)] if plan.moves else None

    @property
    def held_up(self) -> str:
        """Why the robot is not led on for the moment, though it is played; empty while it is."""
        playing = self.state is PlayState.PLAYING
        return self._lead.paused if playing and self._lead is not None else ''

    def condition(self) -> Condition:
        """Say how far it has come."""
        level = Level.WARN if self.state in {PlayState.PAUSED, PlayState.STOPPED} else Level.OK
        words = self.reason or self.held_up
        if (move := self.move) is not None and self.state is not PlayState.READY:
            place = f'step {move.number + 1}'
            words = f'{place}: {words}' if words else place
        return Condition(level, str(self.state), words)

    def _part(self, time: float) -> tuple[Plan, float]:
        """Give the plan that is played at a time, and the time in it, s."""
        first = self._plan.duration
        if self._again is None or time < first:
            return self._plan, time
        return self._again, (time - first) % self._again.duration

    def _step_end(self, time: float) -> float:
        """When the step that is under way at a time ends, s."""
        plan, within = self._part(time)
        return time - within + plan.step_end(within)

    # ---- orders

    def play(self, now: float) -> Answer:
        """Begin, or go on after a pause, to the end."""
        return self._play(now, self.end)

    def play_step(self, now: float) -> Answer:
        """Begin, or go on, to the end of the step; of the next one from there."""
        return self._play(now, self._step_end(self.time))

    def pause(self, reason: str) -> Answer:
        """Have the robot come to rest on its way, and hold."""
        if self.state is not PlayState.PLAYING:
            return Answer(success=False, words=f'nothing to pause: {self.state}')
        self.state, self.reason = PlayState.PAUSED, reason
        return Answer(success=True, words='paused: the robot comes to rest on its way and holds')

    def stop(self, reason: str) -> Answer:
        """End: nothing is sent any more, and the robot comes to rest on its way and holds."""
        if self.state in {PlayState.FINISHED, PlayState.STOPPED}:
            return Answer(success=False, words=f'nothing to stop: {self.state}')
        self.state, self.reason = PlayState.STOPPED, reason
        return Answer(success=True, words='stopped: the robot comes to rest on its way and holds')

    def _play(self, now: float, until: float) -> Answer:
        if self.state in {PlayState.FINISHED, PlayState.STOPPED}:
            return Answer(success=False, words=f'{self.state}: {self.reason or "start it anew"}')
        report = self._report
        if report is None or now - self._reported_at > REPORT_HOLDS_FOR:
            return Answer(success=False, words='nothing is heard from the bridge: is it running?')
        if report.state is not PowerState.FOLLOWING:
            return Answer(success=False, words=f'the robot does not follow: it is {report.state}')
        if self.state is not PlayState.PLAYING:
            self._schedule.begin(now)
        if self._lead is None:
            self._lead = _Lead(
                self.sample,
                self._names,
                rate=self._rate,
                ahead=self._ahead,
                report=report,
                now=now,
            )
        self._lead.take_over()
        self._lead.until = until
        self._followed_at = now
        self.state, self.reason = PlayState.PLAYING, ''
        return Answer(success=True, words='playing')

    # ---- time

    def hear(self, report: RobotReport, received: float) -> None:
        """Take in what the robot does, as told at an instant, s."""
        self._report, self._reported_at = report, received
        if self._lead is not None and not self._lead.hear(report, received):
            self.stop('power was taken from the robot')

    def step(self, now: float, clock_offset: int) -> FootTargets | None:
        """Go on to an instant.

        Parameters
        ----------
        now
            s.
        clock_offset
            What the clock of the stamps shows more than `now`, ns.

        """
        lead = self._lead
        if lead is None:
            return None
        if self.state is not PlayState.PLAYING:
            if not lead.paused:
                lead.pause(str(self.state), now)
            return None
        count = self._schedule.due(now)
        if not count:
            return None
        stamp = round(self._schedule.at * NANOSECONDS) + clock_offset
        targets = lead.step(count, stamp, now)
        follows = self._report is not None and self._report.state is PowerState.FOLLOWING
        if not lead.trouble:
            self._followed_at = now
        elif not follows or now - self._followed_at > HESITATES_FOR:
            self.pause(lead.trouble)
        if lead.reached.time >= lead.until and not lead.paused:
            at_end = lead.until >= self.end
            self.state = PlayState.FINISHED if at_end else PlayState.AT_STEP
        return targets

    def sample(self, time: float) -> PlayTick:
        """Give the feet at a time in the plan, s."""
        plan, within = self._part(time)
        return PlayTick(*plan.at(within), time)


class _Lead(Leading[PlayTick]):
    """Leads the robot along a plan, no farther than until a time in it, s."""

    def __init__(
        self,
        sample: Callable[[float], PlayTick],
        names: tuple[str, ...],
        *,
        rate: float,
        ahead: Sequence[int],
        report: RobotReport,
        now: float,
    ) -> None:
        super().__init__(names, rate=rate, ahead=ahead, report=report, now=now, from_instant=now)
        self._sample = sample
        self._next = 0.0
        self.until = 0.0
        self.begin(now)

    @property
    def reached(self) -> PlayTick:
        """The last tick that the robot has come to."""
        return self.path.around(self.path.reached)[0]

    def take_over(self) -> None:
        """Go on after a pause, as soon as the robot stands where it is led to."""
        if self.paused:
            self.paused = TAKING_OVER

    def work_out(self) -> PlayTick:
        """Go on by a tick in the plan."""
        tick = self._sample(self._next)
        self._next = min(self._next + self._tick, max(self._next, self.until))
        return tick
