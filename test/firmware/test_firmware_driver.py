# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The serial driver in a conversation with the firmware behind a real pty."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board.driver import Reaction, SilenceAction
from leg_kinematics.board.framed import FramedDriver
from leg_kinematics.errors import RefusedError

if TYPE_CHECKING:
    from test.firmware.conftest import Chip

LIMITS = dict.fromkeys(range(18), (600.0, 2400.0))
HOLD = SilenceAction(Reaction.HOLD, 20.0)
POSE = {channel: 1000.0 + 50.5 * channel for channel in range(18)}


def wait_until(condition: Callable[[], object]) -> None:
    """Wait until something is true; the time allowed is for a machine under heavy load."""
    deadline = time.monotonic() + 30.0
    while not condition():
        assert time.monotonic() < deadline, 'waited in vain'
        time.sleep(0.01)  # the driver tells of nothing by itself


def test_the_driver_drives_the_firmware(chip: 'Chip', firmware_port: Path) -> None:
    """Identify, limits, pose, enable, pose after pose, release: the pins do what was meant."""
    driver = FramedDriver(str(firmware_port))
    try:
        identity = driver.open()
        assert (identity.firmware, identity.channels, identity.boots) == ('1.0', 18, 1)
        assert identity.boot_reason == 'power on'
        assert identity.enabled == frozenset()
        driver.configure(LIMITS, HOLD)
        driver.set_pulses(POSE)
        driver.enable(range(18))
        wait_until(lambda: len(driver.status().enabled) == 18)
        chip.pulses()
        began = chip.now
        wait_until(lambda: chip.now > began + 0.06)
        last = {pulse.channel: pulse.width_us for pulse in chip.pulses() if pulse.start > began}
        assert last == pytest.approx(POSE, abs=2.0)
        moved = {channel: pulse + 100.0 for channel, pulse in POSE.items()}
        driver.set_pulses(moved)
        wait_until(lambda: driver.status().traffic.acknowledged >= 22)
        began = chip.now
        wait_until(lambda: chip.now > began + 0.06)
        last = {pulse.channel: pulse.width_us for pulse in chip.pulses()}
        assert last == pytest.approx(moved, abs=2.0)
        wait_until(lambda: driver.status().supply)
        assert driver.status().supply == pytest.approx(5.0, abs=0.03)
        driver.release()
        wait_until(lambda: not driver.status().enabled)
        began = chip.now
        wait_until(lambda: chip.now > began + 0.06)
        assert [pulse for pulse in chip.pulses() if pulse.start > began + 0.02] == []
        with pytest.raises(RefusedError, match='no pulse'):
            driver.enable([0])
        traffic = driver.status().traffic
        assert traffic.bad == 0
    finally:
        driver.close()
