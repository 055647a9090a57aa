# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The table of power, cell by cell, against rules that were written without it.

The rules are those that the project gives itself; there is no source outside it for them.
"""

from itertools import product

import pytest

from leg_kinematics.chain.power import LOSSES, TABLE, Event, Power, PowerState

S, E = PowerState, Event

CELLS = list(product(PowerState, Event))

#: Where no servo has pulses that could be lost by an event that says so.
NOTHING_ON = {S.UNPOWERED, S.RELEASED}


def after(state: PowerState, event: Event) -> Power:
    """Let an event happen in a state."""
    power = Power(state, losses=7, reason='before')
    power.happen(event, 'now')
    return power


@pytest.mark.parametrize(('state', 'event'), CELLS)
def test_power_is_given_by_a_word_alone(state: PowerState, event: Event) -> None:
    """Legs are enabled after activate, if nothing was taken before, and after rearm."""
    leads_there = after(state, event).state is S.ENABLING and state is not S.ENABLING
    allowed = {(S.UNPOWERED, E.ACTIVATE), (S.RELEASED, E.REARM), (S.HOLDING, E.REARM)}
    assert leads_there == ((state, event) in allowed)


@pytest.mark.parametrize(('state', 'event'), CELLS)
def test_nothing_is_followed_before_every_leg_has_its_pulses(
    state: PowerState, event: Event
) -> None:
    """Only when all is on does a robot begin to follow, and only if somebody was enabling it."""
    begins = after(state, event).state is S.FOLLOWING and state is not S.FOLLOWING
    assert begins == (event is E.ALL_ON and state in {S.ENABLING, S.HOLDING})


@pytest.mark.parametrize('event', Event)
def test_a_release_is_ended_by_rearm_alone(event: Event) -> None:
    """Whatever else happens, the robot stays released."""
    assert (after(S.RELEASED, event).state is S.RELEASED) == (event is not E.REARM)


@pytest.mark.parametrize('state', PowerState)
def test_a_release_is_obeyed_in_every_state(state: PowerState) -> None:
    """And counted, also when it is repeated."""
    power = after(state, E.RELEASE)
    assert (power.state, power.losses, power.reason) == (S.RELEASED, 8, 'now')


@pytest.mark.parametrize(('state', 'event'), CELLS)
def test_every_loss_is_counted_and_nothing_else(state: PowerState, event: Event) -> None:
    """A loss that means something in a state grows the count by one, and gives the reason."""
    power = after(state, event)
    means_something = event in TABLE[state]
    assert power.losses == 7 + (event in LOSSES and means_something)
    expected = 'now' if event in LOSSES and means_something else 'before'
    if event is E.REARM and means_something:
        expected = ''
    assert power.reason == expected


@pytest.mark.parametrize(('state', 'event'), [cell for cell in CELLS if cell[0] not in NOTHING_ON])
def test_a_loss_means_something_wherever_servos_have_pulses(
    state: PowerState, event: Event
) -> None:
    """No loss of powered servos passes without a trace; only who was away can find them moved."""
    if event in LOSSES - {E.MOVED}:
        power = after(state, event)
        assert power.losses == 8
        assert power.state not in {S.ENABLING, S.FOLLOWING, S.UNPOWERED}


@pytest.mark.parametrize('state', PowerState)
def test_all_off_and_cleanup_end_in_released(state: PowerState) -> None:
    """Where all power is gone, a word is needed."""
    assert after(state, E.ALL_OFF).state is S.RELEASED
    cleaned = S.UNPOWERED if state is S.UNPOWERED else S.RELEASED
    assert after(state, E.CLEANUP).state is cleaned


@pytest.mark.parametrize('state', [S.ENABLING, S.FOLLOWING, S.HOLDING])
def test_a_line_that_was_cut_is_no_loss(state: PowerState) -> None:
    """Lost and back, the robot holds, and the count is what it was."""
    power = Power(state)
    assert power.happen(E.LINE_LOST)
    assert power.state is S.LOST
    assert power.happen(E.LINE_BACK)
    assert (power.state, power.losses) == (S.HOLDING, 0)


@pytest.mark.parametrize(('state', 'event'), CELLS)
def test_never_back_to_unpowered(state: PowerState, event: Event) -> None:
    """Whoever has had power is never again as if it had not."""
    assert state is S.UNPOWERED or after(state, event).state is not S.UNPOWERED


@pytest.mark.parametrize(('state', 'event'), CELLS)
def test_an_event_that_means_nothing_changes_nothing(state: PowerState, event: Event) -> None:
    """And is told from one that does."""
    power = Power(state, losses=7, reason='before')
    if not power.happen(event, 'now'):
        assert power == Power(state, losses=7, reason='before')
        assert event not in TABLE[state]


@pytest.mark.parametrize('state', PowerState)
def test_an_order_that_changes_nothing_is_refused_in_words(state: PowerState) -> None:
    """Rearm is refused with a reason exactly where the table does not know it."""
    power = Power(state)
    assert bool(power.refusal(E.REARM)) == (E.REARM not in TABLE[state])
    assert not power.refusal(E.RELEASE)
