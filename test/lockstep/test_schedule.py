# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Ticks on a machine that is late now and then."""

import random
from itertools import pairwise

import pytest

from leg_kinematics.chain.schedule import TICKS_TO_CATCH_UP, Schedule

TICK = 0.01


def started(reach: int = 7) -> Schedule:
    """Make one whose first tick has been at 0."""
    schedule = Schedule(TICK, reach)
    schedule.begin(0.0)
    assert schedule.due(0.0) == 1
    return schedule


def test_on_time_every_step_is_a_tick() -> None:
    """A thousand steps in time are a thousand ticks, exactly where they should be."""
    schedule = started()
    for index in range(1, 1000):
        assert schedule.due(index * TICK) == 1
        assert schedule.at == pytest.approx(index * TICK, abs=1e-9)
    assert (schedule.count, schedule.missed) == (1000, 0)


def test_a_step_before_its_time_is_none() -> None:
    """More than half a tick early there is nothing to do; the next is on time."""
    schedule = started()
    assert schedule.due(0.4 * TICK) == 0
    assert schedule.due(TICK) == 1


@pytest.mark.parametrize('late', range(8))
def test_what_was_told_ahead_is_made_up_for(late: int) -> None:
    """Up to the reach all ticks that are due are taken at once, and none is missed."""
    schedule = started()
    assert schedule.due((1 + late) * TICK) == 1 + late
    assert schedule.at == pytest.approx((1 + late) * TICK)
    assert schedule.missed == 0


@pytest.mark.parametrize('late', [8, 20, 1000])
def test_time_that_the_process_did_not_get_is_left_out(late: int) -> None:
    """Beyond the reach nobody was told ahead: the walk goes on from the last that was, and now."""
    schedule = started()
    now = (1 + late) * TICK
    assert schedule.due(now) == 7
    assert schedule.missed == 1 + late - 7
    assert schedule.at == now
    assert schedule.due(now + TICK) == 1


def test_without_reach_nothing_is_made_up_for() -> None:
    """Where values are handed on directly, one step is one tick, however late."""
    schedule = started(reach=0)
    assert schedule.due(50 * TICK) == 1
    assert schedule.missed == 49


def test_jitter_adds_up_to_nothing() -> None:
    """Steps that are up to 0.3 ticks late keep every tick, evenly spaced within the slew."""
    rng = random.Random(1)
    schedule = started()
    instants, taken = [schedule.at], 0
    for index in range(1, 5000):
        taken += schedule.due((index + rng.uniform(0.0, 0.3)) * TICK)
        instants.append(schedule.at)
    assert taken == 4999
    assert schedule.missed == 0
    gaps = [later - earlier for earlier, later in pairwise(instants)]
    assert max(gaps) <= TICK * (1.0 + 1e-6)
    assert min(gaps) >= TICK * (1.0 - 1.0 / TICKS_TO_CATCH_UP - 1e-6)


def test_a_clock_that_stood_still_takes_nothing_twice() -> None:
    """The same instant again is before its time."""
    schedule = started()
    assert schedule.due(0.0) == 0
    assert schedule.count == 1
