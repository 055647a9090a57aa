# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The picture of feet shows every position, how far off it was, and which one was left out."""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from matplotlib.quiver import Quiver

from leg_kinematics.identification.feet_picture import SUSPECT, draw_feet

if TYPE_CHECKING:
    from test.robot_campaign import (
        BRACKEN,
        Measured,
        by_ground,
        by_ruler,
        identified,
        present_maps,
        room_of,
    )
    from test.unknown_robot import Measurer
else:
    from robot_campaign import (
        BRACKEN,
        Measured,
        by_ground,
        by_ruler,
        identified,
        present_maps,
        room_of,
    )
    from unknown_robot import Measurer


@pytest.fixture(scope='module')
def robot() -> Measured:
    """Return a robot of two legs, ten positions each; of one of them x is 30 mm too large."""
    measured = Measured.begin(BRACKEN.part(BRACKEN.leg_names[:2]), 5, Measurer())
    by_ruler(10)(measured)
    x, y, z = measured.feet[13].position
    measured.feet[13] = replace(measured.feet[13], position=(x + 0.030, y, z))
    return measured


def test_every_position_is_drawn(robot: Measured) -> None:
    """Arrows end where feet were, and are as long as they were off, so many times as is said.

    The sheet is turned by less than 2 degrees, so that 5 % are allowed for working it out without.
    """
    found = identified(robot)
    figure = draw_feet(room_of(robot), present_maps(robot), robot.evidence, found)
    before, after, sizes = figure.axes
    kept = np.arange(20) != 13
    (first,), (arrows,) = (
        [each for each in axes.collections if isinstance(each, Quiver)] for axes in (before, after)
    )
    assert first.N == arrows.N == 19
    times = float(after.get_title().split(' times')[0].split()[-1])
    drawn = np.hypot(arrows.U, arrows.V)
    expected = times * 1e3 * np.linalg.norm(found.foot_residuals[kept, :2], axis=1)
    assert drawn == pytest.approx(expected, rel=0.05, abs=0.05 * times)
    labelled = {line.get_label(): line for line in after.get_lines()}
    dots = np.array(labelled['measured'].get_data()).T
    feet = 1e3 * (found.feet([each.stand for each in robot.feet])[:, :2])
    assert dots == pytest.approx(feet, abs=3.0)
    (circled,) = np.array(labelled[SUSPECT].get_data()).T
    assert circled == pytest.approx(feet[13], abs=1e-6)
    assert sizes.get_yscale() == 'log'
    ticks = [label.get_text() for label in sizes.get_xticklabels()]
    assert ticks == ['left front', 'left middle']


def test_feet_fit_better_afterwards(robot: Measured) -> None:
    """By the distances that are drawn: the middle one of each leg falls to a half or less."""
    figure = draw_feet(room_of(robot), present_maps(robot), robot.evidence, identified(robot))
    before, after = (
        np.array(line.get_ydata())
        for line in figure.axes[2].get_lines()
        if len(np.array(line.get_ydata())) == 20
    )
    for own in (slice(0, 10), slice(10, 20)):
        assert np.median(after[own]) < 0.5 * np.median(before[own])


def test_touches_have_no_arrows() -> None:
    """A touch says nothing sideways: it is a cross, and only its height counts."""
    measured = Measured.begin(BRACKEN.part(BRACKEN.leg_names[:1]), 5, Measurer())
    by_ground(12)(measured)
    found = identified(measured)
    figure = draw_feet(room_of(measured), present_maps(measured), measured.evidence, found)
    after, sizes = figure.axes[1:]
    assert 'arrows' not in after.get_title()
    labelled = {line.get_label(): np.array(line.get_data()) for line in after.get_lines()}
    assert labelled['touched the ground'].shape == (2, 12)
    assert 'measured' not in labelled
    drawn = np.array(sizes.get_lines()[2].get_ydata())
    assert drawn == pytest.approx(np.maximum(1e3 * np.abs(found.touch_residuals), 0.02))
