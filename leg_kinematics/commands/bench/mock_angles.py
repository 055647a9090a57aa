# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Angles of the robot on the mock, read off as a person would, so that feet can be surveyed."""

from collections.abc import Sequence
from math import radians
from pathlib import Path
from random import Random

from leg_kinematics.board.simulated.true_servo import TrueServo
from leg_kinematics.calibration.joint_notes import INSET_US, PULSES
from leg_kinematics.calibration.joint_readings import AngleRead
from leg_kinematics.calibration.measured import Approach, Reading
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.bench.calibration_session import joint_tasks
from leg_kinematics.commands.bench.mock_robot import TrueRobot, truth_beside

#: A protractor is read within ± 1 degree nearly always: twice this (common practice, no source).
SCATTER_DEG = 0.5

APPROACHES: tuple[Approach, Approach] = ('up', 'down')


def read_angles(
    calibrated: CalibratedRobot, legs: Sequence[str], maps: Path, file: ReadingsFile
) -> int:
    """Read the angles of those joints of which none was read yet; returns how many that were."""
    robot, present = calibrated.robot.part(legs), calibrated.maps.by_joint
    tasks = joint_tasks(robot, list(present.values()))
    truth = TrueRobot.at(truth_beside(maps), robot, tasks, present)
    count = 0
    for task in tasks:
        if file.readings(task.joint):
            continue
        servo_map, chance = present[task.joint], Random(f'angles of {task.joint}')
        low, high = servo_map.lowest_us + INSET_US, servo_map.highest_us - INSET_US
        for approached in APPROACHES:
            for step in range(PULSES):
                pulse = float(round(low + (high - low) * step / (PULSES - 1)))
                seen = _stands(truth.servos[task.joint], pulse, approached)
                angle = radians(round(2.0 * (seen + chance.gauss(0.0, SCATTER_DEG))) / 2.0)
                file.add(AngleRead(task.joint, Reading(pulse, angle, approached)))
                count += 1
    return count


def _stands(servo: TrueServo, pulse: float, approached: Approach) -> float:
    """Return where a joint comes to rest, deg: half of slack and dead band short of its angle."""
    behind = (servo.slack + servo.dead_band_us / abs(servo.gain)) / 2.0
    rises = (approached == 'up') == (servo.gain > 0.0)
    return servo.angle(pulse) - (behind if rises else -behind)
