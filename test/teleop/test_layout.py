# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Layouts of pads: what is shipped, what is refused, and what a message means by them."""

from math import inf, nan
from pathlib import Path

import pytest

from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.teleop.layout import Act, JoyTable, Layout, load_layout
from leg_kinematics.teleop.pad import AXES_AND_BUTTONS

LAYOUTS = Path(__file__).parents[2] / 'config' / 'layouts'

SMALLEST = """\
name: one stick
buttons: {hold: a, release: b}
walk: {forward: -lefty}
joy:
  lengths: {axes: 2, buttons: 2}
  axes: {lefty: {index: 1, from: 1, to: -1}}
  buttons: {a: 0, b: 1}
"""


def table(layout: Layout) -> JoyTable:
    """Return the table of a layout that has one."""
    assert layout.joy is not None
    return layout.joy


@pytest.mark.parametrize('file', sorted(LAYOUTS.iterdir()), ids=lambda file: file.stem)
def test_what_is_shipped_can_be_read_and_has_every_order(file: Path) -> None:
    """Every act has a control, and every control of SDL has its place in the table."""
    layout = load_layout(file)
    assert layout.buttons.keys() == set(Act)
    joy = table(layout)
    assert joy.axes.keys() | joy.buttons.keys() == set(AXES_AND_BUTTONS)


@pytest.mark.parametrize('file', sorted(LAYOUTS.iterdir()), ids=lambda file: file.stem)
def test_every_control_is_read_from_its_place_alone(file: Path) -> None:
    """Each axis at its end and each button changes what has its name, and nothing else."""
    joy = table(load_layout(file))
    axes, buttons = joy.lengths
    still = joy.read([0.0] * axes, [0] * buttons)
    for name, axis in joy.axes.items():
        moved = [0.0] * axes
        moved[axis.index] = axis.end
        read = joy.read(moved, [0] * buttons)
        assert read.axes[name] == 1.0
        assert {each for each in read.axes if read.axes[each] != still.axes[each]} == {name}
        assert read.buttons == frozenset()
    for name, slot in joy.buttons.items():
        moved, pressed = [0.0] * axes, [0] * buttons
        if slot.at is None:
            pressed[slot.index] = 1
        else:
            moved[slot.index] = slot.at
        read = joy.read(moved, pressed)
        assert read.buttons == {name}
        assert read.axes == still.axes


@pytest.mark.parametrize(
    ('axes', 'buttons', 'words'),
    [
        ([0.0], [0, 0], 'joy has 1 axes and 2 buttons, and the layout is for 2 and 2'),
        ([0.0, 0.0, 0.0], [0, 0], 'choose the layout of this pad'),
        ([0.0, 0.0], [], 'joy has 2 axes and 0 buttons'),
        ([0.0, nan], [0, 0], 'axis 1 of joy must be from -1 to 1 \\(got nan\\)'),
        ([-inf, 0.0], [0, 0], 'axis 0 of joy must be from -1 to 1'),
        ([0.0, 1.5], [0, 0], 'axis 1 of joy must be from -1 to 1 \\(got 1.5\\)'),
        ([0.0, 0.0], [0, 7], 'button 1 of joy must be 0 or 1 \\(got 7\\)'),
    ],
)
def test_what_is_no_input_is_refused(
    tmp_path: Path, axes: list[float], buttons: list[int], words: str
) -> None:
    """Whole, with what is wrong."""
    file = tmp_path / 'layout.yaml'
    file.write_text(SMALLEST)
    with pytest.raises(CommandError, match=words):
        table(load_layout(file)).read(axes, buttons)


@pytest.mark.parametrize(
    ('line', 'wrong', 'words'),
    [
        ('forward: -lefty', 'forward: 1', 'a stick, leftx, lefty'),
        ('forward: -lefty', 'forward: rightx', 'rightx is missing in joy.axes'),
        ('hold: a, release: b', 'hold: a', 'missing here: release'),
        ('hold: a, release: b', 'hold: a, release: a', 'a does something else already'),
        ('hold: a, release: b', 'hold: x, release: b', 'x is missing in joy.buttons'),
        ('hold: a, release: b', 'hold: a, release: b, jump: y', "unknown key 'jump'"),
        ('index: 1', 'index: 2', 'an index below 2, by joy.lengths'),
        ('to: -1', 'to: 1', 'from and to must differ'),
        ('a: 0', 'a: 2', 'an index below 2'),
    ],
)
def test_a_wrong_layout_is_refused_with_its_line(
    tmp_path: Path, line: str, wrong: str, words: str
) -> None:
    """By file, line and place, with what was expected."""
    file = tmp_path / 'layout.yaml'
    assert line in SMALLEST
    file.write_text(SMALLEST.replace(line, wrong))
    with pytest.raises(DescriptionError, match=words) as caught:
        load_layout(file)
    assert str(caught.value).startswith(f'{file}:')
