# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pages and bench together: questions asked on a page until somebody leaves.

One page answers, the others look on. Whoever answers has seen what is asked: an answer names the
number of its question, and one to another question is not taken. A page that leads and is gone
leads no more. Servos at rest stay as they are then, since the phone may be away to take a
photograph; while something moves the pulses are taken off.
"""

from collections.abc import Callable, Sequence
from typing import Protocol

from leg_kinematics.calibration.question import OFF, Asking, Question
from leg_kinematics.chain.values import Answer, Condition
from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.view.messages import (
    FRAMES_A_SECOND,
    LEADER_SILENCE,
    Asked,
    Choose,
    Control,
    Enter,
    Entry,
    FromPage,
    Lead,
    Leading,
    LeaveLead,
    Off,
    Offered,
    TakeLead,
    ToPage,
)
from leg_kinematics.view.reading import written
from leg_kinematics.view.server import Page
from leg_kinematics.view.watching import Known, Watching

#: The robot is drawn so often, s.
SHOW_EVERY = 0.1

#: What is said last has so long to arrive, s.
LEAVING = 0.5

#: Longest time between two steps that counts as time in which a page could be heard, s.
LATE_STEP = 3.0 / FRAMES_A_SECOND

ENDED = 'It has ended; the terminal tells what becomes of it.'


class SteppedBench(Protocol):
    """A bench that lives by being stepped."""

    @property
    def busy(self) -> bool:
        """Whether what was ordered is still being done."""

    def step(self, now: float) -> None:
        """Advance to an instant, s."""

    def condition(self) -> Condition:
        """Say how it is."""

    def release(self) -> Answer:
        """Stop all pulses."""


class QuestionPage:
    """Answers pages: hands answers on, and shows what is asked.

    Parameters
    ----------
    asking
        What leads.
    bench
        That it moves servos with.
    watching
        Draws the robot.
    angles
        Gives the joints as they are believed to be, rad, in the order of the robot.
    about
        Names the joint or the leg that the question is about; empty where it is about all.
    shown
        Says what a person would read at a real bench, where this is a mock.
    clock
        Gives the instant, s, of a clock that is never set.

    """

    def __init__(
        self,
        asking: Asking,
        bench: SteppedBench,
        watching: Watching,
        *,
        angles: Callable[[], Sequence[float]],
        about: Callable[[], str],
        shown: Callable[[], str],
        clock: Callable[[], float],
    ) -> None:
        """Ask nobody yet."""
        self._asking = asking
        self._bench = bench
        self._watching = watching
        self._angles, self._about, self._shown = angles, about, shown
        self._clock = clock
        self._began = self._stepped_at = clock()
        self._drawn_at = self._ended_at = -float('inf')
        self._pages: dict[int, Page] = {}
        self._leader: int | None = None
        self._silence = 0.0
        self._question: Question | None = None
        self._number = 0
        self._asked = self._ask()

    @property
    def ended(self) -> bool:
        """Whether nothing is asked any more, and pages know."""
        return self._asking.ended and self._clock() - self._ended_at > LEAVING

    # ---- pages

    def come(self, page: Page) -> None:
        """Tell a page what is asked."""
        self._pages[page.number] = page
        page.say(self._watching.robot)
        page.say(Control(offered=False, armed=False, moving=False, press=0, words=''))
        page.say(self._asked)
        self._tell_lead(page)

    def leave(self, page: Page) -> None:
        """Forget a page, which may have led."""
        del self._pages[page.number]
        if page.number == self._leader:
            self._lose('the page that led is gone')

    def take(self, page: Page, message: FromPage) -> None:
        """Take an answer of the page that leads, and `Off` of any.

        Raises
        ------
        CommandError
            It is no message for a bench.

        """
        match message:
            case Off():
                self._off()
            case TakeLead():
                self._take_lead(page)
            case Leading() | LeaveLead() | Choose() | Enter() if page.number != self._leader:
                self._tell_lead(page, 'nothing was taken from this page, since it does not lead')
            case Leading():
                self._silence = 0.0
            case LeaveLead():
                self._lose('the page that led was left or hidden')
            case Choose() | Enter():
                self._silence = 0.0
                self._answer(message)
            case _:
                raise CommandError(f'questions are asked here: {message.kind!r} means nothing')

    def step(self) -> None:
        """Go on with what was ordered, and tell what has changed."""
        now = self._clock()
        passed, self._stepped_at = now - self._stepped_at, now
        self._bench.step(now)
        if self._asking.ended:
            if self._ended_at < 0.0:
                self._ended_at = now
                self._leader = None
                self._tell_everybody(ENDED)
            return
        self._asking.step()
        if self._leader is not None:
            # What a page says waits while we are held up.
            self._silence += min(passed, LATE_STEP)
            if self._silence > LEADER_SILENCE:
                self._lose(f'the page that led was not heard for {LEADER_SILENCE:g} s')
        self._tell()
        if now - self._drawn_at >= SHOW_EVERY:
            self._drawn_at = now
            frame = self._watching.frame(now - self._began, Known(angles=self._angles()))
            text = written(frame)
            for page in self._pages.values():
                page.show(text)

    # ---- who leads

    def _take_lead(self, page: Page) -> None:
        if self._leader not in {None, page.number}:
            self._tell_lead(page, 'another page leads, until it is left or closed')
            return
        self._leader, self._silence = page.number, 0.0
        self._tell_everybody('')

    def _lose(self, why: str) -> None:
        """Let nobody lead, and nothing move."""
        self._leader = None
        if self._bench.busy:
            why = f'{why} while something moved. {self._off()}'
        else:
            why = f'{why}; nothing has moved since'
        self._tell_everybody(why)

    def _off(self) -> str:
        """Take the pulses off, as the question has it or else at once; say what came of it."""
        if OFF in self._asking.question().choices:
            self._asking.choose(OFF.key)
        else:
            self._asking.words = self._bench.release().words
        self._tell()
        return self._asking.words

    def _tell_everybody(self, words: str) -> None:
        for page in self._pages.values():
            self._tell_lead(page, words)

    def _tell_lead(self, page: Page, words: str = '') -> None:
        leads = page.number == self._leader
        page.say(Lead(leads, self._leader is None, '' if leads else words))

    # ---- questions

    def _answer(self, answer: Choose | Enter) -> None:
        """Hand an answer on, if it is one to what is asked now."""
        self._ask()
        if answer.number != self._number:
            text = answer.key if isinstance(answer, Choose) else answer.text
            self._asking.words = f'{text} was not taken: meanwhile something else is asked'
        else:
            try:
                if isinstance(answer, Choose):
                    self._asking.choose(answer.key)
                elif self._misfit(answer.text):
                    self._asking.words = f'{answer.text!r} was not taken: it cannot be typed here'
                else:
                    self._asking.enter(answer.text)
            except DescriptionError as error:
                self._asking.words = str(error)
        self._tell()

    def _misfit(self, text: str) -> bool:
        typed = self._asking.question().typed
        return (
            typed is None or not 0 < len(text) <= typed.longest or not set(text) <= typed.characters
        )

    def _ask(self) -> Asked:
        """Say what is asked now, with a number of its own."""
        question = self._asking.question()
        if question != self._question:
            self._question = question
            self._number += 1
        typed, condition = question.typed, self._bench.condition()
        return Asked(
            number=self._number,
            title=question.title,
            text=question.text,
            offered=tuple(Offered(each.key, each.words) for each in question.choices),
            entry=None
            if typed is None
            else Entry(typed.prompt, ''.join(sorted(typed.characters)), typed.longest),
            words=self._asking.words,
            level=condition.level,
            condition=str(condition),
            shown=self._shown(),
            about=self._about(),
        )

    def _tell(self) -> None:
        """Tell everybody what is asked, where that has changed."""
        if self._asking.ended:
            return
        asked = self._ask()
        if asked != self._asked:
            self._asked = asked
            self._say(asked)

    def _say(self, message: ToPage) -> None:
        text = written(message)
        for page in self._pages.values():
            page.say_text(text)
