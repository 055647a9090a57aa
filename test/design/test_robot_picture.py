# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The picture of the whole robot shows what the description says, and which leg is in doubt."""

from collections.abc import Iterator
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from leg_kinematics.design.doubts import find_doubts
from leg_kinematics.design.robot_picture import DOUBTED, SOUND, draw_robot
from leg_kinematics.robot import load_robot
from leg_kinematics.solver import leg_solvers

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'


@pytest.fixture(autouse=True)
def without_a_screen() -> Iterator[None]:
    """Draw into memory, and let every figure go."""
    mpl.use('Agg')
    yield
    plt.close('all')


def drawn(folder: Path, *changes: tuple[str, str]) -> Figure:
    """Draw bracken with something changed."""
    text = BRACKEN.read_text(encoding='utf-8')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = folder / 'robot.yaml'
    file.write_text(text, encoding='utf-8')
    robot = load_robot(file)
    return draw_robot(robot, leg_solvers(robot), find_doubts(robot, None))


def view(figure: Figure, title: str) -> Axes:
    """Find one view of the robot."""
    (axes,) = (each for each in figure.axes if each.get_title() == title)
    return axes


def legs(axes: Axes, colour: str) -> list[np.ndarray]:
    """Give the legs of one colour in a view, mm, shape (points, 2) each."""
    return [np.asarray(line.get_xydata()) for line in axes.lines if line.get_color() == colour]


def test_the_views_show_the_robot_as_it_stands(tmp_path: Path) -> None:
    """By hand: a middle foot stands 210 mm to the side of the middle and 85 mm below it."""
    figure = drawn(tmp_path)
    for title, mount, foot in (
        ('from above', (0.0, 85.0), (0.0, 210.0)),
        ('from the front', (85.0, 0.0), (210.0, -85.0)),
        ('from its right side', (0.0, 0.0), (0.0, -85.0)),
    ):
        axes = view(figure, title)
        sound = legs(axes, SOUND)
        assert len(sound) == 6
        assert legs(axes, DOUBTED) == []
        assert sound[1][0] == pytest.approx(mount)
        assert sound[1][-1] == pytest.approx(foot)
        assert [each.get_text() for each in axes.texts].count('front ▶') == (
            title[5:] != 'the front'
        )
    names = [each.get_text() for each in view(figure, 'from above').texts]
    assert {'left front', 'right rear', 'left middle'} <= set(names)


def test_a_leg_that_points_inwards_stands_out_with_its_label(tmp_path: Path) -> None:
    """One leg has the other colour in every view, and says why from above and in the legend."""
    figure = drawn(
        tmp_path,
        (
            '[0 mm, 85 mm, 0 mm], rpy: [0 deg, 0 deg, 90',
            '[0 mm, 85 mm, 0 mm], rpy: [0 deg, 0 deg, -90',
        ),
    )
    for title in ('from above', 'from the front', 'from its right side'):
        axes = view(figure, title)
        assert (len(legs(axes, SOUND)), len(legs(axes, DOUBTED))) == (5, 1)
    # By hand: 125 mm to the right of a mount 85 mm to the left.
    assert legs(view(figure, 'from above'), DOUBTED)[0][-1] == pytest.approx((0.0, -40.0))
    names = [each.get_text() for each in view(figure, 'from above').texts]
    assert 'left middle\npoints inwards?' in names
    legends = [legend for axes in figure.axes if (legend := axes.get_legend()) is not None]
    said = [text.get_text() for legend in legends for text in legend.get_texts()]
    assert 'left middle: points inwards?' in said


def test_legs_that_cannot_stand_are_dashed_lines(tmp_path: Path) -> None:
    """Feet too far away: from mount to foot, and there is no centre of mass."""
    figure = drawn(tmp_path, ('reach: 125 mm', 'reach: 230 mm'))
    axes = view(figure, 'from its right side')
    dashed = [line for line in axes.lines if line.get_linestyle() == '--']
    assert len(dashed) == 6
    assert all(len(np.asarray(line.get_xydata())) == 2 for line in dashed)
    assert not [line for line in axes.lines if line.get_marker() == 'X']


def test_a_robot_of_one_leg_has_no_support_but_a_picture(tmp_path: Path) -> None:
    """Nothing is drawn that is not there, and nothing breaks."""
    text = BRACKEN.read_text(encoding='utf-8')
    first = text.index('  left_middle:')
    last = text.index('\n# Height')
    figure = drawn(tmp_path, (text[first:last], ''))
    assert len(legs(view(figure, 'from above'), SOUND)) == 1
    figure.savefig(tmp_path / 'one.png')
