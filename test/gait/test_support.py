# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The margin that the feet leave: its value, its least value over a cycle, and what keeps it."""

from collections.abc import Callable
from dataclasses import replace
from math import cos, sin, tau

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import (
    Cycle,
    GaitParameters,
    GaitSample,
    GaitState,
    Offset,
    Twist,
    Walker,
    touchdown_phases,
)
from leg_kinematics.gait.envelope import least_margin, projected, standing_sets
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, leg_solvers, static_margin

DT = 0.01


def test_least_margin_of_the_tripod_by_hand() -> None:
    """Feet at the corners of a regular hexagon: the tripods are triangles, inradius R/2."""
    feet = [(cos(tau * k / 6), sin(tau * k / 6)) for k in range(6)]
    # Neighbours round the hexagon step in turn.
    cycle = Cycle(0.5, 0.5, (0.0, 0.5, 0.0, 0.5, 0.0, 0.5))
    standing = list(standing_sets(cycle, [True] * 6))
    assert set(standing) == {frozenset({0, 2, 4}), frozenset({1, 3, 5})}
    assert least_margin(standing, feet, (0.0, 0.0)) == pytest.approx(0.5)
    # Towards a corner of one triangle, which is away from the opposite edge of the other one.
    assert least_margin(standing, feet, (0.2, 0.0)) == pytest.approx(0.3)


@given(duty=st.floats(0.5, 0.9), phase=st.floats(0.0, 1.0))
def test_least_margin_is_least(bracken: Robot, duty: float, phase: float) -> None:
    """No instant of the cycle has less."""
    cycle = Cycle(0.5, duty, touchdown_phases(bracken, duty))
    feet = [(x, y) for x, y, _ in bracken.standing.feet]
    stand = [foot for leg, foot in enumerate(feet) if not cycle.swinging(leg, phase)]
    least = least_margin(standing_sets(cycle, [True] * 6), feet, (0.01, -0.02))
    assert static_margin(stand, (0.01, -0.02)) >= least - 1e-12


def test_tilt_moves_the_centre_of_mass() -> None:
    """A centre 0.1 m above the origin goes 0.1 sin(0.2) to the left by a roll of -0.2 rad."""
    x, y = projected((0.0, 0.0, 0.1), Offset((0.01, 0.0, 0.3), (-0.2, 0.0, 0.0)))
    assert (x, y) == pytest.approx((0.01, 0.1 * sin(0.2)))


def test_margin_of_a_sample_is_that_of_its_feet(
    standing_walker: Callable[[GaitParameters], Walker],
) -> None:
    """Recomputed from the targets: bracken's centre of mass is over the middle, by symmetry."""
    walker = standing_walker(GaitParameters())
    for _ in range(300):
        sample = walker.step(DT, Twist(0.06, 0.02, 0.2))
        feet = [(x, y) for (x, y, _), on in zip(sample.feet, sample.standing, strict=True) if on]
        assert sample.margin == pytest.approx(static_margin(feet, (0.0, 0.0)), abs=1e-9)


def heavy(robot: Robot, forward: float) -> Robot:
    """Move the centre of mass of the body forward, m."""
    return replace(robot, body=replace(robot.body, centre_of_mass=(forward, 0.0, 0.0)))


@settings(max_examples=settings().max_examples // 4)
@given(
    forward=st.floats(0.0, 0.25),
    commands=st.lists(
        st.builds(Twist, st.floats(-0.2, 0.2), st.floats(-0.2, 0.2), st.floats(-1.0, 1.0)),
        min_size=2,
        max_size=4,
    ),
)
def test_least_margin_is_kept_whatever_is_commanded(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], forward: float, commands: list[Twist]
) -> None:
    """A heavy nose shortens the strides, and when none is left the robot does not walk."""
    robot = heavy(bracken, forward)
    parameters = GaitParameters(min_margin=0.03, acceleration=0.5)
    walker = Walker(robot, bracken_legs, parameters, robot.standing.feet)
    walker.stand()
    walker.step(DT, Twist())
    standing = walker.step(DT, Twist()).margin
    for command in commands:
        for _ in range(110):
            assert walker.step(DT, command).margin >= min(standing, 0.03) - 1e-9


def walked(robot: Robot, legs: tuple[LegSolver, ...], command: Twist) -> GaitSample:
    """Give the sample of a steady walk."""
    walker = Walker(robot, legs, GaitParameters(min_margin=0.03), robot.standing.feet)
    walker.stand()
    return [walker.step(DT, command) for _ in range(800)][-1]


def test_margin_limits_the_speed_and_is_named(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """The heavier the nose, the slower; the reason has bound and value."""
    speeds = []
    for forward in (0.0, 0.14, 0.17, 0.25):
        sample = walked(heavy(bracken, forward), bracken_legs, Twist(0.1))
        speeds.append(sample.twist.x)
        if forward:
            assert 'to keep a margin of 30 mm (of' in sample.limit
    assert speeds[0] == 0.1
    assert speeds[0] > speeds[1] > speeds[2] > speeds[3] == 0.0


def test_body_offset_without_margin_is_refused_with_the_value(
    standing_walker: Callable[[GaitParameters], Walker],
) -> None:
    """Shifted by 12 mm towards an edge it is too near."""
    walker = standing_walker(GaitParameters(min_margin=0.095))
    with pytest.raises(CommandError, match=r'would keep a margin of [0-9.]+ mm, a walk needs 100'):
        walker.offset_body(Offset((0.012, 0.0, 0.0)))


def test_duty_factor_without_margin_is_refused_with_the_value(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Five feet hold what three do not."""
    parameters = GaitParameters(min_margin=0.12, duty_factor=5 / 6)
    walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
    walker.stand()
    walker.step(DT, Twist())
    with pytest.raises(CommandError, match=r'duty_factor cannot be 0.5: .* a walk needs 125 mm'):
        walker.set_duty_factor(0.5)


@pytest.mark.parametrize('factor', [float('nan'), 0.49, 1.0, float('inf')])
def test_duty_factor_out_of_range_is_refused(
    standing_walker: Callable[[GaitParameters], Walker], factor: float
) -> None:
    """Whatever it is."""
    with pytest.raises(CommandError, match='duty_factor must be'):
        standing_walker(GaitParameters()).set_duty_factor(factor)


def test_four_legs_walk_where_they_may_tip(
    make_straight_robot: Callable[[int, float], Robot],
) -> None:
    """By default they stand and say why; with a least margin below zero they walk."""
    robot = make_straight_robot(2, 0.2)
    legs = leg_solvers(robot)
    for margin, state in ((0.01, GaitState.STANDING), (-0.05, GaitState.WALKING)):
        parameters = GaitParameters(duty_factor=5 / 6, slow_duty_factor=5 / 6, min_margin=margin)
        walker = Walker(robot, legs, parameters, robot.standing.feet)
        walker.stand()
        sample = [walker.step(DT, Twist(0.03)) for _ in range(600)][-1]
        assert sample.state is state
        assert bool(sample.twist) is (state is GaitState.WALKING)
