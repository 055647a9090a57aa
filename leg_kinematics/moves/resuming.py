# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Steps from one of them on, and over and over.

A plan takes the body for level where it begins. So a sequence can begin only at a step before which
the body is level, and be repeated only if it is level at the end.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import dist

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Offset
from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.plan import Plan
from leg_kinematics.moves.steps import (
    BodyStep,
    CircleStep,
    FeetStep,
    PostureStep,
    Step,
    WaitStep,
)

#: Feet that are no farther apart are at the same place, m.
SAME_PLACE = 1e-4

Plans = Callable[[Sequence[Step], Feet | None], Plan]


def plan_from(plan: Plans, steps: Sequence[Step], first: int, feet: Feet | None = None) -> Plan:
    """Plan the steps from one on, counted from 0; their numbers are those of all steps.

    Raises
    ------
    CommandError
        There is no such step, or it cannot be begun with.
    StepError
        A step cannot be done.

    """
    if not 0 <= first < len(steps):
        raise CommandError(
            f'there is no step {first + 1} to begin with: there are {len(steps)} steps'
        )
    if not _can_begin(steps, first):
        raise CommandError(
            f'step {first + 1} cannot be begun with: where the body is over its feet then depends '
            f'on the steps before; {_instead(steps, first)}'
        )
    planned = plan(steps[first:], feet)
    moves = tuple(replace(move, number=move.number + first) for move in planned.moves)
    cautions = tuple(replace(each, number=each.number + first) for each in planned.cautions)
    return replace(planned, moves=moves, cautions=cautions)


def plan_again(plan: Plans, steps: Sequence[Step], start: Plan) -> Plan:
    """Plan all steps from the end of a plan back to there.

    Raises
    ------
    CommandError
        They do not lead back to there.
    StepError
        A step cannot be done from there.

    """
    again = plan(steps, start.end)
    if not _level_before(steps, len(steps)):
        raise CommandError(
            'these steps cannot be played in a loop, since the body is not level at their end; '
            'let the last one be crouch or stand, or bring all of its offset to 0'
        )
    if max(dist(a, b) for a, b in zip(again.end, start.end, strict=True)) > SAME_PLACE:
        raise CommandError(
            'these steps cannot be played in a loop, since they do not end where they ended the '
            'time before; let the last ones give all coordinates of the feet that move'
        )
    return again


def way_on(steps: Sequence[Step], number: int) -> int | None:
    """Find the step to begin with after an interruption in a step, both from 0; None for none.

    Feet that were on their way to a place, or a posture, go there from anywhere. On a circle, or
    while the body moved, it has to be gone back to a step that does.
    """
    for each in range(number, -1, -1):
        if _can_begin(steps, each) and _from_anywhere(steps[each], steps[each + 1 : number + 1]):
            return each
    return None


def _from_anywhere(step: Step, then: Sequence[Step]) -> bool:
    """Whether a step, and those to do then, end where they should, wherever the feet are before."""
    if isinstance(step, PostureStep) or (isinstance(step, FeetStep | WaitStep) and not then):
        return True
    if not isinstance(step, FeetStep) or any(isinstance(each, BodyStep) for each in then):
        return False
    whole = {leg for leg, place in step.places.items() if None not in {place.x, place.y, place.z}}
    led = [
        each.centres if isinstance(each, CircleStep) else each.places
        for each in then
        if isinstance(each, CircleStep | FeetStep)
    ]
    return all(leg in whole for places in led for leg in places)


def _can_begin(steps: Sequence[Step], first: int) -> bool:
    """Whether the body is level before a step, or that step brings it there."""
    return isinstance(steps[first], PostureStep) or _level_before(steps, first)


def _level_before(steps: Sequence[Step], count: int) -> bool:
    """Whether the body is level after so many steps."""
    offset = Offset().components
    for step in steps[:count]:
        if isinstance(step, PostureStep):
            offset = Offset().components
        elif isinstance(step, BodyStep):
            pairs = zip(step.offset, offset, strict=True)
            offset = tuple(have if want is None else want for want, have in pairs)
    return not any(offset)


def _instead(steps: Sequence[Step], first: int) -> str:
    instead = way_on(steps, first)
    return 'begin with step 1' if instead is None else f'begin with step {instead + 1}'
