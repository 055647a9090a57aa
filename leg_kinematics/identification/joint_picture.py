# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A picture of a joint that was surveyed: its angles read off, and how its map has changed."""

from math import degrees

import numpy as np
from matplotlib.figure import Figure

from leg_kinematics.calibration import ServoMap
from leg_kinematics.calibration.fit_picture import APPROACHES, SUSPECT
from leg_kinematics.identification.surveyed import Surveyed

#: Points of a curve.
POINTS = 201


def draw_joint(found: Surveyed, before: ServoMap) -> Figure:
    """Draw angle against pulse, and below it all as it is beyond the new map.

    Parameters
    ----------
    found
        What was found out.
    before
        The map that the joint has had.

    """
    joint = found.identified.joints[before.joint]
    readings = found.evidence.readings[before.joint]
    suspects = [
        each.place
        for each in found.identified.suspects
        if each.kind == 'reading' and each.name == before.joint
    ]
    figure = Figure(figsize=(9.0, 7.5), layout='constrained')
    angles, beyond = figure.subplots(2, 1, sharex=True, height_ratios=(2.2, 1.0))
    pulses = np.linspace(*joint.span_us, POINTS)
    new = np.array([degrees(joint.angle(pulse)) for pulse in pulses.tolist()])
    low, high = before.curve.pulse_span_us
    known = (pulses >= low) & (pulses <= high)
    old = np.array([degrees(before.angle(pulse)) for pulse in pulses[known].tolist()])
    half = np.array(
        [1.96 * degrees(found.identified.angle_spread(joint.name, p)) for p in pulses.tolist()]
    )
    angles.plot(pulses, new, color='black', label='the new map')
    angles.plot(pulses[known], old, color='0.5', linestyle='--', label='the map before')
    beyond.plot(pulses[known], old - new[known], color='0.5', linestyle='--')
    label = 'the new map is right within this (95 %)'
    beyond.fill_between(pulses, -half, half, color='0.85', label=label)
    beyond.axhline(0.0, color='black', linewidth=1)
    for approach, (marker, colour, label) in APPROACHES.items():
        read = [each for each in readings if each.approached == approach]
        at = [each.pulse_us for each in read]
        angles.plot(at, [degrees(each.angle) for each in read], marker, color=colour, label=label)
        left = [degrees(each.angle - joint.angle(each.pulse_us)) for each in read]
        beyond.plot(at, left, marker, color=colour)
    if suspects:
        at = [readings[place].pulse_us for place in suspects]
        circle = {'markersize': 14.0, 'fillstyle': 'none', 'color': 'tab:red'}
        seen = [degrees(readings[place].angle) for place in suspects]
        angles.plot(at, seen, 'o', label=SUSPECT, **circle)
    angles.set(ylabel='joint angle (deg)', title=before.joint)
    beyond.set(xlabel='pulse (us)', ylabel='beyond the new map (deg)')
    for axes in (angles, beyond):
        axes.grid(alpha=0.3)
    figure.legend(loc='outside lower center', ncols=3)
    return figure
