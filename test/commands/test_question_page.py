# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Questions at the bench, asked on pages: one answers, the others look on, all may say off."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from leg_kinematics.calibration.question import OFF, Choice, Question, Typed
from leg_kinematics.chain.values import Answer, Condition, Level
from leg_kinematics.commands.bench.page_session import resting_angles
from leg_kinematics.commands.bench.question_page import LEAVING, QuestionPage
from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.robot import load_robot
from leg_kinematics.solver import leg_solvers
from leg_kinematics.view.messages import (
    LEADER_SILENCE,
    Arm,
    Choose,
    Enter,
    FromPage,
    Leading,
    LeaveLead,
    Off,
    TakeLead,
)
from leg_kinematics.view.watching import Watching

if TYPE_CHECKING:
    from test.told_page import ToldPage
else:
    from told_page import ToldPage

BENCH_LEG = load_robot(Path(__file__).parents[2] / 'config' / 'robots' / 'bench_leg.yaml')
TICK = 0.02
ON = Choice('enter', 'go on')


class Steps:
    """Asks for one number after another; `power` is asked first, without `OFF`."""

    def __init__(self) -> None:
        """Ask the first question."""
        self.words = ''
        self.taken: list[str] = []
        self.ended = False
        self.fails = False

    def question(self) -> Question:
        """Ask the one that comes after what was answered."""
        if not self.taken:
            return Question('power', 'Shall it?', (ON,))
        title = f'angle {len(self.taken)}'
        return Question(title, 'Read it.', (ON, OFF), Typed('deg', frozenset('-0123456789.'), 5))

    def choose(self, key: str) -> None:
        """Take a key; `q` is the end."""
        if self.fails:
            raise DescriptionError('the disk is full', file=Path('readings.jsonl'))
        self.taken.append(key)
        self.words = f'chosen: {key}'
        self.ended = key == 'q'

    def enter(self, text: str) -> None:
        """Take what was typed."""
        self.taken.append(text)
        self.words = f'typed: {text}'

    def step(self) -> None:
        """Do nothing."""


class Bench:
    """A bench that is told what to say."""

    def __init__(self) -> None:
        """Rest."""
        self.busy = False
        self.released = 0

    def step(self, now: float) -> None:
        """Do nothing."""

    def condition(self) -> Condition:
        """Say whether it rests."""
        return Condition(Level.OK, 'moving' if self.busy else 'at rest')

    def release(self) -> Answer:
        """Count it."""
        self.released += 1
        return Answer(success=True, words='released')


class Scene:
    """A bench with pages, and a clock that is set."""

    def __init__(self) -> None:
        """Have no page yet."""
        self.now = 100.0
        self.asking, self.bench = Steps(), Bench()
        self.house = QuestionPage(
            self.asking,
            self.bench,
            Watching(BENCH_LEG, leg_solvers(BENCH_LEG), {}, '/'),
            angles=lambda: resting_angles(BENCH_LEG),
            about=lambda: BENCH_LEG.joints[0],
            shown=lambda: 'a protractor',
            clock=lambda: self.now,
        )

    def page(self, number: int) -> ToldPage:
        """Have a page come."""
        page = ToldPage(number)
        self.house.come(page)
        return page

    def run(self, seconds: float) -> None:
        """Let time go by."""
        for _ in range(round(seconds / TICK)):
            self.now += TICK
            self.house.step()

    def say(self, page: ToldPage, *messages: FromPage) -> None:
        """Have a page say something."""
        for message in messages:
            self.house.take(page, message)


@pytest.fixture
def scene() -> Scene:
    """Return a bench without pages."""
    return Scene()


def latest(page: ToldPage) -> dict[str, dict[str, Any]]:
    """Give the latest message of each kind that a page was told since the last time."""
    return {each['kind']: each for each in page.told()}


def test_whoever_comes_is_told_all_and_leads_nothing(scene: Scene) -> None:
    """Robot, question, and that nobody leads; then the robot as it is believed to rest."""
    page = scene.page(1)
    told = latest(page)
    assert told['robot']['name'] == BENCH_LEG.name
    assert told['lead'] == {'kind': 'lead', 'leading': False, 'free': True, 'words': ''}
    assert (told['asked']['title'], told['asked']['shown']) == ('power', 'a protractor')
    assert told['asked']['about'] == BENCH_LEG.joints[0]
    assert told['asked']['entry'] is None
    scene.run(0.2)
    assert latest(page)['frame']['angles'] == pytest.approx(resting_angles(BENCH_LEG), abs=1e-5)
    scene.say(page, Choose(told['asked']['number'], 'enter'))
    assert scene.asking.taken == []
    assert 'does not lead' in latest(page)['lead']['words']


def test_the_page_that_leads_answers_and_the_other_looks_on(scene: Scene) -> None:
    """What is typed has to be what can be typed."""
    leader, other = scene.page(1), scene.page(2)
    scene.say(leader, TakeLead())
    assert latest(leader)['lead']['leading']
    assert not latest(other)['lead']['free']
    scene.say(other, TakeLead())
    assert 'another page leads' in latest(other)['lead']['words']
    scene.say(leader, Choose(1, 'enter'))
    asked = latest(other)['asked']
    assert (asked['number'], asked['title'], asked['words']) == (2, 'angle 1', 'chosen: enter')
    assert asked['entry'] == {'prompt': 'deg', 'characters': '-.0123456789', 'longest': 5}
    scene.say(leader, Enter(2, '12x'), Enter(2, '123456'), Enter(2, ''))
    assert scene.asking.taken == ['enter']
    scene.say(leader, Enter(2, '-12.5'))
    assert scene.asking.taken == ['enter', '-12.5']


def test_an_answer_to_another_question_is_not_taken(scene: Scene) -> None:
    """Such as a second press of a key, before the page has seen what came of the first."""
    page = scene.page(1)
    scene.say(page, TakeLead(), Choose(1, 'enter'), Choose(1, 'enter'))
    assert scene.asking.taken == ['enter']
    assert 'was not taken' in latest(page)['asked']['words']


def test_everybody_takes_the_pulses_off(scene: Scene) -> None:
    """By the answer of the question that does so; where it has none, at once."""
    leader, other = scene.page(1), scene.page(2)
    scene.say(leader, TakeLead())
    scene.say(other, Off())
    assert (scene.bench.released, scene.asking.taken) == (1, [])
    assert latest(leader)['asked']['words'] == 'released'
    scene.say(leader, Choose(1, 'enter'))
    scene.say(other, Off())
    assert (scene.bench.released, scene.asking.taken) == (1, ['enter', OFF.key])


@pytest.mark.parametrize('busy', [False, True])
@pytest.mark.parametrize('way', ['silent', 'closed', 'left'])
def test_a_page_that_is_lost_leads_no_more(scene: Scene, way: str, *, busy: bool) -> None:
    """At rest servos hold, as for a phone that takes a photograph; what moves loses its pulses."""
    page, other = scene.page(1), scene.page(2)
    scene.say(page, TakeLead(), Choose(1, 'enter'))
    scene.bench.busy = busy
    for _ in range(20):
        scene.run(LEADER_SILENCE / 2)
        scene.say(page, Leading())
    assert scene.asking.taken == ['enter']
    if way == 'silent':
        scene.run(LEADER_SILENCE + 0.1)
    elif way == 'closed':
        scene.house.leave(page)
    else:
        scene.say(page, LeaveLead())
    lead = latest(other)['lead']
    assert lead['free']
    assert scene.asking.taken == (['enter', OFF.key] if busy else ['enter'])
    assert ('while something moved' in lead['words']) is busy
    scene.say(other, TakeLead())
    assert latest(other)['lead']['leading']


def test_a_server_that_was_held_up_blames_no_page(scene: Scene) -> None:
    """What the page said meanwhile is heard only now."""
    page = scene.page(1)
    scene.say(page, TakeLead())
    scene.now += 5.0
    scene.house.step()
    scene.say(page, Leading())
    scene.run(1.0)
    assert latest(page)['lead']['leading']
    scene.say(page, Choose(1, 'enter'))
    assert scene.asking.taken == ['enter']


def test_an_answer_that_cannot_be_kept_is_told(scene: Scene) -> None:
    """The question stays."""
    page = scene.page(1)
    scene.say(page, TakeLead())
    scene.asking.fails = True
    scene.say(page, Choose(1, 'enter'))
    assert 'the disk is full' in latest(page)['asked']['words']


def test_the_end_is_told_before_it_ends(scene: Scene) -> None:
    """And nothing is taken any more."""
    page = scene.page(1)
    scene.say(page, TakeLead(), Choose(1, 'q'))
    scene.run(TICK)
    assert not scene.house.ended
    assert 'has ended' in latest(page)['lead']['words']
    scene.run(LEAVING + 0.1)
    assert scene.house.ended


def test_nothing_is_driven_here(scene: Scene) -> None:
    """The message of another page is none."""
    with pytest.raises(CommandError, match="'arm' means nothing"):
        scene.say(scene.page(1), Arm())
