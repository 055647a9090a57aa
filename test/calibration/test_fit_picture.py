# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The picture of a measured joint shows every reading, and which one was left out."""

from math import radians

import numpy as np
import pytest

from leg_kinematics.calibration.fit_picture import SUSPECT, draw_fit
from leg_kinematics.calibration.horn import horn_fitting
from leg_kinematics.calibration.joint_notes import JointResult, JointTask
from leg_kinematics.calibration.measured import Approach, Reading, fit_servo_map
from leg_kinematics.robot import Robot

SIDES: tuple[Approach, Approach] = ('up', 'down')


def test_every_reading_is_drawn(bracken: Robot) -> None:
    """By hand, 10 us a degree; one of 14 readings has a wrong sign, and is circled."""
    link = bracken.legs[0].coxa
    limits = (link.lower, link.upper)
    task = JointTask('left_front_coxa', ('main', 0), link.servo, limits, horn_fitting(link, limits))
    readings = [
        Reading(pulse, radians((pulse - 1500.0) / 10.0 + (0.3 if side == 'up' else -0.3)), side)
        for side in SIDES
        for pulse in np.linspace(1000.0, 2000.0, 7)
    ]
    readings[1] = Reading(readings[1].pulse_us, -readings[1].angle, 'up')
    fit = fit_servo_map(readings, link.servo, limits)
    figure = draw_fit(JointResult(task, fit, (970.0, 2030.0), doubtful=True))
    angles, residuals = figure.axes
    for axes in (angles, residuals):
        drawn = {line.get_label(): np.array(line.get_data()) for line in axes.get_lines()}
        up, down = drawn['read, pulse coming up'], drawn['read, pulse coming down']
        assert up.shape == down.shape == (2, 7)
        assert drawn[SUSPECT][0].tolist() == [readings[1].pulse_us]
        if axes is angles:
            assert up[1, 0] == pytest.approx(-49.7)
        else:
            assert np.abs(down[1]).max() < 1.0
    (legend,) = figure.legends
    assert len(legend.get_texts()) == 7
