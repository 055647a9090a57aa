# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whatever is ordered and whatever happens to the boards, in every order: legs on the bench.

`watched_legs.WatchedLegs` judges every tick. At the end of each life everything is mended, and the
legs can be released, powered and moved again.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from leg_kinematics.board import Reaction
from leg_kinematics.chain.power import PowerState
from leg_kinematics.solver import Trajectory

if TYPE_CHECKING:
    from test.stepped_bench import TICK
    from test.watched_legs import LEFT, RIGHT, WatchedLegs
else:
    from stepped_bench import TICK
    from watched_legs import LEFT, RIGHT, WatchedLegs

Happening = Callable[[WatchedLegs], object]


def _cable(watched: WatchedLegs, name: str, *, cut: bool, plugged: bool = True) -> None:
    line = watched.lines[name]
    line.cut, line.plugged = cut, plugged


def _switch(watched: WatchedLegs, name: str, *, on: bool) -> None:
    line = watched.lines[name]
    if on and line.board is None:
        line.switch_on()
    elif not on:
        line.switch_off()


def _follow(watched: WatchedLegs) -> None:
    """Turn a coxa by a tenth of a radian, from wherever it is."""
    angles = watched.bench.angles
    start = angles[LEFT[0]] if angles is not None else 0.0
    goal = start + (0.1 if start < 0.0 else -0.1)
    still = ((0.0,), (0.0,))
    watched.follow(LEFT[:1], Trajectory((0.0, 0.6), ((start,), (goal,)), still))


HAPPENINGS: dict[str, Happening] = {
    'power': lambda each: each.power(),
    'go up': lambda each: each.go({LEFT[1]: 1.3, RIGHT[0]: 0.2}),
    'go on': lambda each: each.go({LEFT[0]: -0.2}, {LEFT[0]: 0.0, LEFT[2]: -1.8}),
    'go down': lambda each: each.go({LEFT[1]: 0.9}, {RIGHT[2]: -1.9}),
    'go nowhere': lambda each: each.go({LEFT[1]: 9.0}),
    'follow': _follow,
    'stop': lambda each: each.stop(),
    'release': lambda each: each.release(),
    'left off': lambda each: _switch(each, 'left', on=False),
    'left on': lambda each: _switch(each, 'left', on=True),
    'right off': lambda each: _switch(each, 'right', on=False),
    'right on': lambda each: _switch(each, 'right', on=True),
    'left cut': lambda each: _cable(each, 'left', cut=True),
    'left mended': lambda each: _cable(each, 'left', cut=False),
    'left unplugged': lambda each: _cable(each, 'left', cut=True, plugged=False),
    'right cut': lambda each: _cable(each, 'right', cut=True),
    'right mended': lambda each: _cable(each, 'right', cut=False),
    'supply gone': lambda each: each.lines['left'].set_supply(200),
    'supply back': lambda each: each.lines['left'].set_supply(7400),
}

#: Ticks from one thing to the next: at once, soon, and long enough for a loss to be seen.
PAUSES = (0, 1, 2, 7, 15, 40, 80)

Life = list[tuple[str, int]]


def live(life: Life, reaction: Reaction, begin: Happening) -> None:
    """Let it all happen, then mend everything, power the legs and move them."""
    watched = WatchedLegs(reaction)
    watched.bench.open()
    begin(watched)
    for name, ticks in life:
        HAPPENINGS[name](watched)
        watched.run(ticks * TICK)
    for name in watched.lines:
        _cable(watched, name, cut=False)
        _switch(watched, name, on=True)
    watched.lines['left'].set_supply(7400)
    watched.run(1.5)
    watched.release()
    watched.until(lambda: watched.bench.release_confirmed)
    assert not watched.pulses_us
    answer = watched.power()
    assert answer.success, answer.words
    watched.until(lambda: watched.bench.state is PowerState.FOLLOWING)
    assert len(watched.pulses_us) == len(LEFT + RIGHT)
    watched.run(0.3)
    assert watched.go({LEFT[0]: 0.1}).success
    watched.settle()
    assert (watched.bench.angles or {})[LEFT[0]] == 0.1


def ready(watched: WatchedLegs) -> None:
    """Power the legs."""
    watched.bring_up()


def moving(watched: WatchedLegs) -> None:
    """Have them move for a while."""
    watched.bring_up()
    assert watched.go({LEFT[0]: 0.3}, {LEFT[1]: 0.9, RIGHT[0]: 0.2}).success
    watched.run(0.1)


def untouched(watched: WatchedLegs) -> None:
    """Do nothing yet."""


@example([('power', 7), ('stop', 1), ('power', 80)], Reaction.HOLD, untouched)
@example([('left cut', 15), ('left mended', 80)], Reaction.HOLD, moving)
@settings(max_examples=settings().max_examples // 3)
@given(
    st.lists(st.tuples(st.sampled_from(sorted(HAPPENINGS)), st.sampled_from(PAUSES)), max_size=10),
    st.sampled_from(Reaction),
    st.sampled_from([ready, moving, untouched]),
)
def test_no_leg_is_moved_by_surprise_whatever_happens(
    life: Life, reaction: Reaction, begin: Happening
) -> None:
    """No pulse without a word, none beyond the maps, no jump, nothing faster than told."""
    live(life, reaction, begin)


@pytest.mark.soak
@pytest.mark.parametrize('reaction', Reaction)
def test_every_two_things_in_a_row(reaction: Reaction) -> None:
    """While legs move, and with everything mended afterwards."""
    for first in HAPPENINGS:
        for second in HAPPENINGS:
            live([(first, 3), (second, 3)], reaction, moving)
