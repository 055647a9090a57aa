# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The shipped firmware is what its source says, and small enough for the chip."""

import shutil
import subprocess
from pathlib import Path

import pytest

FLASH, RAM = 32_768 - 2_048, 2_048
"""Bytes of the ATmega328P beside the largest boot loader (data sheet, 27.8)."""
STACK = 512
"""Bytes of RAM left for calls, more than twice of what they need."""


@pytest.fixture(scope='module')
def built(tmp_path_factory: pytest.TempPathFactory, hex_file: Path) -> tuple[Path, str]:
    """Build the firmware again; give the file and what the build printed."""
    if shutil.which('avr-gcc') is None:
        pytest.skip("Debian's gcc-avr is absent")
    target = tmp_path_factory.mktemp('firmware') / 'board.hex'
    command = ['make', '-f', str(hex_file.with_name('firmware.mk')), 'firmware']
    result = subprocess.run(
        [*command, f'FIRMWARE_HEX={target}'], check=True, capture_output=True, text=True
    )
    return target, result.stdout


def test_the_shipped_file_is_built_from_the_source(built: tuple[Path, str], hex_file: Path) -> None:
    """Building again gives the same bytes."""
    assert built[0].read_bytes() == hex_file.read_bytes()


def test_it_fits_the_chip(built: tuple[Path, str]) -> None:
    """Flash and RAM have room for it, its stack included."""
    rows = [line.split() for line in built[1].splitlines()]
    (sizes,) = [row for row in rows if len(row) == 6 and row[0].isdigit()]
    text, data, bss = (int(number) for number in sizes[:3])
    print(f'\nflash {text + data} bytes, RAM {data + bss} bytes')  # noqa: T201
    assert text + data <= FLASH
    assert data + bss <= RAM - STACK
