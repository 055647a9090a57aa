# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pictures of a plan and of its lines: what is on them, and that nothing lies on a legend."""

from collections.abc import Iterator
from itertools import product
from math import radians
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.table import Cell
from matplotlib.text import Text

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.moves.explain import ExplainedLine, explain
from leg_kinematics.moves.explanation_picture import draw_explanation, explanation
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.plan import Plan, Planner
from leg_kinematics.moves.preview_picture import draw_preview, preview
from leg_kinematics.moves.steps import (
    BodyStep,
    FeetStep,
    Haste,
    Posture,
    PostureStep,
    Step,
    WaitStep,
)

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CalibratedRobot.load(
    CONFIG / 'robots' / 'bracken.yaml', CONFIG / 'servo_maps' / 'bracken.yaml'
)
SPEEDS = {
    joint: 0.5 * link.servo.speed
    for leg in ROBOT.robot.legs
    for joint, link in zip(leg.joints, leg.links, strict=True)
}
TOLERANCE = 5e-4


def left_front(x: float | None = None, y: float | None = None, z: float | None = None) -> FeetStep:
    """Move the first foot."""
    return FeetStep({'left_front': Place(Frame.RESTING, x, y, z)})


CASES: dict[str, list[Step]] = {
    'out and down': [left_front(x=0.04), left_front(z=-0.04)],
    'a corner': [left_front(x=0.02), left_front(z=0.03), left_front(y=0.03)],
    'all six': [PostureStep(Posture.STANDING)],
    'the body': [
        PostureStep(Posture.STANDING),
        BodyStep((None, None, None, radians(6.0), None, None)),
        BodyStep((None, None, None, 0.0, None, radians(8.0))),
    ],
    'a wait': [WaitStep(2.0)],
    'forty': [
        step
        for index in range(10)
        for step in (
            left_front(x=0.02),
            left_front(z=0.02 + 0.002 * index),
            left_front(y=0.021 - 0.004 * index),
            left_front(0.0, 0.0, 0.0),
        )
    ],
}


@pytest.fixture(autouse=True)
def without_a_screen() -> Iterator[None]:
    """Draw into memory, and let every figure go."""
    mpl.use('Agg')
    yield
    plt.close('all')


def planned(steps: list[Step]) -> Plan:
    """Plan steps from rest."""
    planner = Planner(ROBOT.robot, ROBOT.legs, tolerance=TOLERANCE, speeds=SPEEDS)
    return planner.plan(steps, ROBOT.robot.resting.feet)


def explained(steps: list[Step]) -> tuple[ExplainedLine, ...]:
    """Plan steps from rest and explain them."""
    return explain(planned(steps), ROBOT.robot, ROBOT.legs, tolerance=TOLERANCE, speeds=SPEEDS)


def texts(figure: Figure) -> list[str]:
    """Read all that is written on a picture, in tables too."""
    written = figure.findobj(Text) + [cell.get_text() for cell in figure.findobj(Cell)]
    return [each.get_text() for each in written]


def axes_titled(figure: Figure, title: str) -> list[Axes]:
    """Find axes by their title."""
    return [axes for axes in figure.findobj(Axes) if axes.get_title() == title]


def check_layout(figure: Figure) -> None:
    """See that no two axes overlap with their labels, legends among them, and all is inside."""
    figure.canvas.draw()
    whole = figure.bbox.padded(1.0)
    boxes = [part.texts[-1].get_window_extent() for part in figure.subfigs if part.texts]
    for axes in figure.findobj(Axes):
        legend = axes.get_legend()
        box = axes.get_tightbbox() if legend is None else legend.get_window_extent()
        assert box is not None
        boxes.append(box.padded(-1.0))
    for box in boxes:
        assert whole.x0 <= box.x0 <= box.x1 <= whole.x1
        assert whole.y0 <= box.y0 <= box.y1 <= whole.y1
    for one, other in product(boxes, boxes):
        assert one is other or not one.overlaps(other)


@pytest.mark.parametrize('name', ['a corner', 'the body', 'a wait'])
def test_a_preview_has_room_for_all_that_is_on_it(name: str) -> None:
    """Names, units, steps."""
    plan = planned(CASES[name])
    figure = preview(plan, ROBOT)
    check_layout(figure)
    written = texts(figure)
    for label in ('joint angle (deg)', 'pulse (µs)', 'coxa', 'femur', 'tibia', 'allowed'):
        assert label in written
    assert sum(text.startswith('time (s)') for text in written) == 3
    (steps,) = (text for text in written if text.startswith('1  '))
    assert f'{plan.moves[0].duration:.2f}\u00a0s' in steps


def test_a_preview_of_one_leg_shows_it_in_its_resting_frame() -> None:
    """By hand: from rest 40 mm outwards, then 40 mm down; the mount is 125 mm inwards."""
    figure = preview(planned(CASES['out and down']), ROBOT)
    (side,) = axes_titled(figure, 'from the side')
    lines = {line.get_label(): np.asarray(line.get_xydata()) for line in side.lines}
    way = lines['way of the foot']
    assert way[0] == pytest.approx((0.0, 0.0), abs=1e-9)
    assert way[-1] == pytest.approx((40.0, -40.0))
    assert np.abs(way - (40.0, 0.0)).sum(axis=1).min() < 1e-9
    assert lines['leg at the end'][[0, -1]] == pytest.approx(np.array([(-125, 30), (40, -40)]))
    assert [text.get_text() for text in side.texts] == ['1', '2']
    assert len(side.collections) == 1  # where the foot can go
    x, y = side.get_xlim(), side.get_ylim()
    for line in lines.values():
        for across, up in line:
            assert x[0] < across < x[1]
            assert y[0] < up < y[1]


def test_a_preview_of_the_whole_robot_shows_every_leg_that_moves() -> None:
    """From above, from the side and from the front, a colour a leg; the bands are the limits."""
    figure = preview(planned(CASES['all six']), ROBOT)
    for title in ('from above', 'from its right side', 'from the front'):
        (axes,) = axes_titled(figure, title)
        ends = [line for line in axes.lines if line.get_label() == 'leg at the end']
        assert len({line.get_color() for line in ends}) == 6
    (coxa,) = axes_titled(figure, 'coxa')
    dashed = [line for line in coxa.lines if line.get_linestyle() == '--']
    bounds = {float(np.asarray(line.get_ydata())[0]) for line in dashed}
    assert sorted(bounds) == pytest.approx([-60.0, 60.0])  # as the description says


def test_many_steps_are_told_as_far_as_there_is_room() -> None:
    """The rest is counted, and numbers on a time axis keep apart."""
    figure = preview(planned(2 * CASES['forty']), ROBOT)
    check_layout(figure)
    (steps,) = (text for text in texts(figure) if text.startswith('1  '))
    told = [line for line in steps.splitlines() if line[0].isdigit()]
    assert steps.splitlines()[-1] == f'… and {80 - len(told)} steps more'
    assert len(told) > 30
    (coxa,) = axes_titled(figure, 'coxa')
    places = [each.xy[0] for each in coxa.texts if hasattr(each, 'xy')]
    assert len(places) > 8  # of 80
    assert np.diff(places).min() >= 0.06 * coxa.get_xlim()[1]


def test_a_step_that_takes_longer_than_asked_says_so() -> None:
    """Its servos would not be as fast."""
    step = FeetStep({'left_front': Place(Frame.RESTING, x=0.04)}, Haste(time=0.05))
    written = ' '.join(' '.join(texts(preview(planned([step]), ROBOT))).split())
    assert '(0.05 s was asked for; the servos need longer)' in written


@pytest.mark.parametrize(('name', 'rows'), [('all six', 1), ('forty', 3)])
def test_an_explanation_has_room_for_all_that_is_on_it(name: str, rows: int) -> None:
    """Lines, numbers and what they mean; those alike once, and three at most."""
    lines = explained(CASES[name])
    figure = explanation(lines, ROBOT)
    check_layout(figure)
    written = texts(figure)
    assert written.count('farthest off\nthe line (mm)') == rows
    assert written.count('tolerance 0.5 mm') == rows
    assert any('3 of 40 lines' in text for text in written) == (name == 'forty')


def test_an_explanation_shows_the_numbers_of_its_lines() -> None:
    """The table has those of the worst line, and the curves reach them."""
    lines = explained(CASES['all six'])
    figure = explanation(lines, ROBOT)
    (whole,) = axes_titled(figure, 'how far the foot is from its line')
    (side,) = axes_titled(figure, 'from the side')
    written = texts(figure)
    for way in (lines[0].alone, lines[0].together, lines[0].ours):
        assert f'{1e3 * way.deviation:.2f}' in written
        peaks = [np.asarray(line.get_ydata()).max() for line in whole.lines]
        assert any(peak == pytest.approx(1e3 * way.deviation) for peak in peaks)
    # By hand: a foot that goes straight down strays outwards by what the table tells.
    (alone,) = (line for line in side.lines if line.get_label() == 'each servo by itself')
    assert np.asarray(alone.get_xdata()).max() == pytest.approx(1e3 * lines[0].alone.deviation)


def test_the_files_are_pictures_of_bounded_size(tmp_path: Path) -> None:
    """Both are PNG (signature of its specification, W3C 2003), and no figure is left behind."""
    steps = CASES['out and down']
    draw_preview(planned(steps), ROBOT, tmp_path / 'preview.png')
    draw_explanation(explained(steps), ROBOT, tmp_path / 'explanation.png')
    for file in tmp_path.iterdir():
        data = file.read_bytes()
        assert data.startswith(b'\x89PNG\r\n\x1a\n')
        assert 20_000 < len(data) < 400_000
    assert plt.get_fignums() == []
