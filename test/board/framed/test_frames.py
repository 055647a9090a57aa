# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The codec against the vectors of others, its own page, and a line that spoils bytes."""

import re
from importlib.resources import files

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.frames import (
    Ack,
    BootReason,
    Enable,
    Frame,
    FrameDecoder,
    Hello,
    Identity,
    Limits,
    Message,
    MessageType,
    Period,
    Pose,
    Reason,
    Refused,
    Release,
    SettingsReport,
    SettingsRequest,
    Silence,
    StatusReport,
    StatusRequest,
    Store,
    Supply,
    cobs_decode,
    cobs_encode,
    crc16,
    encode,
)
from leg_kinematics.errors import CommandError, FrameError

BYTE, WORD, LONG = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
PULSES = WORD.map(lambda half_us: half_us / 2)
HALVES = st.integers(0, 1)
TYPES = st.sampled_from(MessageType)

MESSAGES: st.SearchStrategy[Message] = st.one_of(
    st.builds(Hello),
    st.builds(Limits, BYTE, PULSES, PULSES, st.booleans()),
    st.builds(Silence, st.sampled_from(Reaction), WORD),
    st.builds(Enable, LONG),
    st.builds(Pose, st.tuples(*[PULSES] * frames.CHANNELS)),
    st.builds(Release),
    st.builds(StatusRequest),
    st.builds(Supply, WORD, WORD),
    st.builds(Period, WORD),
    st.builds(Store),
    st.builds(SettingsRequest, HALVES),
    st.builds(
        Identity,
        *(BYTE, BYTE, BYTE, BYTE, WORD),
        st.sampled_from(BootReason),
        st.tuples(*[PULSES] * frames.CHANNELS),
    ),
    st.builds(Ack, TYPES),
    st.builds(Refused, TYPES, st.sampled_from(Reason), BYTE),
    st.builds(StatusReport, LONG, WORD, WORD, WORD, WORD, LONG, st.booleans(), WORD),
    st.builds(
        SettingsReport,
        HALVES,
        st.sampled_from(Reaction),
        *(WORD, WORD, WORD, WORD, LONG),
        st.tuples(*[st.tuples(PULSES, PULSES)] * frames.HALF),
    ),
)
FRAMES = st.builds(Frame, MESSAGES, BYTE)

WORKED = re.compile(r'^\| `(.+\))` \| (\d+) \| `([0-9a-f ]+)` \|$', re.MULTILINE)
PAGE = files('leg_kinematics.board.framed').joinpath('protocol.md').read_text(encoding='utf-8')
EXAMPLES = [
    (Frame(eval(message), int(seq)), bytes.fromhex(data))  # noqa: S307 - our own page
    for message, seq, data in WORKED.findall(PAGE)
]

# Without the delimiter, from the README of the npm package cobs and the Rosetta Code task on it.
# The algorithm is Cheshire & Baker, IEEE/ACM Transactions on Networking 7(2), 1999, whose text was
# not seen.
COBS_VECTORS = [
    ('', '01'),
    ('00', '01 01'),
    ('11 22 00 33', '03 11 22 02 33'),
    ('11 00 00 00', '02 11 01 01 01'),
    (bytes(range(1, 255)).hex(), 'ff' + bytes(range(1, 255)).hex()),
]


@pytest.mark.parametrize(('data', 'encoded'), COBS_VECTORS)
def test_cobs_gives_the_bytes_of_others(data: str, encoded: str) -> None:
    """Encoding and decoding agree with the vectors."""
    assert cobs_encode(bytes.fromhex(data)) == bytes.fromhex(encoded)
    assert cobs_decode(bytes.fromhex(encoded)) == bytes.fromhex(data)


def test_cobs_accepts_the_trailing_block_of_the_papers_listing() -> None:
    """A full last block may be followed by an empty one."""
    data = bytes(range(1, 255))
    assert cobs_decode(b'\xff' + data + b'\x01') == data


@given(st.binary(max_size=1100))
def test_cobs_round_trip(data: bytes) -> None:
    """Any bytes come back, and none of the encoded ones is zero."""
    encoded = cobs_encode(data)
    assert 0 not in encoded
    assert cobs_decode(encoded) == data


@pytest.mark.parametrize('encoded', ['02', '05 01 02 03', '02 00'])
def test_cobs_refuses_what_is_not_encoded(encoded: str) -> None:
    """A block cut short or a zero byte inside is an error."""
    with pytest.raises(FrameError):
        cobs_decode(bytes.fromhex(encoded))


def test_crc_gives_the_catalogue_value() -> None:
    """CRC RevEng catalogue, CRC-16/IBM-3740: check 0x29B1, residue 0."""
    assert crc16(b'123456789') == 0x29B1
    assert crc16(b'123456789\x29\xb1') == 0


def test_page_shows_every_message() -> None:
    """The worked frames leave no type of message out."""
    assert {type(frame.message) for frame, _ in EXAMPLES} == set(frames.MESSAGES.values())


@pytest.mark.parametrize(('frame', 'data'), EXAMPLES)
def test_page_agrees_with_the_codec(frame: Frame, data: bytes) -> None:
    """Each worked frame is what the codec makes and reads."""
    assert encode(frame.message, frame.seq) == data
    assert FrameDecoder().feed(data) == [frame]


def test_page_lists_every_number() -> None:
    """Each type and each reason stands in a table of the page under its name."""
    rows = dict(re.findall(r'^\| ([0-9a-f]{2}) \| ([A-Z ]+) \|', PAGE, re.MULTILINE))
    assert {int(number, 16): name for number, name in rows.items()} == {
        kind.value: kind.name.replace('_', ' ') for kind in MessageType
    }
    reasons = dict(re.findall(r'^\| (\d) \| ([a-z ]+) \|', PAGE, re.MULTILINE))
    assert {int(number): name for number, name in reasons.items()} == {
        reason.value: reason.name.lower().replace('_', ' ') for reason in Reason
    }


@given(FRAMES)
def test_message_round_trip(frame: Frame) -> None:
    """Every message comes back as it was, in fewer than 64 bytes with one zero at the end."""
    data = encode(frame.message, frame.seq)
    assert len(data) < 64
    assert data.index(0) == len(data) - 1
    assert FrameDecoder().feed(data) == [frame]


@given(st.lists(FRAMES, max_size=6), st.integers(1, 9))
def test_decoder_does_not_care_how_bytes_are_cut(sent: list[Frame], size: int) -> None:
    """The same frames come out whatever the pieces the stream arrives in."""
    stream = b''.join(encode(frame.message, frame.seq) for frame in sent)
    decoder = FrameDecoder()
    pieces = [stream[start : start + size] for start in range(0, len(stream), size)]
    assert [item for piece in pieces for item in decoder.feed(piece)] == sent


@given(st.floats(0.0, 2500.0))
def test_a_pulse_is_rounded_to_the_nearest_half_microsecond(pulse_us: float) -> None:
    """What arrives differs from what was asked by a quarter of a microsecond at most."""
    data = encode(Pose((pulse_us,) * frames.CHANNELS), 0)
    (frame,) = FrameDecoder().feed(data)
    assert isinstance(frame, Frame)
    assert isinstance(frame.message, Pose)
    assert abs(frame.message.pulses_us[0] - pulse_us) <= 0.25


@pytest.mark.parametrize('pulse_us', [float('nan'), float('inf'), -1.0, 40_000.0])
def test_a_pulse_that_is_no_pulse_is_not_encoded(pulse_us: float) -> None:
    """Not finite, negative and too long are refused before anything is sent."""
    with pytest.raises(CommandError, match='pulse'):
        encode(Pose((pulse_us,) * frames.CHANNELS), 0)


def test_a_pose_of_the_wrong_size_is_not_encoded() -> None:
    """A pose with too few channels is an error that names the message."""
    with pytest.raises(CommandError, match='Pose'):
        encode(Pose((1500.0,)), 0)


@pytest.mark.parametrize(('frame', 'data'), EXAMPLES)
def test_no_single_fault_yields_a_message(frame: Frame, data: bytes) -> None:
    """Every bit turned over, every byte lost and every cut gives no message, and the next comes.

    What remains may hold the very frame that was sent, where only its zero byte was hit.
    """
    after = Frame(StatusRequest(), 200)
    follow = b'\0' + encode(after.message, after.seq)
    spoiled = [
        *(
            data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :]
            for at in range(len(data) - 1)
            for bit in range(8)
        ),
        *(data[:at] + data[at + 1 :] for at in range(len(data) - 1)),
        *(data[:at] for at in range(1, len(data) - 1)),
    ]
    for stream in spoiled:
        *wrong, last = FrameDecoder().feed(stream + follow)
        assert last == after
        assert wrong
        assert all(isinstance(item, FrameError) for item in wrong), frame


# The CRC lets one spoiled frame in 65536 through, so these examples are the same in every run.
@settings(derandomize=True, max_examples=400)
@given(
    st.lists(FRAMES, min_size=1, max_size=4),
    st.lists(
        st.tuples(st.sampled_from(['flip', 'drop', 'insert', 'copy']), WORD, WORD), max_size=6
    ),
)
def test_a_spoiled_stream_yields_nothing_that_was_not_sent(
    sent: list[Frame], faults: list[tuple[str, int, int]]
) -> None:
    """Flipped, lost, inserted and spliced bytes never make a message; the next good one arrives."""
    stream = bytearray(b''.join(encode(frame.message, frame.seq) for frame in sent))
    for fault, where, what in faults:
        at = where % len(stream)
        match fault:
            case 'flip':
                stream[at] ^= 1 << what % 8
            case 'drop' if len(stream) > 1:
                del stream[at]
            case 'insert':
                stream.insert(at, what % 256)
            case 'copy':
                stream[at:at] = stream[what % len(stream) :][:20]
    after = Frame(Hello(), 77)
    found = FrameDecoder().feed(bytes(stream) + b'\0' + encode(after.message, after.seq))
    assert found[-1] == after
    assert all(isinstance(item, FrameError) or item in sent for item in found[:-1])


@given(st.binary(max_size=400))
def test_any_bytes_are_survived(noise: bytes) -> None:
    """The decoder never raises and finds the frame after the noise."""
    after = Frame(Hello(), 1)
    found = FrameDecoder().feed(noise + b'\0' + encode(after.message, after.seq))
    assert found[-1] == after


def test_an_endless_run_is_one_error() -> None:
    """However long a run without a zero byte is, it is one bad frame, and the next is read."""
    decoder = FrameDecoder()
    for _ in range(1000):
        assert decoder.feed(b'\x55' * 100) == []
    wrong, good = decoder.feed(b'\0' + encode(Hello(), 3))
    assert isinstance(wrong, FrameError)
    assert 'without a zero byte' in str(wrong)
    assert good == Frame(Hello(), 3)


def checked(content: bytes) -> bytes:
    """Frame any content with a right checksum."""
    return cobs_encode(content + crc16(content).to_bytes(2, 'big')) + b'\0'


@pytest.mark.parametrize(
    ('content', 'complaint'),
    [
        (b'\x7f\x00', 'no message has type 0x7f'),
        (b'\x05\x00\x01', 'Pose has a body of 36 bytes, got 1'),
        (b'\x03\x00\x09\x01\x00', 'Silence holds a number without a meaning'),
        (b'\x02\x00\x00\xb0\x04\xc0\x12\x02', 'Limits holds a number without a meaning'),
        (b'\x0b\x00\x02', 'SettingsRequest holds a number without a meaning'),
        (b'\x05', 'too few'),
    ],
)
def test_a_sound_frame_without_meaning_is_an_error(content: bytes, complaint: str) -> None:
    """Unknown types, wrong sizes and unknown numbers are told apart in the message."""
    (error,) = FrameDecoder().feed(checked(content))
    assert isinstance(error, FrameError)
    assert complaint in str(error)
