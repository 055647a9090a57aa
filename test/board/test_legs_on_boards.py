# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Legs on the bench on running boards: the firmware on a chip, with joints at its pins."""

import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Boards, BoardSpec, Reaction, SilenceAction
from leg_kinematics.board.simulated.true_servo import TrueServo
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.leg_bench import DrivenLegs
from leg_kinematics.chain.outputs import pulse_limits

if TYPE_CHECKING:
    from test.board.conftest import Until
    from test.joints_on_chip import JointsOnChip
    from test.simulated_chip import ChipProcess
else:
    from joints_on_chip import JointsOnChip

CONFIG = Path(__file__).parents[2] / 'config'
LEG = 'left_front'
COXA, FEMUR = f'{LEG}_coxa', f'{LEG}_femur'

#: Longer than a busy machine keeps a process from its turn, s.
SILENCE = 2.0

#: rad/s.
SPEED = 1.0


def test_on_the_firmware(chip_process: 'ChipProcess', until: 'Until') -> None:
    """The chip puts out what the bench says, no faster than told, and nothing beyond the maps.

    Its servos are those of the maps, but for a horn that sits 5 deg aside, and the joint is there.
    By hand: the coxa of the example map has 636.62 us/rad and 1508 us at 0 rad, so that 0.2 rad are
    1635.5 us, as a board rounds it. Widths of pulses are those that the simulated pins had, within
    2 us as in the other tests of the chip.
    """
    calibrated = CalibratedRobot.load(
        CONFIG / 'robots' / 'bench_leg.yaml', CONFIG / 'servo_maps' / 'bench_leg.yaml'
    )
    joints = JointsOnChip(chip_process, {0: TrueServo(0, gain=11.11, horn_offset=5.0)})
    boards = Boards(
        [BoardSpec('main', 'framed', str(chip_process.port))],
        pulse_limits(calibrated.maps.maps),
        SilenceAction(Reaction.RELEASE, SILENCE),
    )
    bench = DrivenLegs(calibrated, [LEG], boards, speed=SPEED)

    def stepped(condition: Callable[[], object]) -> None:
        def step() -> object:
            bench.step(time.monotonic())
            return condition()

        until(step)

    bench.open()
    try:
        stepped(lambda: bench.condition().state == 'no leg has pulses')
        assert chip_process.pulses() == []
        assert bench.power().success
        stepped(lambda: bench.stand(LEG) is not None)
        assert bench.go([{COXA: 0.3}, {COXA: 0.2, FEMUR: 1.1}]).success
        stepped(lambda: bench.stand(LEG) is not None)
        stand = bench.stand(LEG)
        assert stand is not None
        assert (stand.pulses_us[0], stand.sides[0]) == (1635.5, -1)
        assert joints.angles()[0] == pytest.approx(5.0 + (1635.5 - 1500.0) / 11.11, abs=0.5)
        assert bench.release().success or not bench.release_confirmed
        stepped(lambda: bench.release_confirmed)
    finally:
        bench.close()
    check_pulses(chip_process, stand.pulses_us[0])


def check_pulses(chip: 'ChipProcess', last_us: float) -> None:
    """See that the coxa has come to its pulse, and how fast."""
    pulses = [each for each in chip.pulses() if each.channel == 0]
    assert pulses[-1].width_us == pytest.approx(last_us, abs=2.0)
    assert max(each.width_us for each in pulses) == pytest.approx(1508.0 + 0.3 * 636.62, abs=3.0)
    for before, after in pairwise(pulses):
        # A pulse comes every 20 ms or later; on a busy machine two poses may fall into one period.
        assert abs(after.width_us - before.width_us) <= SPEED * 636.62 * 0.1
