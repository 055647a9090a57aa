# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whatever is ordered and whatever happens to the boards, in every order: servos on the bench.

`watched_bench.WatchedBench` judges every tick. At the end of each life everything is mended, and a
servo can be released and powered again.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from leg_kinematics.board import Reaction
from leg_kinematics.board.simulated.true_servo import TrueServo
from leg_kinematics.chain.power import PowerState

if TYPE_CHECKING:
    from test.stepped_bench import TICK
    from test.watched_bench import OUTPUTS, A, B, C, WatchedBench
else:
    from stepped_bench import TICK
    from watched_bench import OUTPUTS, A, B, C, WatchedBench

Happening = Callable[[WatchedBench], object]


def _named(watched: WatchedBench, *, cut: bool, plugged: bool = True, name: str) -> None:
    line = watched.lines[name]
    line.cut, line.plugged = cut, plugged


def _switch(watched: WatchedBench, name: str, *, on: bool) -> None:
    line = watched.lines[name]
    if on and line.board is None:
        line.switch_on()
    elif not on:
        line.switch_off()


HAPPENINGS: dict[str, Happening] = {
    'open': lambda each: each.bench.open(),
    'close': lambda each: each.bench.close(),
    'power A': lambda each: each.power(A),
    'power A at 1450': lambda each: each.power(A, 1450.0),
    'power B': lambda each: each.power(B),
    'power C': lambda each: each.power(C),
    'allow A': lambda each: each.allow(A, 1400.0, 1600.0),
    'allow A more': lambda each: each.allow(A, 1300.0, 1700.0),
    'allow C': lambda each: each.allow(C, 1400.0, 1600.0),
    'go down': lambda each: each.bench.go(A, 1405.0),
    'go up': lambda each: each.bench.go(A, 1595.0),
    'go C': lambda each: each.bench.go(C, 1410.0),
    'nudge': lambda each: each.bench.nudge(A, 7.0),
    'halt': lambda each: each.bench.halt(),
    'look up': lambda each: each.look(A, 50.0),
    'look down': lambda each: each.look(A, -24.0),
    'free': lambda each: each.free(A),
    'touched': lambda each: each.bench.touched(A),
    'release': lambda each: each.release(),
    'left off': lambda each: _switch(each, 'left', on=False),
    'left on': lambda each: _switch(each, 'left', on=True),
    'right off': lambda each: _switch(each, 'right', on=False),
    'right on': lambda each: _switch(each, 'right', on=True),
    'left cut': lambda each: _named(each, cut=True, name='left'),
    'left mended': lambda each: _named(each, cut=False, name='left'),
    'left unplugged': lambda each: _named(each, cut=True, plugged=False, name='left'),
    'right cut': lambda each: _named(each, cut=True, name='right'),
    'right mended': lambda each: _named(each, cut=False, name='right'),
    'supply gone': lambda each: each.lines['left'].set_supply(200),
    'supply back': lambda each: each.lines['left'].set_supply(7400),
}

#: Ticks from one thing to the next: at once, soon, and long enough for a loss to be seen.
PAUSES = (0, 1, 2, 7, 15, 40, 80)

Life = list[tuple[str, int]]


def live(life: Life, reaction: Reaction, begin: Happening) -> None:
    """Let it all happen, then mend everything and power a servo."""
    watched = WatchedBench(reaction, {A: TrueServo(3, slack=1.0, stops_us=(1350.0, 1650.0))})
    begin(watched)
    for name, ticks in life:
        HAPPENINGS[name](watched)
        watched.run(ticks * TICK)
    for name in watched.lines:
        _named(watched, cut=False, name=name)
        _switch(watched, name, on=True)
    watched.lines['left'].set_supply(7400)
    watched.bench.open()
    watched.run(1.5)
    watched.release()
    watched.until(lambda: watched.bench.release_confirmed)
    assert not watched.pulses_us
    for output in OUTPUTS:
        answer = watched.power(output)
        assert answer.success, answer.words
        watched.until(lambda: watched.bench.state is PowerState.FOLLOWING)
        assert list(watched.pulses_us) == [output]
        assert watched.release().success


def ready(watched: WatchedBench) -> None:
    """Power a servo that is free to move."""
    watched.bring_up(A)
    watched.allow(A, 1400.0, 1600.0)


def untouched(watched: WatchedBench) -> None:
    """Do nothing yet."""


@example([('look up', 40), ('left cut', 80)], Reaction.HOLD, ready)
@example([('look down', 80), ('close', 80)], Reaction.HOLD, ready)
@example([('close', 0), ('open', 15)], Reaction.HOLD, ready)
@given(
    st.lists(st.tuples(st.sampled_from(sorted(HAPPENINGS)), st.sampled_from(PAUSES)), max_size=12),
    st.sampled_from(Reaction),
    st.sampled_from([ready, untouched]),
)
def test_no_servo_is_moved_by_surprise_whatever_happens(
    life: Life, reaction: Reaction, begin: Happening
) -> None:
    """No pulse without a word, none beyond what was allowed, no jump, never two, true answers."""
    live(life, reaction, begin)


@pytest.mark.soak
def test_every_two_things_in_a_row() -> None:
    """While a servo moves, and with everything mended afterwards."""

    def moving(watched: WatchedBench) -> None:
        ready(watched)
        watched.bench.go(A, 1595.0)
        watched.run(0.1)

    for first in HAPPENINGS:
        for second in HAPPENINGS:
            live([(first, 3), (second, 3)], Reaction.HOLD, moving)
