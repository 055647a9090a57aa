# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""At the bench: which joints are measured, boards found, and servos left as they are to be."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from time import monotonic, sleep

from rich.console import Console

from leg_kinematics.board import Boards, BoardSpec, Reaction, SilenceAction
from leg_kinematics.calibration import ServoMap
from leg_kinematics.calibration.horn import horn_fitting
from leg_kinematics.calibration.joint_notes import JointTask
from leg_kinematics.chain.servo_bench import ServoBench
from leg_kinematics.errors import BoardError
from leg_kinematics.robot import Robot
from leg_kinematics.solver import leg_solvers, posture_angles

#: The board of joints without a servo map.
FIRST_BOARD = 'main'

#: A board answers within this, or something is wrong, s.
FOUND_WITHIN = 5.0

#: A release that no board confirms is waited for so long, s.
RELEASED_WITHIN = 3.0

#: A board that has heard nothing for so long acts by itself, s.
SILENCE = 0.5

#: Between two looks at the boards, s.
TICK = 0.02

NOT_FOUND = (
    '{condition}. A port has one user: end a bridge or another program that has it. Look at cable, '
    'switch and the name of the port'
)

NOT_RELEASED = (
    'THE PULSES MAY STILL BE ON: {condition}. Use the switch of the battery before you touch '
    'anything'
)


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
    silence = SilenceAction(Reaction.HOLD if hold else Reaction.RELEASE, SILENCE)
    boards = Boards(list(map(BoardSpec.parse, specs)), ranges, silence, store_limits=store_limits)
    bench = ServoBench(boards, ranges)
    bench.open()
    released = True
    try:
        _find(bench)
        yield bench
    finally:
        if not hold and bench.status.found:
            released = _release(bench)
        condition = bench.condition()
        left = bench.close()
        console.print(left.words, highlight=False)
    if not released:
        raise BoardError(NOT_RELEASED.format(condition=condition))


def _find(bench: ServoBench) -> None:
    """Wait for the boards."""
    until = monotonic() + FOUND_WITHIN
    bench.step(monotonic())
    while not bench.status.found:
        if monotonic() > until:
            raise BoardError(NOT_FOUND.format(condition=bench.condition()))
        sleep(TICK)
        bench.step(monotonic())
    # So that what was found is known.
    bench.step(monotonic())


def _release(bench: ServoBench) -> bool:
    """Stop all pulses; tell whether every board has confirmed it."""
    bench.release()
    until = monotonic() + RELEASED_WITHIN
    while not bench.release_confirmed and monotonic() < until:
        sleep(TICK)
        bench.step(monotonic())
    return bench.release_confirmed
