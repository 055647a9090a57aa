# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What was identified goes into the two files of a robot; what a person wrote there stays."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import degrees, radians
from pathlib import Path

import numpy as np

from leg_kinematics.calibration import Curve, LinearCurve, Measured, ServoMaps, TableCurve
from leg_kinematics.calibration.loader import servo_maps_of
from leg_kinematics.calibration.maps_file import with_servo_maps
from leg_kinematics.errors import CalibrationError, DescriptionError
from leg_kinematics.identification.model import IdentifiedJoint, IdentifiedLeg
from leg_kinematics.robot import SEGMENTS, Document, Robot, robot_of
from leg_kinematics.solver import leg_solvers, posture_angles

#: A servo that bends less is written as a straight line (our own), rad: 0.2 mm at a foot.
STRAIGHT = radians(0.05)

#: Of a table: a bow of 3 degrees is cut by 3 / 400, 0.008 degrees, between its rows; a wave that
#: goes 2 degrees both ways by 0.06 at its ends.
TABLE_ROWS = 21


@dataclass(frozen=True)
class Adoption:
    """Both files of a robot as they shall be; neither is written before `save`.

    Attributes
    ----------
    description
        With mounts and lengths as they were found.
    servo_maps
        With the maps that were found.
    robot
        As the new description says.
    maps
        As the new servo maps say.

    """

    description: Document
    servo_maps: Document
    robot: Robot
    maps: ServoMaps

    def save(self) -> tuple[Path | None, Path | None]:
        """Write both files, each whole or not at all, and keep the former ones beside them.

        Returns
        -------
        tuple of Path or None
            Of the former description and the former servo maps.

        Raises
        ------
        DescriptionError
            A file was changed meanwhile or cannot be written; then both are as they were.

        """
        kept = self.description.save()
        try:
            return kept, self.servo_maps.save()
        except DescriptionError:
            # Lengths and maps of one fit belong together.
            if kept is not None:
                kept.replace(self.description.file.resolve())
            raise


def adopt(
    robot: Robot,
    maps: ServoMaps,
    joints: Mapping[str, IdentifiedJoint],
    legs: Mapping[str, IdentifiedLeg],
    measured: Measured,
) -> Adoption:
    """Put what was identified in place of what was described; nothing is written yet.

    Parameters
    ----------
    robot
        As described, with all its legs, from its file.
    maps
        Of its servos, from their file.
    joints
        What was found of each joint of these legs, and perhaps of others.
    legs
        What was found of the legs that are to be changed.
    measured
        When and how.

    Raises
    ------
    CalibrationError
        A joint would turn back within its pulses.
    DescriptionError
        A file would not be one that can be read, or the robot could not take its postures.

    """
    description = robot.document
    for leg in legs.values():
        description = _with_leg(description, leg)
    changed = robot_of(description)
    found = [
        replace(maps.by_joint[name], curve=_curve(joints[name]))
        for leg in changed.legs
        if leg.name in legs
        for name in leg.joints
    ]
    servo_maps = with_servo_maps(maps.document, changed, found, measured)
    adoption = Adoption(description, servo_maps, changed, servo_maps_of(servo_maps, changed))
    _check_postures(adoption)
    return adoption


def _check_postures(adoption: Adoption) -> None:
    """Refuse what could not be driven."""
    wired = adoption.maps.wired(adoption.robot)
    solvers = leg_solvers(wired, {each.joint: each.angle_range for each in adoption.maps.maps})
    for posture in ('resting', 'standing'):
        posture_angles(wired, solvers, posture)


def _with_leg(document: Document, leg: IdentifiedLeg) -> Document:
    document = document.with_entries(
        f'legs.{leg.name}.mount',
        {
            'position': [_millimetres(each.value) for each in leg.position],
            'rpy': [_degrees(angle) for angle in leg.rpy],
        },
    )
    path = f'legs.{leg.name}'
    added: dict[str, object] = {}
    for segment, length in zip(SEGMENTS, leg.lengths, strict=True):
        # A link is the leg's own as a whole, or that of all legs.
        if segment in document.keys(path):
            link = f'{path}.{segment}'
            document = document.with_entries(link, _new_length(document, link, length.value))
        else:
            link = f'links.{segment}'
            shared = {key: document.value(f'{link}.{key}') for key in document.keys(link)}
            added[segment] = shared | _new_length(document, link, length.value)
    return document.with_entries(path, added)


def _new_length(document: Document, link: str, length: float) -> dict[str, object]:
    """Return what changes of a link with its length."""
    entries: dict[str, object] = {'length': _millimetres(length)}
    if (
        'centre_of_mass' in document.keys(link)
        and document.quantity(f'{link}.centre_of_mass', 'length') > length
    ):
        # It goes with the end of the link, which it cannot be beyond.
        entries['centre_of_mass'] = _millimetres(length)
    return entries


def _curve(joint: IdentifiedJoint) -> Curve:
    low, high = joint.span_us
    pulses = tuple(float(pulse) for pulse in np.linspace(low, high, TABLE_ROWS))
    angles = tuple(joint.angle(pulse) for pulse in pulses)
    # A pulse that people write.
    centre_us = float(round((low + high) / 2.0))
    slope = 2.0 * joint.coefficients[1] / (high - low)
    offset = joint.coefficients[0] + slope * (centre_us - (low + high) / 2.0)
    line = LinearCurve(centre_us, 1.0 / slope, offset)
    bends = (abs(line.angle(p) - angle) for p, angle in zip(pulses, angles, strict=True))
    if max(bends) < STRAIGHT:
        return line
    try:
        return TableCurve(angles, pulses)
    except ValueError as error:
        raise CalibrationError(
            f'{joint.name} seems to turn back within its pulses, {low:g} to {high:g} µs, which no '
            'servo does: look whether its horn slips or it meets a stop, and measure it again'
        ) from error


def _millimetres(length: float) -> str:
    # Without the sign of a zero.
    return f'{round(1e3 * length, 2) + 0.0:.2f} mm'


def _degrees(angle: float) -> str:
    return f'{round(degrees(angle), 2) + 0.0:.2f} deg'
