# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Everything that may happen to a robot, in every state of its power and in every order.

The rules are those of `watched.WatchedRobot`: no movement without a word, no jump, no false
answer. At the end of each life everything is mended, and a person can always bring the robot to
its feet again. Two legs with a board each stand for all: what may happen is the same.
"""

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import wraps
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.chain.power import PowerState

if TYPE_CHECKING:
    from test.watched import QUICK, Happening, WatchedRobot, pair_of_legs
else:
    from watched import QUICK, Happening, WatchedRobot, pair_of_legs

#: Between two happenings of an order, and after the last, s.
BETWEEN = 0.3
AFTER = 0.9

H = Happening

Way = Callable[[WatchedRobot], None]

#: Ways into every state of power, and some that differ in what the robot does there.
WAYS: dict[str, Way] = {}


def way(state: PowerState) -> Callable[[Way], Way]:
    """Note a way into a state, which must lead there."""

    def note(go: Way) -> Way:
        @wraps(go)
        def went(robot: WatchedRobot) -> None:
            go(robot)
            assert robot.state is state

        WAYS[go.__name__] = went
        return went

    return note


@way(PowerState.UNPOWERED)
def unconfigured(_: WatchedRobot) -> None:
    """Do nothing."""


@way(PowerState.UNPOWERED)
def configured(robot: WatchedRobot) -> None:
    """Find the boards."""
    robot.order(H.CONFIGURE)
    robot.run(0.2)


@way(PowerState.UNPOWERED)
def waiting(robot: WatchedRobot) -> None:
    """Look for a board that is not there."""
    robot.happen(H.BOARD_OFF)
    robot.order(H.CONFIGURE)
    robot.run(0.2)


@way(PowerState.ENABLING)
def enabling(robot: WatchedRobot) -> None:
    """Give one leg its pulses."""
    configured(robot)
    robot.order(H.ACTIVATE)
    robot.run_until(lambda: len(robot.outputs) == 3)


@way(PowerState.FOLLOWING)
def following(robot: WatchedRobot) -> None:
    """Give every leg its pulses, at rest."""
    robot.bring_up()


@way(PowerState.FOLLOWING)
def rising(robot: WatchedRobot) -> None:
    """Be on the way up."""
    robot.bring_up()
    robot.order(H.STAND)
    robot.run(0.5)


@way(PowerState.FOLLOWING)
def walking(robot: WatchedRobot) -> None:
    """Walk, one foot in the air."""
    robot.bring_up()
    robot.stand_up()
    robot.walk()


@way(PowerState.HOLDING)
def holding(robot: WatchedRobot) -> None:
    """Deactivate it in mid-step."""
    walking(robot)
    robot.order(H.DEACTIVATE)
    robot.run(0.4)


@way(PowerState.HOLDING)
def half_off(robot: WatchedRobot) -> None:
    """Restart one of its boards in mid-step."""
    walking(robot)
    robot.happen(H.BOARD_OFF)
    robot.run(0.06)
    robot.happen(H.BOARD_ON)
    robot.run(1.0)


@way(PowerState.HOLDING)
def found_on(robot: WatchedRobot) -> None:
    """Let another bridge find it in mid-step."""
    walking(robot)
    robot.happen(H.RESTART)
    robot.order(H.CONFIGURE)
    robot.run(0.3)


@way(PowerState.LOST)
def lost(robot: WatchedRobot) -> None:
    """Pull a cable in mid-step."""
    walking(robot)
    robot.happen(H.UNPLUGGED)
    robot.run(0.8)


@way(PowerState.RELEASED)
def released(robot: WatchedRobot) -> None:
    """Release it in mid-step."""
    walking(robot)
    robot.order(H.RELEASE)
    robot.run(0.4)


@way(PowerState.RELEASED)
def released_unheard(robot: WatchedRobot) -> None:
    """Release it where a board cannot be told."""
    lost(robot)
    robot.order(H.RELEASE)
    robot.run(0.4)


@pytest.fixture(scope='module')
def begin() -> Callable[[str], WatchedRobot]:
    """Give a robot in a state; the way there is gone once."""
    robot, maps = pair_of_legs()
    begun: dict[str, WatchedRobot] = {}

    def begin(way: str) -> WatchedRobot:
        if way not in begun:
            begun[way] = WatchedRobot(robot, maps)
            WAYS[way](begun[way])
        return begun[way].copy()

    return begin


def test_the_ways_lead_into_every_state(begin: Callable[[str], WatchedRobot]) -> None:
    """No state is left out."""
    assert {begin(way).state for way in WAYS} == set(PowerState)


@pytest.mark.parametrize('way', WAYS)
def test_one_happening(begin: Callable[[str], WatchedRobot], way: str) -> None:
    """Every happening in every state."""
    for happening in Happening:
        robot = begin(way)
        robot.happen(happening)
        robot.run(AFTER)
        robot.recover()


@pytest.mark.parametrize('first', Happening)
@pytest.mark.parametrize('way', ['unconfigured', 'enabling', 'walking'])
def test_two_happenings(begin: Callable[[str], WatchedRobot], way: str, first: Happening) -> None:
    """Every happening after every other."""
    one = begin(way)
    one.happen(first)
    one.run(BETWEEN)
    for second in Happening:
        robot = one.copy()
        robot.happen(second)
        robot.run(AFTER)


def every_tick(robot: WatchedRobot, ticks: int) -> Iterator[WatchedRobot]:
    """Let time pass and give a copy of the robot at every tick."""
    for _ in range(ticks):
        yield robot.copy()
        robot.step()


def test_every_happening_at_every_tick_of_an_enabling(
    begin: Callable[[str], WatchedRobot],
) -> None:
    """From the word that gives power until every leg has its own."""
    robot = begin('configured')
    robot.order(H.ACTIVATE)
    ticks = 0
    for moment in every_tick(robot, 12):
        ticks += 1
        for happening in Happening:
            life = moment.copy()
            life.happen(happening)
            life.run(0.5)
    assert robot.state is PowerState.FOLLOWING
    assert ticks * robot.life.tick > QUICK.driving.enable_interval


#: Of a step of the pair of legs, s: both swing once.
STEP = 2 * QUICK.gait.swing_time


def test_happenings_at_every_tick_of_a_step(begin: Callable[[str], WatchedRobot]) -> None:
    """In the air, landing, standing, lifting: each tick in turn meets some of the happenings."""
    robot = begin('walking')
    happenings = list(Happening)
    for tick, moment in enumerate(every_tick(robot, round(STEP / robot.life.tick))):
        for happening in happenings[tick % 5 :: 5]:
            life = moment.copy()
            life.happen(happening)
            life.run(0.5)


@given(data=st.lists(st.tuples(st.sampled_from(Happening), st.integers(0, 40)), max_size=14))
@settings(max_examples=settings().max_examples)
def test_random_lives(
    begin: Callable[[str], WatchedRobot], data: list[tuple[Happening, int]]
) -> None:
    """Many happenings, some at once, from nothing; and then it walks as ever."""
    robot = begin('following')
    for happening, ticks in data:
        robot.happen(happening)
        robot.run(ticks * robot.life.tick)
    robot.recover()


# ---- the whole campaign


@dataclass
class Count:
    """Lives that were lived, and the states of power that they ended in."""

    lives: int = 0
    ends: set[tuple[PowerState, ...]] = field(default_factory=set)
    fastest: float = 0.0

    def take(self, *robots: WatchedRobot) -> None:
        """Count a life by the states at its stages."""
        self.lives += 1
        self.ends.add(tuple(robot.state for robot in robots))
        self.fastest = max(self.fastest, robots[-1].fastest)

    def tell(self, what: str) -> None:
        """Print it."""
        sys.stdout.write(
            f'\n{what}: {self.lives} lives, {len(self.ends)} different sequences of states, '
            f'fastest joint {self.fastest:.0%} of its bound\n'
        )


@pytest.mark.soak
@pytest.mark.parametrize('way', ['configured', 'enabling', 'walking', 'holding', 'released'])
def test_three_happenings(begin: Callable[[str], WatchedRobot], way: str) -> None:
    """Every three happenings in every order, and back on its feet after a part of them."""
    count = Count()
    start = begin(way)
    for first in Happening:
        one = start.copy()
        one.happen(first)
        one.run(BETWEEN)
        for second in Happening:
            two = one.copy()
            two.happen(second)
            two.run(BETWEEN)
            for third in Happening:
                three = two.copy()
                three.happen(third)
                three.run(AFTER)
                count.take(start, one, two, three)
                if count.lives % 10 == 0:
                    three.recover()
    count.tell(f'every three of {len(Happening)} happenings, {way}')


@pytest.mark.soak
def test_every_happening_at_every_tick_of_a_step(begin: Callable[[str], WatchedRobot]) -> None:
    """And back on its feet after each."""
    count = Count()
    robot = begin('walking')
    for moment in every_tick(robot, round(STEP / robot.life.tick)):
        for happening in Happening:
            life = moment.copy()
            life.happen(happening)
            life.run(AFTER)
            count.take(moment, life)
            life.recover()
    count.tell(f'every tick of a step, {len(Happening)} happenings')
