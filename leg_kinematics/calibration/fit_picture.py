# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A picture of the readings of a servo, with the map made of them and what is left over."""

from collections.abc import Callable
from math import degrees

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from leg_kinematics.calibration.joint_notes import JointResult
from leg_kinematics.calibration.measured import Approach, ServoFit

#: How each approach is drawn. The colours are of Okabe and Ito, Color Universal Design, 2008 (from
#: memory).
APPROACHES: dict[Approach, tuple[str, str, str]] = {
    'up': ('^', '#0072b2', 'read, pulse coming up'),
    'down': ('v', '#d55e00', 'read, pulse coming down'),
}

#: Points of a curve.
POINTS = 201

SUSPECT = 'left out: probably mistyped'


def draw_fit(result: JointResult) -> Figure:
    """Draw angle against pulse, and below it what was read beyond what the map says."""
    fit, task = result.fit, result.task
    figure = Figure(figsize=(9.0, 7.5), layout='constrained')
    angles, residuals = figure.subplots(2, 1, sharex=True, height_ratios=(2.2, 1.0))
    pulses = np.linspace(*fit.pulse_span_us, POINTS)
    expected = np.degrees([fit.curve.angle(float(pulse)) for pulse in pulses])
    kind = 'straight line' if fit.curve == fit.line else 'table'
    angles.plot(pulses, expected, color='black', label=f'the map, a {kind}')
    _draw_readings(angles, fit, lambda place: degrees(fit.readings[place].angle))
    for limit in task.limits:
        angles.axhline(degrees(limit), color='0.5', linestyle='--', linewidth=1)
    angles.plot([], [], color='0.5', linestyle='--', label='limits of the joint')
    for end in result.ends_us:
        angles.axvline(end, color='0.5', linestyle=':', linewidth=1)
    angles.plot([], [], color='0.5', linestyle=':', label='lowest and highest pulse')
    angles.set(ylabel='joint angle (deg)', title=task.joint)
    half = np.degrees([fit.half_width(float(pulse)) for pulse in pulses])
    _draw_interval(residuals, pulses, half)
    _draw_readings(residuals, fit, lambda place: degrees(fit.residuals[place]))
    residuals.axhline(0.0, color='black', linewidth=1)
    residuals.set(xlabel='pulse (us)', ylabel='read beyond the map (deg)')
    for axes in (angles, residuals):
        axes.grid(alpha=0.3)
    # The same markers mean the same in both.
    labelled = {
        label: handle
        for axes in (residuals, angles)
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True)
    }
    figure.legend(labelled.values(), labelled.keys(), loc='outside lower center', ncols=3)
    return figure


def _draw_interval(axes: Axes, pulses: NDArray[np.float64], half: NDArray[np.float64]) -> None:
    """Draw how well the map is known; nothing where no reading is more than is needed."""
    if np.all(np.isfinite(half)):
        label = 'the map is right within this (95 %)'
        axes.fill_between(pulses, -half, half, color='0.85', label=label)


def _draw_readings(axes: Axes, fit: ServoFit, height: Callable[[int], float]) -> None:
    for approach, (marker, colour, label) in APPROACHES.items():
        places = [place for place, each in enumerate(fit.readings) if each.approached == approach]
        if places:
            axes.plot(
                [fit.readings[place].pulse_us for place in places],
                [height(place) for place in places],
                marker,
                color=colour,
                label=label,
            )
    if fit.suspects:
        axes.plot(
            [fit.readings[place].pulse_us for place in fit.suspects],
            [height(place) for place in fit.suspects],
            'o',
            markersize=14,
            fillstyle='none',
            color='tab:red',
            label=SUSPECT,
        )
