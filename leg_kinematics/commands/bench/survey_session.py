# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Legs on the bench: those that are surveyed, and the boards that they are connected to."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from rich.console import Console

from leg_kinematics.board import Boards, BoardSpec
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.leg_bench import SPEED, DrivenLegs
from leg_kinematics.chain.outputs import pulse_limits
from leg_kinematics.commands.bench.bench_session import opened, silence_action


def boards_of(calibrated: CalibratedRobot, legs: Sequence[str]) -> tuple[str, ...]:
    """Name the boards that some legs are connected to."""
    joints = calibrated.robot.part(legs).joints
    return tuple(dict.fromkeys(calibrated.maps.by_joint[joint].board for joint in joints))


@contextmanager
def legs_at(
    specs: Sequence[str],
    calibrated: CalibratedRobot,
    legs: Sequence[str],
    console: Console,
    *,
    hold: bool,
    store_limits: bool,
    speed: float = SPEED,
) -> Iterator[DrivenLegs]:
    """Open a bench with some legs of a robot, and leave it with pulses off, or held.

    Parameters
    ----------
    specs
        The boards of these legs, and no others, as NAME=DRIVER:PORT.
    calibrated
        The robot with its present maps.
    legs
        Names of those that are powered.
    console
        Where people read how it was left.
    hold
        Whether legs that have pulses at the end keep them.
    store_limits
        Whether limits that the boards keep from before are replaced.
    speed
        How fast a joint is moved at most, rad/s.

    Raises
    ------
    BoardError
        A board is not found, or did not confirm that its pulses are off.

    """
    joints = calibrated.robot.part(legs).joints
    boards = Boards(
        list(map(BoardSpec.parse, specs)),
        pulse_limits(calibrated.maps.by_joint[joint] for joint in joints),
        silence_action(hold=hold),
        store_limits=store_limits,
    )
    with opened(DrivenLegs(calibrated, legs, boards, speed=speed), console, hold=hold) as bench:
        yield bench
