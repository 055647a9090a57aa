# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What becomes of a survey: description and servo maps in their files, pictures, and a report."""

from datetime import date
from math import degrees
from pathlib import Path

from leg_kinematics.calibration import Measured, ServoMaps
from leg_kinematics.calibration.least_squares import Estimate
from leg_kinematics.identification.adoption import Adoption, adopt
from leg_kinematics.identification.feet_picture import draw_feet
from leg_kinematics.identification.joint_picture import draw_joint
from leg_kinematics.identification.surveyed import Surveyed
from leg_kinematics.identification.working_out import Knowledge
from leg_kinematics.robot import SEGMENTS, Robot


def adoption_of(found: Surveyed, robot: Robot, maps: ServoMaps, today: date) -> Adoption:
    """Put what was found out into description and servo maps; nothing is written yet.

    Raises
    ------
    LegKinematicsError
        The files would be none that can be read, or the robot none that can be driven.

    """
    evidence, identified = found.evidence, found.identified
    angles = sum(map(len, evidence.readings.values()))
    how = (
        f'protractor, {angles} angles at {len(evidence.readings)} joints; '
        f'{len(evidence.feet)} positions of feet, {len(evidence.touches)} touches of the ground; '
        'leg-kinematics survey'
    )
    measured = Measured(today.isoformat(), how)
    return adopt(robot, maps, identified.joints, identified.legs, measured)


def draw_results(found: Surveyed, knowledge: Knowledge, folder: Path) -> list[Path]:
    """Write a picture of the feet, and one of every joint; returns the files."""
    maps = knowledge.maps.by_joint
    files = [folder / 'feet.png']
    draw_feet(knowledge.room, maps, found.evidence, found.identified).savefig(files[0], dpi=100)
    for joint in found.identified.joints:
        files.append(folder / f'{joint}.png')
        draw_joint(found, maps[joint]).savefig(files[-1], dpi=100)
    return files


def facts(found: Surveyed) -> dict[str, object]:
    """All that was found out, for a script."""
    identified, evidence = found.identified, found.evidence
    return {
        'angles': sum(map(len, evidence.readings.values())),
        'positions': len(evidence.feet),
        'touches': len(evidence.touches),
        'verdict': list(found.verdict),
        'scatter': {
            'angles': identified.scatter.readings,
            'feet': identified.scatter.feet,
            'markers': identified.scatter.markers,
            'touches': identified.scatter.touches,
        },
        'left_out': [
            {
                'kind': each.kind,
                'name': each.name,
                'place': each.place,
                'coordinate': each.coordinate,
                'given': each.given,
                'expected': each.expected,
            }
            for each in identified.suspects
        ],
        'legs': {
            name: {
                **{
                    f'{segment}_mm': _mm(length)
                    for segment, length in zip(SEGMENTS, leg.lengths, strict=True)
                },
                'mount_mm': [_mm(each) for each in leg.position],
                'mount_rpy_deg': [degrees(each) for each in leg.rpy],
                **({'marker_mm': [_mm(each) for each in leg.marker]} if leg.marker else {}),
            }
            for name, leg in identified.legs.items()
        },
        'joints': {
            name: {
                'lowest_us': joint.span_us[0],
                'highest_us': joint.span_us[1],
                'coefficients_deg': [degrees(each) for each in joint.coefficients],
                'lag_deg': degrees(joint.lag.value),
                'lag_standard_error_deg': degrees(joint.lag.standard_error),
            }
            for name, joint in identified.joints.items()
        },
    }


def _mm(estimate: Estimate) -> dict[str, float]:
    return {'value': 1e3 * estimate.value, 'standard_error': 1e3 * estimate.standard_error}
