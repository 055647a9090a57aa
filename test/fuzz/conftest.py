# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What both fuzzers begin with: the worked frames of the protocol, as inputs.

What an input means is written at the top of ``firmware_fuzzer.c``.
"""

import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest

from leg_kinematics.board import frames

RAW, FRAME, SPOILT, CUT, AGAIN, WAIT, RESET, VOLTAGE = range(8)


def _contents() -> Iterator[bytes]:
    """Give what the host says in the worked conversation, without checksums."""
    page = (files('leg_kinematics.board') / 'protocol.md').read_text(encoding='utf-8')
    for row in re.findall(r'^\| `.*\| \d+ \| `([0-9a-f ]+) 00` \|$', page, re.MULTILINE):
        content = frames.cobs_decode(bytes.fromhex(row))[:-2]
        if content[0] < frames.MessageType.IDENTITY:
            yield content


@pytest.fixture
def seeds(tmp_path: Path) -> Path:
    """Make a folder of inputs: the worked conversation whole, piece by piece, and disturbed."""
    contents = list(_contents())
    assert len(contents) > 5
    sized = [bytes((len(content),)) + content for content in contents]
    good = [bytes((FRAME,)) + content for content in sized]
    inputs = [
        *good,
        *(bytes((SPOILT, 5, 1)) + content for content in sized),
        *(bytes((CUT, 5)) + content for content in sized),
        b''.join(good),
        b''.join(step + bytes((WAIT, 30)) for step in good),
        b''.join(step + bytes((AGAIN,)) for step in good),
        b''.join(good[:-1]) + bytes((RESET, 8)) + good[-1],
        bytes((VOLTAGE, 225, 0, RAW, 3, 1, 0, 0xFF)) + good[0],
    ]
    folder = tmp_path / 'seeds'
    folder.mkdir()
    for number, data in enumerate(inputs):
        (folder / f'seed-{number}').write_bytes(data)
    return folder
