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

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.frames import Enable, Limits, Message, Pose, Silence, Store

RAW, FRAME, SPOILT, CUT, AGAIN, WAIT, RESET, VOLTAGE = range(8)
WAITING = bytes((WAIT, 30))
STORING = 2 * bytes((WAIT, 200))


def _contents() -> Iterator[bytes]:
    """Give what the host says in the worked conversation, without checksums."""
    page = (files('leg_kinematics.board.framed') / 'protocol.md').read_text(encoding='utf-8')
    for row in re.findall(r'^\| `.*\| \d+ \| `([0-9a-f ]+) 00` \|$', page, re.MULTILINE):
        content = frames.cobs_decode(bytes.fromhex(row))[:-2]
        if content[0] < frames.MessageType.IDENTITY:
            yield content


def _say(*messages: Message) -> bytes:
    """Write messages as operations."""
    said = b''
    for number, message in enumerate(messages):
        content = frames.cobs_decode(frames.encode(message, number)[:-1])[:-2]
        said += bytes((FRAME, len(content))) + content
    return said


def _stories() -> Iterator[bytes]:
    """Give what the worked conversation leaves out: silence, a channel left out, a torn store."""
    limits = [Limits(channel, 600.0, 2400.0) for channel in range(3)]
    on = Pose((1900.0, 1500.0, 1700.0) + (0.0,) * 15)
    begin = _say(*limits, on, Enable(0b011))
    for reaction in Reaction:
        silent = _say(Silence(reaction, 20)) + begin + WAITING
        yield silent + _say(Enable(0b100)) + WAITING + _say(on, Enable(0b100)) + WAITING
    yield begin + _say(Pose((0.0,) * 18), Limits(0, 600.0, 1000.0)) + WAITING
    store = _say(*limits, Store())
    yield store + STORING + bytes((RESET, 8)) + _say(on, Enable(0b111)) + WAITING
    yield store + STORING + _say(Limits(1, 700.0, 2400.0)) + bytes((RESET, 1))
    yield store + WAITING + bytes((RESET, 1)) + _say(on)


@pytest.fixture
def seeds(tmp_path: Path) -> Path:
    """Make a folder of inputs: the worked conversation whole, in pieces, disturbed, and more."""
    contents = list(_contents())
    assert len(contents) > 5
    sized = [bytes((len(content),)) + content for content in contents]
    good = [bytes((FRAME,)) + content for content in sized]
    inputs = [
        *good,
        *(bytes((SPOILT, 5, 1)) + content for content in sized),
        *(bytes((CUT, 5)) + content for content in sized),
        b''.join(good),
        b''.join(step + WAITING for step in good),
        b''.join(step + bytes((AGAIN,)) for step in good),
        bytes((VOLTAGE, 225, 0, RAW, 3, 1, 0, 0xFF)) + good[0],
        *_stories(),
    ]
    folder = tmp_path / 'seeds'
    folder.mkdir()
    for number, data in enumerate(inputs):
        (folder / f'seed-{number}').write_bytes(data)
    return folder
