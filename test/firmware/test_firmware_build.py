# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The shipped firmware is what its source says, and small enough for the chip."""

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import frames
from leg_kinematics.board.frames import Enable, Limits, Pose

if TYPE_CHECKING:
    from test.simulated_chip import Chip

FLASH, RAM = 32_768 - 2_048, 2_048
"""Bytes of the ATmega328P beside the largest boot loader (data sheet, 27.8)."""
STACK = 512
"""Bytes of RAM left for calls, more than twice of what they need."""


Make = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def make_firmware(tmp_path: Path, hex_file: Path) -> Make:
    """Build the firmware to ``board.hex`` in the test's folder."""
    if shutil.which('avr-gcc') is None:
        pytest.skip("Debian's gcc-avr is absent")
    command = ['make', '-f', str(hex_file.with_name('firmware.mk')), 'firmware']

    def build(*variables: str) -> subprocess.CompletedProcess[str]:
        target = f'FIRMWARE_HEX={tmp_path / "board.hex"}'
        return subprocess.run(
            [*command, target, *variables], check=False, capture_output=True, text=True
        )

    return build


def test_the_shipped_file_is_built_from_the_source(
    make_firmware: Make, tmp_path: Path, hex_file: Path
) -> None:
    """Building again gives the same bytes, and they fit the chip with its stack."""
    built = make_firmware()
    assert built.returncode == 0, built.stderr
    assert (tmp_path / 'board.hex').read_bytes() == hex_file.read_bytes()
    rows = [line.split() for line in built.stdout.splitlines()]
    (sizes,) = [row for row in rows if len(row) == 6 and row[0].isdigit()]
    text, data, bss = (int(number) for number in sizes[:3])
    print(f'\nflash {text + data} bytes, RAM {data + bss} bytes')  # noqa: T201
    assert text + data <= FLASH
    assert data + bss <= RAM - STACK


def test_it_can_be_built_for_100_hz(
    make_firmware: Make, tmp_path: Path, new_chip: Callable[..., 'Chip']
) -> None:
    """Built so, the longest pulses come a hundred times a second in all channels."""
    built = make_firmware('FRAME_HZ=100')
    assert built.returncode == 0, built.stderr
    chip = new_chip(program=tmp_path / 'board.hex')
    for channel in range(frames.CHANNELS):
        chip.say(Limits(channel, 500.0, 2500.0))
    chip.say(Pose((2500.0,) * frames.CHANNELS))
    chip.say(Enable(2**frames.CHANNELS - 1))
    chip.run(0.1)
    chip.pulses()
    chip.run(0.1)
    widths = [pulse.width_us for pulse in chip.pulses()]
    chip.free()
    assert len(widths) == pytest.approx(10 * frames.CHANNELS, abs=frames.CHANNELS)
    assert widths == pytest.approx([2500.0] * len(widths), abs=2.0)


def test_it_cannot_be_built_for_too_many_hertz(make_firmware: Make) -> None:
    """Where the pulses do not fit in a frame the compiler says so."""
    built = make_firmware('FRAME_HZ=150')
    assert built.returncode != 0
    assert 'the pulses do not fit in a frame' in built.stderr
