# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Hold-to-run over a link that may lose, delay, repeat and reorder: both of its ends.

A word counts for `LASTS` after the robot told the beat that it answers. So a hand that lets go, a
cut, a burst of late words and a repeated word all end alike: the robot stops, at most so long after
it was last heard with the control pressed. A press that has ended never counts again.
"""

from dataclasses import dataclass

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.remote.words import Order, OrderWord, State, Word
from leg_kinematics.teleop.steering import STOP_TOLD_FOR, Wanted

#: A word counts for so long after the robot told the beat that it answers, s.
LASTS = 0.5

#: An order that is meant for now is not obeyed later than that after its beat, s.
ORDERED_WITHIN = 1.0

#: A robot tells its state so often, and a driver what he wants, Hz.
RATE = 20.0

#: A number so far ahead of the robot's beat is none that it can have led to, ms.
AHEAD = 1000


@dataclass(slots=True)
class _Heard:
    """What is known of a driver."""

    ended: int
    number: int = 0
    why: str = ''


class Holding:
    """The robot's end: whose press counts.

    One driver holds at a time, the first whose press counts. The presses of others end meanwhile.

    Parameters
    ----------
    start
        Beat at the instant 0, ms; nobody shall be able to guess it.

    Attributes
    ----------
    refused
        Words that were too old, repeated or of a press that had ended.

    """

    def __init__(self, start: int) -> None:
        """Wait for a press."""
        self._start = start
        self._heard: dict[str, _Heard] = {}
        self._driver = ''
        self._press = 0
        self._twist = Twist()
        self._until = 0
        self._stopped_at = -float('inf')
        self.refused = 0

    def beat(self, now: float) -> int:
        """Beat at an instant, s."""
        return self._start + round(1000.0 * now)

    @property
    def driver(self) -> str:
        """Identity of the driver whose press goes on; empty while none does."""
        return self._driver

    def state(self, now: float) -> State:
        """Give what the robot tells of presses at an instant, s; nodes and odometry stand apart."""
        return State(
            self.beat(now),
            self._driver,
            {driver: heard.ended for driver, heard in self._heard.items()},
            {driver: heard.why for driver, heard in self._heard.items() if heard.why},
        )

    def hear(self, driver: str, word: Word, now: float) -> bool:
        """Take a word of a driver at an instant, s; tell whether his press counts."""
        self.step(now)
        # A press from before this start has ended with what was there before.
        beat, heard = self.beat(now), self._heard.setdefault(driver, _Heard(self._start))
        if refusal := self._refusal(heard, word, beat):
            self.refused += 1
            heard.why = refusal
            return False
        heard.number = word.number
        if driver == self._driver and word.press != self._press:
            self._end('the control was let go', now)
        if not word.press or word.press <= heard.ended:
            self.refused += bool(word.press)
            return False
        if self._driver not in {'', driver}:
            heard.ended, heard.why = word.press, f'{self._driver} drives'
            self.refused += 1
            return False
        heard.why = ''
        self._driver, self._press, self._twist = driver, word.press, word.twist
        self._until = word.beat + round(1000.0 * LASTS)
        return True

    @staticmethod
    def _refusal(heard: _Heard, word: Word, beat: int) -> str:
        """Say why a word counts for nothing; empty where it may."""
        if word.beat > beat or max(word.number, word.press) > beat + AHEAD:
            return 'a word answered what this robot has not told yet'
        if beat - word.beat > 1000.0 * LASTS:
            return f'a word came {(beat - word.beat) / 1000.0:.1f} s late'
        if word.number <= heard.number:
            return 'a word came twice, or after a later one'
        return ''

    def refusal_of_order(self, word: OrderWord, now: float) -> str:
        """Say why an order is not obeyed at an instant, s; empty where it is."""
        age = (self.beat(now) - word.beat) / 1000.0
        if word.order.whenever or 0.0 <= age <= ORDERED_WITHIN:
            return ''
        late = f'it came {age:.1f} s late' if 0.0 <= age < 60.0 else 'it answers no state of mine'
        return f'{word.order} was not obeyed: {late}, and it is meant for now'

    def stop(self, why: str, now: float) -> None:
        """End the press that goes on, if any, at an instant, s."""
        if self._driver:
            self._end(why, now)

    def step(self, now: float) -> Twist | None:
        """Give the velocity that counts at an instant, s; None once nobody drives."""
        if self._driver and self.beat(now) > self._until:
            self._end(f'nothing was heard from the driver that was younger than {LASTS:g} s', now)
        if self._driver:
            return self._twist
        return Twist() if now - self._stopped_at <= STOP_TOLD_FOR else None

    def _end(self, why: str, now: float) -> None:
        heard = self._heard[self._driver]
        heard.ended, heard.why = self._press, why
        self._driver, self._press, self._twist = '', 0, Twist()
        self._stopped_at = now


class Pressing:
    """The driver's end: words from what is wanted, and whether the robot still follows the press.

    Parameters
    ----------
    identity
        Of the driver.

    """

    def __init__(self, identity: str) -> None:
        """Wait for the robot."""
        self._identity = identity
        self._state: State | None = None
        self._heard_at = -float('inf')
        self._number = 0
        self._press = 0
        self._last_press = 0
        self._let_go = False

    def hear(self, state: State, now: float) -> None:
        """Take what the robot tells, at an instant, s."""
        if self._state is not None and state.beat < self._state.beat:
            # It has started anew, and counts from elsewhere.
            self._let_go, self._press, self._number, self._last_press = False, 0, 0, 0
        self._state, self._heard_at = state, now

    def state(self, now: float) -> State | None:
        """Give the latest state; None where it is older than `LASTS` at an instant, s."""
        return self._state if now - self._heard_at <= LASTS else None

    def ended(self, now: float) -> str:
        """Say why the press has ended though the control is held; empty while it goes on."""
        if not self._press:
            return ''
        state = self.state(now)
        if state is None:
            return f'nothing was heard from the robot for {LASTS:g} s'
        if state.ended.get(self._identity, 0) >= self._press:
            return state.why.get(self._identity, 'the robot has ended it')
        return ''

    def word(
        self, wanted: Wanted, now: float, *, held: bool, duty_factor: float | None = None
    ) -> Word | None:
        """Make the next word at an instant, s; None while there is nobody or nothing to tell.

        A press that the robot or the link has ended is not made again, nor is one that began while
        nothing was heard from the robot: the control has to be let go first.
        """
        state, ended = self.state(now), self.ended(now)
        if not held:
            self._press, self._let_go = 0, True
        elif ended or state is None:
            self._press, self._let_go = 0, False
        if state is None or wanted.twist is None:
            return None
        self._number = max(self._number + 1, state.beat)
        if self._let_go and held and not self._press:
            self._press = self._last_press = max(self._last_press + 1, state.beat)
        if not self._press:
            return Word(state.beat, self._number, 0)
        return Word(state.beat, self._number, self._press, wanted.twist, wanted.offset, duty_factor)

    def order(self, order: Order, now: float) -> OrderWord:
        """Make the word of an order at an instant, s.

        Raises
        ------
        CommandError
            Nothing is heard from the robot, and the order is meant for now.

        """
        state = self.state(now)
        if state is None and not order.whenever:
            raise CommandError(f'{order} was not sent: nothing is heard from the robot')
        return OrderWord(0 if state is None else state.beat, order)
