# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Phases that are declared: five legs, or six of which one is lame."""

from dataclasses import replace
from math import nan
from typing import Any

import pytest

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters, GaitState, Offset, Twist, Walker
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

DT = 0.01

#: One leg at a time, of five; the left middle one is lame.
TABLE = {
    'left_front': 0.0,
    'left_rear': 0.4,
    'right_front': 0.6,
    'right_middle': 0.2,
    'right_rear': 0.8,
}

PARAMETERS = GaitParameters(phases=TABLE, duty_factor=0.8, slow_duty_factor=0.8)

#: The weight over the side with three legs: by symmetry nothing is left over the middle.
ASIDE = Offset((0.0, -0.03, 0.0))


def standing(robot: Robot, legs: tuple[LegSolver, ...]) -> Walker:
    """Stand up, with the lame leg in the air, and shift the weight."""
    walker = Walker(robot, legs, PARAMETERS, robot.resting.feet)
    walker.stand()
    for _ in range(600):
        if walker.step(DT, Twist()).state is GaitState.STANDING:
            break
    return walker


def test_a_lame_leg_is_carried(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> None:
    """It is raised before the body rises, never loaded, and stays at its place in the body."""
    walker = Walker(bracken, bracken_legs, PARAMETERS, bracken.resting.feet)
    walker.stand()
    samples = [walker.step(DT, Twist()) for _ in range(400)]
    assert samples[-1].state is GaitState.STANDING
    for sample in samples:
        if sample.height > bracken.resting.height + 1e-9:
            assert not sample.standing[1]
    x, y, z = bracken.standing.feet[1]
    assert samples[-1].feet[1] == pytest.approx((x, y, z + PARAMETERS.carry_height), abs=1e-9)
    walker.offset_body(ASIDE)
    samples = [walker.step(DT, Twist(0.02)) for _ in range(1500)]
    assert samples[-1].state is GaitState.WALKING
    assert samples[-1].pose.x > 0.05
    for sample in samples:
        assert not sample.standing[1]
        assert sum(sample.standing) >= 4
        assert sample.margin >= PARAMETERS.min_margin
        for leg, foot in zip(bracken_legs, sample.feet, strict=True):
            leg.angles(foot)
    assert samples[-1].feet[1] == pytest.approx(
        ASIDE.see((x, y, z + PARAMETERS.carry_height)), abs=1e-9
    )
    walker.crouch()
    sample = [walker.step(DT, Twist()) for _ in range(1200)][-1]
    assert sample.state is GaitState.RESTING
    assert sample.standing == (True, False, True, True, True, True)


def test_without_margin_it_stands_and_says_why(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Five legs of six with the weight in the middle: a line through it carries, no margin."""
    walker = standing(bracken, bracken_legs)
    samples = [walker.step(DT, Twist(0.05)) for _ in range(200)]
    for sample in samples:
        assert sample.state is GaitState.STANDING
        assert sample.twist == Twist()
        assert sum(sample.standing) == 5
    assert 'stride radius 0 mm' in samples[-1].limit
    assert 'to keep a margin of 10 mm (of' in samples[-1].limit


def test_legs_lift_in_the_declared_order(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Each touches down at its phase."""
    walker = standing(bracken, bracken_legs)
    walker.offset_body(ASIDE)
    before = [walker.step(DT, Twist(0.02)) for _ in range(800)][-1]
    for _ in range(600):
        sample = walker.step(DT, Twist(0.02))
        for name, old, new in zip(bracken.leg_names, before.standing, sample.standing, strict=True):
            if new and not old:
                assert sample.phase is not None
                late = (sample.phase - TABLE[name]) % 1.0
                assert late <= DT / (0.5 / 0.2) + 1e-6
        before = sample


@pytest.mark.parametrize(
    ('changes', 'words'),
    [
        ({'phases': {**TABLE, 'left_midle': 0.1}}, "no leg 'left_midle'; it has left_front"),
        ({'phases': {**TABLE, 'left_rear': 1.0}}, 'left_rear must be at least 0 and below 1'),
        ({'phases': {**TABLE, 'left_rear': nan}}, 'left_rear must be at least 0 and below 1'),
        ({'phases': {'left_rear': 0.0, 'left_front': 0.5}}, 'at least 3 legs'),
        ({'slow_duty_factor': 0.9}, 'hold for one duty factor'),
        ({'carry_height': 0.2}, 'left_middle cannot be carried 0.2 m above the ground'),
        ({'duty_factor': 0.4}, 'duty_factor must be at least 0.5'),
        ({'contacts': True, 'search_depth': 0.05}, 'search_depth 0.05 m must be below lift'),
    ],
)
def test_what_does_not_fit_is_refused(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    changes: dict[str, Any],
    words: str,
) -> None:
    """With name and value."""
    parameters = replace(PARAMETERS, **changes)
    with pytest.raises(CommandError, match=words):
        Walker(bracken, bracken_legs, parameters, bracken.resting.feet)


def test_another_duty_factor_is_refused(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """The table holds for one."""
    walker = standing(bracken, bracken_legs)
    with pytest.raises(CommandError, match=r'declared for the duty factor 0\.8'):
        walker.set_duty_factor(0.9)
    walker.set_duty_factor(0.8)


def test_uneven_sides_say_how_to_declare(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """The message has a table to start from."""
    five = replace(
        bracken,
        legs=bracken.legs[:-1],
        resting=replace(bracken.resting, feet=bracken.resting.feet[:-1]),
        standing=replace(bracken.standing, feet=bracken.standing.feet[:-1]),
    )
    with pytest.raises(CommandError, match=r"such as \['left_front=0', 'left_middle=0.1', "):
        Walker(five, bracken_legs[:-1], GaitParameters(), five.resting.feet)
