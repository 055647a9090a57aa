# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The way through a line on paper: the foot goes from stop to stop, then deviations are typed.

It knows neither terminal nor clock; see `calibration.question`. The leg moves only by an answer.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite

from leg_kinematics.calibration.bench import Answered
from leg_kinematics.calibration.question import LEAVE, OFF, UNDO, Choice, Question, Typed
from leg_kinematics.design.line_on_paper import (
    SURPRISING,
    ExpectedLine,
    LinePlan,
    MarkedLine,
    line_in_words,
    mark_line,
)
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.identification.leg_bench import LegBench

#: Of joints, rad by name.
Angles = Mapping[str, float]

MM = 1e3

#: Nobody reads more beside a ruler, mm.
MOST_MM = 100.0

DEVIATION = Typed(
    'mm beside the ruler, to its left above 0', frozenset('0123456789.,+-'), longest=8
)


@dataclass(frozen=True)
class _Place:
    """Where the dialogue is.

    Attributes
    ----------
    at
        Number of the stop at which the foot is, or to which it goes, from 0; None before the way to
        the first one.
    coming
        Whether it goes to where the line starts, and then on to the first stop.
    typed
        Deviations, m, of the marks from the second on.
    surprising
        A deviation that has to be typed once more to be taken, m; None where none has.

    """

    at: int | None = None
    coming: bool = False
    typed: tuple[float, ...] = ()
    surprising: float | None = None


class LineDialogue:
    """Leads through a line on paper.

    Parameters
    ----------
    plan
        The line.
    lead
        Gives the way, as joint angles, rad by name, from where the leg is to where the line starts.
    expect
        Tells what is to be expected of the line for the way by which the leg came, the place where
        it was included.
    bench
        That moves the leg.

    Attributes
    ----------
    ended
        Whether nothing is asked any more.
    words
        What the last answer has led to, or what has happened since.

    """

    def __init__(
        self,
        plan: LinePlan,
        lead: Callable[[Angles], Sequence[Angles]],
        expect: Callable[[Sequence[Angles]], ExpectedLine],
        bench: LegBench,
    ) -> None:
        """Move nothing yet."""
        self._plan = plan
        self._lead = lead
        self._expect = expect
        self._expected: ExpectedLine | None = None
        self._bench = bench
        self._place = _Place()
        self._before: list[_Place] = []
        self._obeyed = False
        self.ended = False
        self.words = ''

    # ---- what is known

    @property
    def stop(self) -> int | None:
        """Number of the stop at which the foot is, or to which it goes, from 0; otherwise None."""
        return None if self.marked else self._place.at

    @property
    def marked(self) -> bool:
        """Whether the foot has been at every stop, so that it need not move any more."""
        return self._place.at == len(self._plan.stops)

    @property
    def mark(self) -> int | None:
        """Number of the mark that is asked for, from 0; None where none is."""
        place = 1 + len(self._place.typed)
        return place if self.marked and place < len(self._plan.stops) - 1 else None

    @property
    def result(self) -> MarkedLine | None:
        """The line; None before all was typed."""
        if not self.marked or self.mark is not None or self._expected is None:
            return None
        return mark_line(self._plan, self._expected, self._place.typed)

    def question(self) -> Question:
        """Say what a person is asked now."""
        title = f'{self._plan.leg}: a line on paper'
        if (result := self.result) is not None:
            choices: tuple[Choice, ...] = (Choice('enter', 'done'), UNDO, LEAVE)
            return Question(title, '\n'.join(line_in_words(result)), choices)
        if self.marked:
            return self._ask_deviation(title)
        if not self._bench.obeys:
            text = (
                f'{self._plan.leg} has no pulses. Its servos get them one after another, and run '
                'to the resting posture AT FULL SPEED: turn the leg near to it, and keep hands '
                'away.'
            )
            return Question(title, text, (Choice('enter', 'give it pulses'), LEAVE))
        return self._ask_mark(title)

    def _ask_mark(self, title: str) -> Question:
        number, count = self._place.at, len(self._plan.stops)
        if number is None:
            text = (
                f'The foot goes to the first of {count} stops, well above the ground, and from '
                f'there {MM * self._plan.length:.0f} mm in a straight line across the leg. Have a '
                'sharp pen and paper ready, and books or a box to lay it on. Keep hands away while '
                'it moves.'
            )
            return Question(title, text, (Choice('enter', 'go to the first stop'), OFF, LEAVE))
        laid = (
            'lay the paper under the whole line, level and some millimetres below the tip, and '
            'tape it. Then '
        )
        text = (
            f'Stop {number + 1} of {count}. Once the foot stands, {"" if number else laid}mark the '
            'place right below its tip without touching it, and write the number beside it.'
        )
        after = 'marked; the next stop' if number + 1 < count else 'marked; that was the last one'
        return Question(title, text, (Choice('enter', after), OFF, UNDO, LEAVE))

    def _ask_deviation(self, title: str) -> Question:
        number, count = len(self._place.typed) + 1, len(self._plan.stops)
        text = (
            f'Lay a ruler through marks 1 and {count}. Look along it from mark 1 to mark {count}: '
            f'how far is mark {number + 1} beside it, in mm? To the left it counts above 0, to the '
            f'right below. {count - 1 - number} to go.'
        )
        return Question(title, text, (OFF, UNDO, LEAVE), typed=DEVIATION)

    # ---- answers

    def choose(self, key: str) -> None:
        """Take a key; one that the question does not name changes nothing."""
        self.words = ''
        if key not in {choice.key for choice in self.question().choices}:
            self.words = f'the key {key} means nothing here'
        elif key == 'q' or (key == 'enter' and self.result is not None):
            self.ended = True
        elif key == 'x':
            self._order(self._bench.release())
        elif key == 'u':
            self._undo()
        elif not self._bench.obeys:
            # A foot that was off its pulses does not stand where it was any more.
            if self._order(self._bench.power()):
                self._before.clear()
                self._place = _Place()
        elif self._bench.busy or self._place.coming:
            self.words = 'the leg is on its way; wait until it stands'
        else:
            self._next_stop()

    def _next_stop(self) -> None:
        """Go to the next stop, or, after the last one, ask what was measured."""
        at = self._place.at
        if at is None:
            self._come()
        elif at + 1 == len(self._plan.stops) or self._order(self._follow(at + 1)):
            self._take(_Place(at=at + 1))

    def _come(self) -> None:
        """Go to where the line starts, by a way that is clear from where the leg is."""
        here = self._bench.angles or {}
        try:
            way = self._lead(here)
            expected = self._expect((here, *way))
        except LegKinematicsError as error:
            self.words = f'not moved: {error}'
            return
        if self._order(self._bench.go(way)):
            self._expected = expected
            self._take(_Place(at=0, coming=True))

    def _follow(self, stop: int) -> Answered:
        return self._bench.follow(self._plan.joints, self._plan.moves[stop])

    def enter(self, text: str) -> None:
        """Take a deviation as it was typed, in mm."""
        self.words = ''
        number, expectations = self.mark, self._expected
        if number is None or expectations is None:
            self.words = f'no number is asked for here: {text} was not taken'
            return
        try:
            deviation = float(text.strip().replace(',', '.')) / MM
        except ValueError:
            deviation = float('nan')
        if not (isfinite(deviation) and abs(deviation) <= MOST_MM / MM):
            self.words = f'{text!r} is no deviation: type mm from -100 to 100, such as -0.5'
            return
        expected = float(expectations.whole[number])
        if abs(deviation - expected) > SURPRISING and deviation != self._place.surprising:
            self._place = replace(self._place, surprising=deviation)
            self.words = (
                f'mark {number + 1} was expected {MM * expected:.1f} mm beside the ruler, and '
                f'{text.strip()} is far from that: look at the side and at the digits, and type it '
                'again'
            )
            return
        self._take(replace(self._place, typed=(*self._place.typed, deviation), surprising=None))
        self.words = f'taken: mark {number + 1} is {MM * deviation:g} mm beside the ruler'

    # ---- time

    def step(self) -> None:
        """Go on to the first stop, and see whether the leg still obeys."""
        obeys, bench = self._bench.obeys, self._bench
        if self._obeyed and not obeys and not self.marked:
            self.words = (
                f'the leg does not obey any more, and the line begins anew: {bench.condition()}'
            )
            self._before.clear()
            self._place = _Place()
        self._obeyed = obeys
        if self._place.coming and obeys and not bench.busy:
            self._place = replace(self._place, coming=False)
            self._order(self._follow(0))

    # ---- steps

    def _take(self, place: _Place) -> None:
        self._before.append(self._place)
        self._place = place

    def _undo(self) -> None:
        """Take the last step back: a number, or the stop, for which the line begins anew."""
        if not self._before:
            self.words = 'there is nothing to undo'
        elif self._place.typed:
            self._place = self._before.pop()
        else:
            self._before.clear()
            self._place = _Place()
            self.words = 'the line begins anew, so that slack is taken up the same way: new paper'

    def _order(self, answer: Answered) -> bool:
        """Take what became of an order; its words are those for the person."""
        self.words = answer.words
        return answer.success
