# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The phases of the wave gait family, against what the literature says of it."""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from math import floor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Cycle, GaitParameters, Twist, Walker, touchdown_phases
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

# Touchdown phases left 1 2 3, right 1 2 3, and the numbers of feet down over a cycle. McGhee and
# Frank, Mathematical Biosciences 3 (1968) 331-351, and Song and Waldron, Machines That Walk, MIT
# Press 1989: F(m beta), the other side half a cycle later (rule from memory, table by hand).
TABLE = [
    ('1/2', '0 1/2 0', '1/2 0 1/2', {3}),
    ('2/3', '0 2/3 1/3', '1/2 1/6 5/6', {4}),
    ('3/4', '0 3/4 1/2', '1/2 1/4 0', {4, 5}),
    ('5/6', '0 5/6 2/3', '1/2 1/3 1/6', {5}),
]


@pytest.mark.parametrize(('duty', 'left', 'right', '_'), TABLE)
def test_phases_are_those_of_the_wave_gait(
    bracken: Robot, duty: str, left: str, right: str, _: set[int]
) -> None:
    """Touchdown runs along a side by the duty factor, the right side half a cycle later."""
    expected = [float(Fraction(phase)) for phase in (left + ' ' + right).split()]
    phases = touchdown_phases(bracken, float(Fraction(duty)))
    assert bracken.leg_names == (
        'left_front', 'left_middle', 'left_rear', 'right_front', 'right_middle', 'right_rear',
    )  # fmt: skip
    assert phases == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(('duty', '_left', '_right', 'down'), TABLE)
def test_as_many_feet_stand_as_published(
    bracken: Robot, duty: str, _left: str, _right: str, down: set[int]
) -> None:
    """Tripod, tetrapod and wave keep three, four and five feet down, at every instant."""
    share = float(Fraction(duty))
    cycle = Cycle(1.0 - share, share, touchdown_phases(bracken, share))
    # Twelfths are where all events of the table lie: look at them and between them.
    seen = {sum(not cycle.swinging(leg, step / 240.0) for leg in range(6)) for step in range(240)}
    assert seen == down


@given(duty=st.floats(0.5, 0.95), phase=st.floats(0.0, 1.0))
def test_feet_down_never_fewer_than_the_family_keeps(
    bracken: Robot, duty: float, phase: float
) -> None:
    """Of k legs at least the integer part of k beta stand: the pigeonhole floor of the family.

    That the wave gaits reach this floor is part of their optimality, Song and Waldron 1989 (from
    memory).
    """
    cycle = Cycle(1.0 - duty, duty, touchdown_phases(bracken, duty))
    down = sum(not cycle.swinging(leg, phase) for leg in range(6))
    assert down >= floor(6.0 * duty - 1e-6)


@pytest.mark.parametrize('duty', ['1/2', '2/3', '3/4', '5/6'])
@pytest.mark.parametrize('stroke', [0.1, 0.3, 0.5])
def test_longitudinal_margin_follows_the_published_formula(
    bracken: Robot, duty: str, stroke: float
) -> None:
    """S = (n/2 - 1) P + (1 - 3/(4 beta)) R, for three pairs at pitch 1.

    Song and Waldron 1989 (formula from memory). Valid for R <= beta P / (3 beta - 2).
    """
    share = float(Fraction(duty))
    cycle = Cycle(1.0 - share, share, touchdown_phases(bracken, share))
    events = [(t + shift) % 1.0 for t in cycle.touchdown for shift in (0.0, share)]
    margins = []
    for phase in (event + side for event in events for side in (-1e-7, 1e-7)):
        ends = []
        for side in (range(3), range(3, 6)):
            places = [
                1.0 - leg % 3 + stroke * (0.5 - cycle.since_touchdown(leg, phase) / share)
                for leg in side
                if not cycle.swinging(leg, phase)
            ]
            ends.append((max(places), min(places)))
        (left_front, left_rear), (right_front, right_rear) = ends
        # Both rows of feet are as far from the middle: the edge crosses it half way.
        margins += [(left_front + right_front) / 2.0, -(left_rear + right_rear) / 2.0]
    formula = 0.5 + (1.0 - 0.75 / share) * stroke
    assert min(margins) == pytest.approx(formula, abs=1e-6)


def test_stride_arithmetic(standing_walker: Callable[[GaitParameters], Walker]) -> None:
    """R = 60 mm, beta = 2/3, T = 1.2 s: stance 0.8 s, swing 0.4 s, v = R / (beta T) = 75 mm/s.

    By hand, from the definitions of Song and Waldron 1989.
    """
    parameters = GaitParameters(swing_time=0.4, duty_factor=2 / 3, speed_share=10.0)
    walker = standing_walker(parameters)
    dt, command = 0.01, Twist(0.075)
    for _ in range(480):
        walker.step(dt, command)
    places, stands = [], []
    for _ in range(120):
        sample = walker.step(dt, command)
        places.append(sample.feet[0][0])
        stands.append(sample.standing[0])
    assert sum(stands) == pytest.approx(0.8 / dt, abs=1)
    on_ground = [x for x, stood in zip(places, stands, strict=True) if stood]
    assert max(on_ground) - min(on_ground) == pytest.approx(0.060, abs=2 * 0.075 * dt)
    cycle = Cycle(0.4, 2 / 3, (0.0,))
    assert cycle.stance_time == pytest.approx(0.8)
    assert cycle.swing_time == pytest.approx(0.4)
    assert cycle.until_liftoff(0, 0.5) == pytest.approx(0.2)
    assert cycle.until_liftoff(0, 0.75) == pytest.approx(1.1)


@pytest.mark.parametrize('duty', [0.49, 1.0, -1.0, float('nan'), float('inf')])
def test_duty_factor_outside_the_family_is_refused(bracken: Robot, duty: float) -> None:
    """Below one half feet would leave the ground together; at one no foot ever moves."""
    with pytest.raises(CommandError, match=r'duty_factor must be at least 0\.5 and below 1'):
        touchdown_phases(bracken, duty)


def test_uneven_sides_are_refused(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> None:
    """The family pairs the legs: a robot with a leg missing is told so."""
    lame = replace(
        bracken,
        legs=bracken.legs[:-1],
        resting=replace(bracken.resting, feet=bracken.resting.feet[:-1]),
        standing=replace(bracken.standing, feet=bracken.standing.feet[:-1]),
    )
    with pytest.raises(CommandError, match='bracken has 3 and 2'):
        Walker(lame, bracken_legs[:-1], GaitParameters(), lame.resting.feet)
