# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The shipped firmware is what its source says, and small enough for the chip."""

import shutil
import subprocess
from pathlib import Path

import pytest

FLASH, RAM = 32_768 - 2_048, 2_048
"""Bytes of the ATmega328P beside the largest boot loader (Microchip DS40002061B, 27.8)."""
STACK = 512
"""Bytes of RAM left for calls, more than twice of what they need."""


def test_the_shipped_file_is_built_from_the_source(tmp_path: Path, hex_file: Path) -> None:
    """Building again gives the same bytes, and they fit the chip with its stack."""
    if shutil.which('avr-gcc') is None:
        pytest.skip("Debian's gcc-avr is absent")
    command = ['make', '-f', str(hex_file.with_name('firmware.mk')), 'firmware']
    target = f'FIRMWARE_HEX={tmp_path / "board.hex"}'
    built = subprocess.run([*command, target], check=False, capture_output=True, text=True)
    assert built.returncode == 0, built.stderr
    assert (tmp_path / 'board.hex').read_bytes() == hex_file.read_bytes()
    rows = [line.split() for line in built.stdout.splitlines()]
    (sizes,) = [row for row in rows if len(row) == 6 and row[0].isdigit()]
    text, data, bss = (int(number) for number in sizes[:3])
    print(f'\nflash {text + data} bytes, RAM {data + bss} bytes')  # noqa: T201
    assert text + data <= FLASH
    assert data + bss <= RAM - STACK
