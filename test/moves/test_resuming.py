# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From which steps a sequence can be gone on with, and when it can be played in a loop."""

from collections.abc import Sequence
from math import pi

import pytest

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.errors import CommandError
from leg_kinematics.moves.moving import Moving
from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.plan import Plan
from leg_kinematics.moves.resuming import Plans, plan_again, plan_from, way_on
from leg_kinematics.moves.steps import (
    BodyStep,
    CircleStep,
    FeetStep,
    Posture,
    PostureStep,
    Step,
    WaitStep,
)

STAND = PostureStep(Posture.STANDING)
OUT = FeetStep({'left_front': Place(Frame.RESTING, x=0.02, y=0.0, z=0.02)})
UP = FeetStep({'left_front': Place(Frame.RESTING, z=0.03)})
ROUND = CircleStep({'left_front': Place(Frame.RESTING, x=0.01, z=0.02)})
HALF_ROUND = CircleStep(ROUND.centres, pi)
LOWER = BodyStep((None, None, -0.01, None, None, None))
LEVEL = BodyStep((0.0,) * 6)
WAIT = WaitStep(0.1)


@pytest.fixture(scope='module')
def plans(calibrated: CalibratedRobot) -> Plans:
    """Plan for the example robot, from rest where nothing else is said."""
    moving = Moving(calibrated)

    def plan(steps: Sequence[Step], feet: Feet | None = None) -> Plan:
        return moving.plan(steps, feet or calibrated.robot.resting.feet)

    return plan


@pytest.mark.parametrize(
    ('steps', 'number', 'on'),
    [
        ([OUT, UP], 1, 1),
        ([OUT, WAIT], 1, 1),
        ([STAND, LOWER], 1, 0),
        ([STAND, LOWER, WAIT], 2, 0),
        ([STAND, LOWER, LEVEL, WAIT], 3, 3),
        ([LOWER, LEVEL], 1, None),
        ([OUT, ROUND], 1, 0),
        ([UP, ROUND], 1, None),
        ([STAND, UP, ROUND], 2, 0),
    ],
)
def test_where_to_go_on(steps: list[Step], number: int, on: int | None) -> None:
    """By hand: from a step that ends as it should from wherever it was interrupted."""
    assert way_on(steps, number) == on


def test_the_steps_keep_their_numbers(plans: Plans) -> None:
    """What is planned from the second step on begins with that."""
    plan = plan_from(plans, [OUT, UP, WAIT], 1)
    assert [move.number for move in plan.moves] == [1, 2]


def test_no_beginning_over_which_the_body_is_not_level(plans: Plans) -> None:
    """It is refused with the step to begin with instead; one that does not exist is, too."""
    with pytest.raises(CommandError, match=r'step 3 cannot be begun with.*begin with step 1'):
        plan_from(plans, [STAND, LOWER, OUT], 2)
    with pytest.raises(CommandError, match='there is no step 4 to begin with: there are 3 steps'):
        plan_from(plans, [STAND, LOWER, OUT], 3)


def test_a_loop_leads_back_to_where_it_begins(plans: Plans) -> None:
    """Its second round begins and ends where the first one has ended."""
    steps = [OUT, UP]
    start = plan_from(plans, steps, 0)
    again = plan_again(plans, steps, start)
    assert again.start == start.end
    assert again.end == start.end


@pytest.mark.parametrize(
    ('steps', 'words'),
    [([STAND, LOWER], 'the body is not level'), ([UP, HALF_ROUND], 'do not end where they ended')],
)
def test_no_loop_that_goes_astray(plans: Plans, steps: list[Step], words: str) -> None:
    """A body that sinks from round to round, or a foot that ends elsewhere each time."""
    start = plan_from(plans, steps, 0)
    with pytest.raises(CommandError, match=words):
        plan_again(plans, steps, start)
