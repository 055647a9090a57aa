# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Servos on the bench: which joints are measured, and the boards that they are connected to."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from rich.console import Console

from leg_kinematics.board import Boards, BoardSpec
from leg_kinematics.calibration import ServoMap
from leg_kinematics.calibration.horn import horn_fitting
from leg_kinematics.calibration.joint_notes import JointTask
from leg_kinematics.chain.servo_bench import ServoBench
from leg_kinematics.commands.bench.bench_session import opened, silence_action
from leg_kinematics.robot import Robot
from leg_kinematics.solver import leg_solvers, posture_angles

#: The board of joints without a servo map.
FIRST_BOARD = 'main'


def joint_tasks(robot: Robot, maps: Sequence[ServoMap]) -> tuple[JointTask, ...]:
    """Say what there is to be measured at every joint.

    A joint without a map is taken to be on the channel of its number in the robot.

    Raises
    ------
    DescriptionError
        The robot cannot take its postures.

    """
    legs = leg_solvers(robot)
    postures = [posture_angles(robot, legs, which) for which in ('resting', 'standing')]
    mapped = {each.joint: (each.board, each.channel) for each in maps}
    tasks: list[JointTask] = []
    for number, leg in enumerate(robot.legs):
        for place, (joint, link) in enumerate(zip(leg.joints, leg.links, strict=True)):
            used = [posture[number][place] for posture in postures]
            fitting = horn_fitting(link, (min(used), max(used)))
            output = mapped.get(joint, (FIRST_BOARD, len(tasks)))
            tasks.append(JointTask(joint, output, link.servo, (link.lower, link.upper), fitting))
    return tuple(tasks)


@contextmanager
def bench_at(
    specs: Sequence[str],
    tasks: Sequence[JointTask],
    console: Console,
    *,
    hold: bool,
    store_limits: bool,
) -> Iterator[ServoBench]:
    """Open a bench with the servos of the joints, and leave it with pulses off, or held.

    Parameters
    ----------
    specs
        The boards, as NAME=DRIVER:PORT.
    tasks
        The joints.
    console
        Where people read how it was left.
    hold
        Whether a servo that has pulses at the end keeps them.
    store_limits
        Whether limits that the boards keep from before are replaced.

    Raises
    ------
    BoardError
        A board is not found, or did not confirm that its pulses are off.

    """
    ranges = {task.output: task.servo.pulse_us for task in tasks}
    boards = Boards(
        list(map(BoardSpec.parse, specs)),
        ranges,
        silence_action(hold=hold),
        store_limits=store_limits,
    )
    with opened(ServoBench(boards, ranges), console, hold=hold) as bench:
        yield bench
