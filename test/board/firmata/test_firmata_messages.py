# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Messages of the Firmata protocol: the examples of its text, and whatever else a line brings."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.board.firmata import messages
from leg_kinematics.board.firmata.messages import (
    Capabilities,
    Decoder,
    Firmware,
    Message,
    PinState,
    Text,
    Version,
)
from leg_kinematics.errors import FrameError


@pytest.mark.parametrize(
    ('data', 'expected'),
    [
        (messages.servo_config(9, 544, 2400), 'F0 70 09 20 04 60 12 F7'),
        (messages.pin_mode(9, messages.SERVO), 'F4 09 04'),
        (messages.servo_write(9, 1500), 'E9 5C 0B'),
        (messages.servo_write(20, 1500), 'F0 6F 14 5C 0B F7'),
        (messages.version_query(), 'F9'),
        (messages.firmware_query(), 'F0 79 F7'),
        (messages.capability_query(), 'F0 6B F7'),
        (messages.pin_state_query(5), 'F0 6D 05 F7'),
    ],
)
def test_messages_to_the_board(data: bytes, expected: str) -> None:
    """By the text of the protocol, https://github.com/firmata/protocol, 2.8.0."""
    assert data == bytes.fromhex(expected)


#: Layouts by the same text; the names and numbers in them are ours.
ANSWERS: list[tuple[str, Message]] = [
    ('F9 02 08', Version(2, 8)),
    ('F0 79 02 08 46 00 65 00 F7', Firmware(2, 8, 'Fe')),
    # Pin 0 without any mode, pin 1 with input and servo of 14 bits, pin 2 with output.
    ('F0 6C 7F 00 01 04 0E 7F 01 01 7F F7', Capabilities(3, frozenset({1}))),
    ('F0 6E 09 04 5C 0B F7', PinState(9, 4, 1500)),
    ('F0 6E 09 01 00 F7', PinState(9, 1, 0)),
    ('F0 71 48 00 69 00 F7', Text('Hi')),
]


@pytest.mark.parametrize(('data', 'expected'), ANSWERS)
def test_messages_from_the_board(data: str, expected: Message) -> None:
    """Each is found, whole or byte by byte, and between others that do not concern us."""
    analog, digital, unknown = 'E3 01 02', '91 7F 00', 'F0 0A 01 02 F7'
    stream = bytes.fromhex(f'{analog}{data}{digital}{unknown}{data}')
    decoder = Decoder()
    assert decoder.feed(stream) == [expected, expected]
    one_by_one = [message for byte in stream for message in decoder.feed(bytes((byte,)))]
    assert one_by_one == [expected, expected]


@pytest.mark.parametrize(
    'data', ['7F', 'F0 F0 F7', 'F9 02 F9 02 08', 'F0 6E 09 F7', 'F0 79 02 F7', 'F9 F7', 'F0 F7']
)
def test_what_is_no_message_is_told(data: str) -> None:
    """Bytes outside of a message, messages cut off, and messages too short."""
    found = Decoder().feed(bytes.fromhex(data))
    assert any(isinstance(message, FrameError) for message in found)


@given(st.binary(max_size=200) | st.lists(st.sampled_from(b'\xf0\xf7\xf9\x6e\x6c\x79\x7f\x04')))
def test_after_any_bytes_the_next_message_is_found(noise: bytes | list[int]) -> None:
    """Whatever came before, the decoder neither fails nor stays lost."""
    decoder = Decoder()
    decoder.feed(bytes(noise))
    assert decoder.feed(bytes.fromhex('F9 02 08'))[-1] == Version(2, 8)


def test_a_message_without_an_end_is_given_up() -> None:
    """A board that babbles takes no more memory than a long message."""
    decoder = Decoder()
    found = decoder.feed(b'\xf0' + 10 * messages.LONGEST_SYSEX * b'\x01')
    assert isinstance(found[0], FrameError)
    assert decoder.feed(bytes.fromhex('F9 02 08'))[-1] == Version(2, 8)
