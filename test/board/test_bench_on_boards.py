# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The servo bench on running boards: the mock as a process, and the firmware on a chip."""

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Boards, BoardSpec, Output, Reaction, SilenceAction
from leg_kinematics.board.simulated.true_servo import TrueServo, save_true_servos
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.servo_bench import ServoBench

if TYPE_CHECKING:
    from test.board.conftest import MockProcess, Until
    from test.joints_on_chip import JointsOnChip
    from test.simulated_chip import ChipProcess
else:
    from joints_on_chip import JointsOnChip

SERVO: Output = ('main', 3)

#: Longer than a busy machine keeps a process from its turn, s.
SILENCE = 2.0

#: The fastest that a servo is moved here, µs/s.
RAMP = 400.0


def bench_at(port: Path) -> ServoBench:
    """Sit down at a board."""
    ranges = {('main', channel): (500.0, 2500.0) for channel in range(18)}
    boards = Boards(
        [BoardSpec('main', 'framed', str(port))],
        ranges,
        SilenceAction(Reaction.RELEASE, SILENCE),
    )
    return ServoBench(boards, ranges, ramp_us_per_s=RAMP)


def work_through(bench: ServoBench, until: 'Until', at_the_end: Callable[[], bool]) -> None:
    """Power a servo, move it, look beyond what is free, and release it where it has come to."""

    def stepped(condition: Callable[[], bool]) -> None:
        def step() -> bool:
            bench.step(time.monotonic())
            assert not lost(), bench.condition()
            return condition()

        until(step)

    def lost() -> bool:
        """Whether a board did not hear us for so long that it took the pulses away."""
        return powered and bench.state not in {PowerState.FOLLOWING, PowerState.ENABLING}

    def settle() -> None:
        stepped(lambda: not bench.busy)

    powered = False
    bench.open()
    stepped(lambda: bench.status.found)
    stepped(lambda: bench.condition().state == 'no servo has pulses')
    assert bench.power(SERVO, 1500.0).success
    settle()
    powered = True
    assert bench.state is PowerState.FOLLOWING
    assert not bench.power(('main', 4)).success
    assert not bench.go(SERVO, 1600.0).success
    assert bench.allow(SERVO, 1450.0, 1600.0).success
    assert bench.go(SERVO, 1600.0).success
    settle()
    assert bench.look(SERVO, 40.0).success
    stepped(lambda: not bench.moving)
    assert bench.free(SERVO).success
    assert bench.go(SERVO, 1450.0).success
    stepped(at_the_end)
    powered = False
    assert bench.release().success or not bench.release_confirmed
    stepped(lambda: bench.release_confirmed)


def test_on_the_mock(
    start_mock: 'Callable[..., MockProcess]', until: 'Until', tmp_path: Path
) -> None:
    """The log holds every pulse that the mock was told; the protractor shows where it ended.

    By hand: 50 us below the middle at -10 us/deg are 5 deg, on a horn at 12 deg; the dead band
    leaves up to a quarter of a degree of it, and the protractor shows tenths.
    """
    truth, angles = tmp_path / 'servos.json', tmp_path / 'angles.json'
    save_true_servos(truth, {3: TrueServo(3, gain=-10.0, horn_offset=12.0)})
    mock = start_mock('--true-servos', str(truth), '--protractor', str(angles))
    bench = bench_at(mock.port)
    try:
        work_through(
            bench,
            until,
            lambda: bool(json.loads(angles.read_text())['3'] == pytest.approx(17.0, abs=0.3)),
        )
    finally:
        bench.close()
    poses = [each.pulses_us for each in mock.records('pose')]
    assert all(set(pulses) == {3} for pulses in poses)
    sent = [pulses[3] for pulses in poses]
    assert sent[0] == 1500.0
    assert (min(sent), max(sent)) == (1450.0, 1640.0)
    assert [each.enabled for each in mock.records('enable')] == [1 << 3]
    assert mock.records('release')[-1].enabled == 0


def test_on_the_firmware(chip_process: 'ChipProcess', until: 'Until') -> None:
    """Only the pin of this servo has pulses, the first and the farthest as they were ordered.

    Its plug is that of joint 4, which turns as on the mock.
    """
    joints = JointsOnChip(chip_process, {3: TrueServo(4, gain=-10.0, horn_offset=12.0)})
    bench = bench_at(chip_process.port)
    try:
        work_through(bench, until, lambda: bool(joints.angles()[4] == pytest.approx(17.0, abs=0.3)))
    finally:
        bench.close()
    pulses = chip_process.pulses()
    assert {pulse.channel for pulse in pulses} == {3}
    widths = [pulse.width_us for pulse in pulses]
    assert widths[0] == pytest.approx(1500.0, abs=2.0)
    # A pulse comes every 20 ms, so the farthest pose may have been replaced before its own.
    assert 1600.0 < max(widths) <= 1640.0 + 2.0
    assert min(widths) == pytest.approx(1450.0, abs=3.0)
