# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What becomes of a calibration: servo maps in their file, pictures, and a report."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from math import degrees
from pathlib import Path

from leg_kinematics.calibration import Measured, ServoMap
from leg_kinematics.calibration.curves import LinearCurve
from leg_kinematics.calibration.fit_picture import draw_fit
from leg_kinematics.calibration.joint_notes import JointResult
from leg_kinematics.calibration.maps_file import open_maps, with_servo_maps
from leg_kinematics.calibration.verdict import verdict
from leg_kinematics.robot import Robot


@dataclass(frozen=True)
class Written:
    """What was written.

    Attributes
    ----------
    joints
        Whose maps were.
    former
        The file as it was before; None where there was none.

    """

    joints: tuple[str, ...] = ()
    former: Path | None = None


def write_maps(
    file: Path, robot: Robot, results: Mapping[str, JointResult], today: date
) -> Written:
    """Write what was measured of whole legs into a file of servo maps; all else in it stays.

    A leg is whole when each of its joints was measured, or has a map in the file.

    Raises
    ------
    DescriptionError
        It would be no file that can be read, or cannot be written; then it is as it was.

    """
    document = open_maps(file, robot, today.isoformat())
    known = {*document.keys('joints'), *results}
    whole = [joint for leg in robot.legs if known.issuperset(leg.joints) for joint in leg.joints]
    measured = [results[joint] for joint in whole if joint in results]
    if not measured:
        return Written()
    readings = sum(len(each.fit.readings) for each in measured)
    how = f'protractor, {readings} angles at {len(measured)} joints; leg-kinematics calibrate'
    maps = [servo_map_of(each) for each in measured]
    former = with_servo_maps(document, robot, maps, Measured(today.isoformat(), how)).save()
    return Written(tuple(each.task.joint for each in measured), former)


def servo_map_of(result: JointResult) -> ServoMap:
    """Make the servo map of a joint that was measured."""
    board, channel = result.task.output
    return ServoMap(result.task.joint, board, channel, result.fit.curve, *result.ends_us)


def draw_results(results: Mapping[str, JointResult], folder: Path) -> list[Path]:
    """Write a picture of every joint; returns the files."""
    files = []
    for joint, result in results.items():
        files.append(folder / f'{joint}.png')
        draw_fit(result).savefig(files[-1], dpi=100)
    return files


def facts(results: Mapping[str, JointResult]) -> dict[str, object]:
    """All that was measured, for a script."""
    return {joint: _facts_of(result) for joint, result in results.items()}


def _facts_of(result: JointResult) -> dict[str, object]:
    fit, (board, channel) = result.fit, result.task.output
    return {
        'board': board,
        'channel': channel,
        'doubtful': result.doubtful,
        'map': 'line' if isinstance(fit.curve, LinearCurve) else 'table',
        'centre_us': fit.line.centre_us,
        'gain_us_per_rad': fit.gain.value,
        'gain_standard_error': fit.gain.standard_error,
        'horn_offset_deg': degrees(fit.horn_offset.value),
        'horn_offset_standard_error_deg': degrees(fit.horn_offset.standard_error),
        'lowest_us': result.ends_us[0],
        'highest_us': result.ends_us[1],
        'readings': len(fit.readings),
        'left_out': list(fit.suspects),
        'verdict': list(verdict(fit)),
    }
