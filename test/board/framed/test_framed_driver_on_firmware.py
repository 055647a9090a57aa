# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The serial driver in a conversation with the firmware behind a real pty."""

import time
from collections.abc import Iterator
from typing import TYPE_CHECKING, NoReturn

import pytest

from leg_kinematics.board.driver import Reaction, SilenceAction
from leg_kinematics.board.framed.driver import FramedDriver
from leg_kinematics.errors import LinkLostError, RefusedError, SettingsDifferError

if TYPE_CHECKING:
    from test.simulated_chip import ChipProcess

LIMITS = dict.fromkeys(range(18), (600.0, 2400.0))
HOLD = SilenceAction(Reaction.HOLD, 20.0)
POSE = {channel: 1000.0 + 50.5 * channel for channel in range(18)}


def next_widths(chip_process: 'ChipProcess', driver: FramedDriver) -> dict[int, float]:
    """Wait for three frames from now on; give the last pulse of each channel."""
    since = time.monotonic()
    while not any(pulse.start > since + 0.06 for pulse in chip_process.pulses()):
        driver.refresh()  # an answer comes when the chip has gone on
    return {p.channel: p.width_us for p in chip_process.pulses() if p.start > since + 0.02}


def ask_for_ever(driver: FramedDriver) -> NoReturn:
    """Wait for one answer after the other; only the end of the conversation ends it."""
    while True:
        driver.refresh()


@pytest.fixture
def driver(chip_process: 'ChipProcess') -> Iterator[FramedDriver]:
    """Make a driver of the chip's port, and close it at the end."""
    made = FramedDriver(str(chip_process.port))
    yield made
    made.close()


def start(driver: FramedDriver) -> None:
    """Bring all channels into the pose."""
    driver.configure(LIMITS, HOLD)
    driver.set_pulses(POSE)
    driver.enable(range(18))
    assert driver.status().enabled == frozenset(range(18))


def test_the_driver_drives_the_firmware(chip_process: 'ChipProcess', driver: FramedDriver) -> None:
    """Identify, limits, pose, enable, pose after pose, release: the pins do what was meant."""
    identity = driver.open()
    assert (identity.firmware, identity.channels, identity.boots) == ('2.1', 18, 1)
    assert identity.boot_reason == 'power on'
    assert identity.enabled == frozenset()
    assert (identity.limits, identity.silence) == ({}, SilenceAction(Reaction.RELEASE, 0.5))
    start(driver)
    assert next_widths(chip_process, driver) == pytest.approx(POSE, abs=2.0)
    moved = {channel: pulse + 100.0 for channel, pulse in POSE.items()}
    driver.set_pulses(moved)
    assert driver.refresh().supply == pytest.approx(5.0, abs=0.03)  # answered after the pose
    assert next_widths(chip_process, driver) == pytest.approx(moved, abs=2.0)
    driver.release()
    status = driver.refresh()
    assert (status.enabled, status.traffic.bad) == (frozenset(), 0)
    with pytest.raises(RefusedError, match='no pulse'):
        driver.enable([0])
    widths = [pulse.width_us for pulse in chip_process.pulses()]
    assert all(any(abs(w - p) <= 2.0 for p in [*POSE.values(), *moved.values()]) for w in widths)


def test_a_reset_board_tells_it(chip_process: 'ChipProcess', driver: FramedDriver) -> None:
    """The conversation ends although the port stays; the next one finds the reason, no pulses."""
    driver.open()
    start(driver)
    chip_process.reset()
    with pytest.raises(LinkLostError, match='the board has restarted'):
        ask_for_ever(driver)
    assert not driver.status().connected
    assert 'the board has restarted' in driver.status().last_error
    driver.close()
    again = FramedDriver(str(chip_process.port))
    try:
        identity = again.open()
        assert (identity.boots, identity.boot_reason) == (2, 'watchdog')
        assert identity.enabled == frozenset()
    finally:
        again.close()


def test_the_board_remembers_the_limits_that_were_stored(
    chip_process: 'ChipProcess', driver: FramedDriver
) -> None:
    """After a reset it tells them, keeps others away and takes the same."""
    driver.open()
    driver.configure(LIMITS, HOLD, store=True)
    chip_process.reset()
    driver.close()
    again = FramedDriver(str(chip_process.port))
    try:
        identity = again.open()
        assert identity.boots == 2
        assert (identity.limits, identity.silence) == (LIMITS, HOLD)
        with pytest.raises(SettingsDifferError, match='channel 7 stores 600 to 2400 us'):
            again.configure(LIMITS | {7: (700.0, 2300.0)}, HOLD)
        again.configure(LIMITS, HOLD)
    finally:
        again.close()
