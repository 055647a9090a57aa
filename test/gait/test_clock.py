# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The duty factor changes while the clock runs."""

from itertools import pairwise
from math import log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.gait import TRIPOD, WAVE, GaitParameters, Twist, Walker
from leg_kinematics.gait.phases import CHANGE, Clock, wave_phases
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

DT = 0.01

duty_factors = st.floats(0.5, 0.9)


@given(start=duty_factors, goals=st.lists(duty_factors, min_size=1, max_size=3))
def test_no_leg_goes_back_in_its_cycle(bracken: Robot, start: float, goals: list[float]) -> None:
    """What passed since touchdown grows, what remains until liftoff shrinks, nearly evenly.

    In a tick each changes by the tick's share of the cycle, give or take a fifth.
    """
    clock = Clock(wave_phases(bracken), 0.5, start)
    clock.start()
    for goal in goals:
        clock.aim(goal)
        for _ in range(120):
            before, phase = clock.cycle, clock.phase
            clock.advance(DT)
            after = clock.cycle
            tick = DT / before.period
            for leg in range(6):
                passed = after.since_touchdown(leg, clock.phase) - before.since_touchdown(
                    leg, phase
                )
                assert abs(passed % 1.0 - tick) <= CHANGE * tick + 1e-9
                share = before.since_touchdown(leg, phase)
                left = before.duty_factor - share
                later = after.duty_factor - after.since_touchdown(leg, clock.phase)
                assert abs((left - later) % 1.0 - tick) <= CHANGE * tick + 1e-9


def test_time_from_tripod_to_wave(bracken: Robot) -> None:
    """With d(beta)/dt = c (1 - beta) / (T_swing n/2): T_swing n/2 ln(1/2 : 1/6) / c, by hand.

    For three pairs events of the first and the last leg are n = 3 slopes apart.
    """
    clock = Clock(wave_phases(bracken), 0.5, TRIPOD)
    clock.start()
    clock.aim(WAVE)
    ticks = 0
    while clock.cycle.duty_factor != WAVE:
        clock.advance(0.001)
        ticks += 1
    assert ticks * 0.001 == pytest.approx(0.5 * 1.5 * log(3.0) / CHANGE, rel=1e-2)


def test_taken_back_nothing_has_happened(bracken: Robot) -> None:
    """Phase and duty factor are those of before."""
    clock = Clock(wave_phases(bracken), 0.5, TRIPOD)
    clock.start()
    clock.aim(WAVE)
    clock.advance(DT)
    before = (clock.phase, clock.cycle)
    clock.advance(DT)
    assert (clock.phase, clock.cycle) != before
    clock.take_back()
    assert (clock.phase, clock.cycle) == before


def test_at_rest_the_duty_factor_changes_at_once(bracken: Robot) -> None:
    """There is nothing to keep in step."""
    clock = Clock(wave_phases(bracken), 0.5, TRIPOD)
    clock.aim(WAVE)
    assert clock.cycle.duty_factor == WAVE


@pytest.mark.parametrize('goal', [2 / 3, 5 / 6])
def test_walk_ends_up_in_the_phases_of_the_new_duty_factor(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], goal: float
) -> None:
    """Changed on the way and back, at every instant as many feet stand as the family has."""
    walker = Walker(bracken, bracken_legs, GaitParameters(), bracken.standing.feet)
    walker.stand()
    for factor, down in ((goal, 4 if goal < 0.8 else 5), (TRIPOD, 3)):
        for _ in range(300):
            walker.step(DT, Twist(0.03))
        walker.set_duty_factor(factor)
        samples = [walker.step(DT, Twist(0.03)) for _ in range(1200)]
        assert samples[-1].duty_factor == factor
        assert all(sum(sample.standing) >= 3 for sample in samples)
        assert {sum(sample.standing) for sample in samples[-300:]} == {down}


def test_insects_evidence(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> None:
    """Faster, the swing lasts as long, the stance gets shorter until it equals the swing.

    So do walking fruit flies: Mendes et al., eLife 2:e00231 (2013).
    """
    swings, stances = [], []
    for speed in (0.02, 0.04, 0.06, 0.09, 0.12):
        parameters = GaitParameters(slow_duty_factor=WAVE, max_speed=0.13)
        walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
        walker.stand()
        for _ in range(1000):
            walker.step(DT, Twist(speed))
        stands = [walker.step(DT, Twist(speed)).standing[1] for _ in range(1200)]
        lifts = [k for k in range(1, 1200) if stands[k - 1] and not stands[k]]
        lands = [k for k in range(1, 1200) if stands[k] and not stands[k - 1]]
        first = next(land for land in lands if land > lifts[0])
        swings.append(DT * (first - lifts[0]))
        stances.append(DT * (next(lift for lift in lifts if lift > first) - first))
    assert swings == pytest.approx([0.5] * 5, abs=2 * DT)
    assert all(later < earlier for earlier, later in pairwise(stances))
    assert stances[0] > 2.0
    assert stances[-1] == pytest.approx(0.5, abs=0.1)


def test_the_last_steps_keep_their_duty_factor(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Stopped at full speed it ends its tripod, and does not go over to the slow wave for that."""
    parameters = GaitParameters(slow_duty_factor=WAVE)
    walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
    walker.stand()
    fast = [walker.step(DT, Twist(0.12)) for _ in range(500)][-1].duty_factor
    assert fast < 0.56
    samples = [walker.step(DT, Twist()) for _ in range(400)]
    assert {sample.duty_factor for sample in samples} == {fast}
    assert samples[-1].phase is None
    # From rest the next walk begins with what its speed leaves time for.
    assert walker.step(DT, Twist(0.01)).duty_factor == WAVE
