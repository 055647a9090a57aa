# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Tables of a plan and of its lines: nothing is lost on a narrow terminal."""

from io import StringIO
from math import radians
from pathlib import Path

import pytest
from rich.console import Console

from leg_kinematics.commands.feet.moves_table import (
    LINES_CAPTION,
    PLAN_CAPTION,
    print_explanation,
    print_plan,
)
from leg_kinematics.moves.explain import alike, effort, explain
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.plan import Planner
from leg_kinematics.moves.steps import (
    BodyStep,
    FeetStep,
    Haste,
    Posture,
    PostureStep,
    Step,
    WaitStep,
)
from leg_kinematics.moves.words import step_in_words
from leg_kinematics.robot import load_robot
from leg_kinematics.solver import leg_solvers

ROBOT = load_robot(Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml')
LEGS = leg_solvers(ROBOT)
SPEEDS = dict.fromkeys(ROBOT.joints, 3.0)
TOLERANCE = 5e-4

STEPS: list[Step] = [
    PostureStep(Posture.STANDING),
    FeetStep({'left_front': Place(Frame.RESTING, y=0.03)}, Haste(time=0.01)),
    PostureStep(Posture.STANDING),
    BodyStep((0.0, 0.0, 0.01, radians(6.0), 0.0, radians(8.0))),
    WaitStep(1.5),
]
PLAN = Planner(ROBOT, LEGS, tolerance=TOLERANCE, speeds=SPEEDS).plan(STEPS, ROBOT.resting.feet)
LINES = explain(PLAN, ROBOT, LEGS, tolerance=TOLERANCE, speeds=SPEEDS)


def letters(text: str) -> str:
    """Leave out where lines are folded."""
    return ''.join(text.split())


@pytest.mark.parametrize('columns', [60, 80, 200])
def test_a_plan_is_told_whole(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every step once, every move with its numbers, within the terminal."""
    monkeypatch.setenv('COLUMNS', str(columns))
    out = StringIO()
    print_plan(Console(file=out), PLAN, LEGS, SPEEDS)
    text = out.getvalue()
    assert '…' not in text
    assert all(len(line) <= columns for line in text.splitlines())
    rows = [line.split() for line in text.splitlines()]
    numbers = [row[-4:] for row in rows] + [row[-3:] for row in rows]
    for move in PLAN.moves:
        told = effort(move, LEGS, SPEEDS)
        values = [f'{told.way * 1e3:.1f}', f'{move.wanted:.2f}', f'{move.duration:.2f}']
        assert values + ([f'{move.sub_moves}'] if move.sub_moves else []) in numbers
    if columns == 200:
        for step in STEPS:
            assert text.count(step_in_words(step)) == STEPS.count(step)
        assert 'busiest: left_front_coxa, 100%' in text
    assert letters(PLAN_CAPTION) in letters(text)


@pytest.mark.parametrize('columns', [60, 80, 200])
def test_lines_are_explained_whole(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every line, those alike once, with all numbers, within the terminal."""
    monkeypatch.setenv('COLUMNS', str(columns))
    out = StringIO()
    print_explanation(Console(file=out), LINES)
    text = out.getvalue()
    assert '…' not in text
    assert all(len(line) <= columns for line in text.splitlines())
    folded = letters(text)
    for group in alike(LINES):
        for line in group:
            assert line.leg.name in text
            for way in (line.alone, line.together, line.ours):
                assert f'{way.deviation * 1e3:.2f}' in text
                assert f'{way.duration:.2f}' in text
        names = ', '.join(line.leg.name for line in group)
        length = f'{group[0].length * 1e3:.1f}'
        said = f'step {group[0].number + 1}: {names}, {length} mm in a straight line'
        assert letters(said) in folded
    assert letters(LINES_CAPTION) in folded
