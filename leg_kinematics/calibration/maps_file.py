# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Measured servo maps, written into the file of a robot; what else is in it stays as it is."""

from collections.abc import Iterable
from math import ceil, degrees, floor
from pathlib import Path

from leg_kinematics.calibration.curves import Curve, LinearCurve, TableCurve
from leg_kinematics.calibration.loader import joint_maps_of, maps_schema, servo_maps_of
from leg_kinematics.calibration.servo_map import Measured, ServoMap
from leg_kinematics.robot import Document, Robot

#: What a file begins with that is made here.
NEW_FILE = """\
# Which pulse turns which joint of {name} how far.
#
# centre is a pulse at which the joint angle is known: horn_offset, as the horn sits on its
# spline. gain is the change of pulse with joint angle, negative where the servo turns the other
# way. A servo that is not linear has a table of joint angle and pulse instead. No pulse below
# lowest or above highest is ever sent.

robot: {name}

measured:
  when: {when}
  how: to be measured

joints: {{}}
"""

LINE_KEYS = ('centre', 'gain', 'horn_offset')
TABLE_KEYS = ('table',)


def open_maps(path: Path, robot: Robot, when: str) -> Document:
    """Read a file of servo maps to which others are to be added, or begin one that is not there.

    Parameters
    ----------
    path
        Of the file; it may lack joints.
    robot
        Whose joints they are.
    when
        Date to begin a new file with, year first.

    Raises
    ------
    DescriptionError
        The file is wrong or does not fit the robot; names file, line and place.

    """
    if not path.exists():
        text = NEW_FILE.format(name=robot.name, when=when)
        return Document.new(path, maps_schema(), text)
    document = Document(path, maps_schema())
    joint_maps_of(document, robot)
    return document


def with_servo_maps(
    document: Document, robot: Robot, maps: Iterable[ServoMap], measured: Measured
) -> Document:
    """Put maps of joints into a file in place of their former ones; it is not written yet.

    Legs of which no joint has a map then are listed as not wired.

    Parameters
    ----------
    document
        From `open_maps`.
    robot
        Whose joints they are.
    maps
        What was measured.
    measured
        When and how.

    Returns
    -------
    Document
        To be saved. All maps of the robot can be read from it.

    Raises
    ------
    DescriptionError
        The file would not be one that can be read, as when a leg has maps of some joints only, or
        two joints share an output.

    """
    for each in maps:
        document = _with_map(document, each)
    document = document.with_entries('measured', {'when': measured.when, 'how': measured.how})
    mapped = document.keys('joints')
    bare = [leg.name for leg in robot.legs if not set(leg.joints) & set(mapped)]
    if bare:
        document = document.with_entries('', {'not_wired': bare})
    else:
        document = document.with_entries('', {}, without=['not_wired'])
    servo_maps_of(document, robot)
    return document


def _with_map(document: Document, servo_map: ServoMap) -> Document:
    entry: dict[str, object] = {
        'board': servo_map.board,
        'channel': servo_map.channel,
        # Whole microseconds, never beyond the bounds.
        'lowest': f'{ceil(servo_map.lowest_us)} us',
        'highest': f'{floor(servo_map.highest_us)} us',
        **_curve_entry(servo_map.curve),
    }
    if servo_map.joint not in document.keys('joints'):
        return document.with_entries('joints', {servo_map.joint: entry})
    without = TABLE_KEYS if 'centre' in entry else LINE_KEYS
    return document.with_entries(f'joints.{servo_map.joint}', entry, without)


def _curve_entry(curve: Curve) -> dict[str, object]:
    match curve:
        case LinearCurve(centre_us, gain_us_per_rad, horn_offset):
            return {
                'centre': f'{centre_us:g} us',
                'gain': f'{gain_us_per_rad:.2f} us/rad',
                'horn_offset': _degrees(horn_offset),
            }
        case TableCurve(angles, pulses_us):
            rows = sorted(zip(angles, pulses_us, strict=True))
            return {'table': [[_degrees(angle), f'{pulse:g} us'] for angle, pulse in rows]}
    raise TypeError(f'a {type(curve).__name__} has no way to be written')


def _degrees(angle: float) -> str:
    return f'{degrees(angle):.2f} deg'
