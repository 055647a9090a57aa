# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Spoilt streams by the thousand, for the codec and for the firmware's machine code.

Frames of all kinds, with bits turned over, pieces lost, spliced, repeated, reordered and noise
inserted, the same in every run. A 16-bit checksum lets one spoilt frame in 65536 through: what
counts as commanded is therefore what stands whole in the stream as it arrived, and how many
frames stand there that were never sent is counted and bounded.
"""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.frames import (
    Ack,
    Enable,
    Frame,
    FrameDecoder,
    Hello,
    Limits,
    Message,
    MessageType,
    Period,
    Pose,
    Release,
    SettingsRequest,
    Silence,
    StatusRequest,
    Store,
    encode,
)

if TYPE_CHECKING:
    from test.simulated_chip import Chip

STREAMS = 100_000
FEW_FOR_CODEC, FEW_FOR_FIRMWARE = 20_000, 500
ALL = 2**frames.CHANNELS - 1
CHANNELS = range(frames.CHANNELS)
GOOD = range(2 * 700, 2 * 2300 + 1)  # half µs
BAD_US = 2600.0
PERIOD = 0.010
BYTE = 20e-6
"""s on the line."""
WORST_US = 2.0
LATER = 0.001
"""s until a request is surely obeyed."""
HOLD = Silence(Reaction.HOLD, 65535)


@dataclass(frozen=True)
class Stream:
    """What was sent, as runs between zero bytes, and what arrived of it."""

    sent: frozenset[bytes]
    arrived: bytes

    @property
    def runs(self) -> list[bytes]:
        """Cut into what its zero bytes end."""
        return [run for run in self.arrived.split(b'\0')[:-1] if run]


def good_pose(rng: random.Random) -> Pose:
    """Give a pose within all limits, whose pulses no other pose is likely to have."""
    return Pose(tuple(map(frames.to_us, rng.choices(GOOD, k=frames.CHANNELS))))


def bad_pose(rng: random.Random) -> Pose:
    """Give a pose that one channel makes unacceptable."""
    pulses = list(good_pose(rng).pulses_us)
    pulses[rng.randrange(frames.CHANNELS)] = BAD_US
    return Pose(tuple(pulses))


MESSAGES: tuple[Callable[[random.Random], Message], ...] = (
    good_pose,
    good_pose,
    good_pose,
    good_pose,
    bad_pose,
    lambda rng: Enable(rng.getrandbits(18)),
    lambda rng: Limits(
        rng.randrange(20), rng.uniform(500, 700), rng.uniform(2300, 2500), replace=True
    ),
    lambda rng: rng.choice(
        [Hello(), StatusRequest(), SettingsRequest(0), Release(), Store(), HOLD]
    ),
)


def turn_over(rng: random.Random, line: bytes) -> bytes:
    """Turn a bit over."""
    at = rng.randrange(len(line))
    return line[:at] + bytes((line[at] ^ 1 << rng.randrange(8),)) + line[at + 1 :]


def lose(rng: random.Random, line: bytes) -> bytes:
    """Lose a piece."""
    at = rng.randrange(len(line))
    return line[:at] + line[at + rng.randint(1, 60) :]


def cut_off(rng: random.Random, line: bytes) -> bytes:
    """Lose the rest."""
    return line[: rng.randrange(len(line))]


def repeat(rng: random.Random, line: bytes) -> bytes:
    """Say the last bytes again."""
    at = rng.randrange(len(line))
    return line[:at] + line[max(0, at - rng.randint(1, 60)) :]


def reorder(rng: random.Random, line: bytes) -> bytes:
    """Exchange the beginning and the end."""
    at = rng.randrange(len(line))
    return line[at:] + line[:at]


def splice(rng: random.Random, line: bytes) -> bytes:
    """Go on in another frame, as far from its end as the present one has still to go."""
    at = rng.randrange(len(line))
    end = line.find(0, at)
    others = [other for other, byte in enumerate(line) if byte == 0]
    start = max(0, rng.choice([*others, end]) - (end - at))
    return line[:at] + line[start:]


def disturb(rng: random.Random, line: bytes) -> bytes:
    """Insert noise."""
    at = rng.randrange(len(line))
    return line[:at] + rng.randbytes(rng.randint(1, 12)) + line[at:]


FAULTS = (turn_over, lose, cut_off, repeat, reorder, splice, disturb)


def spoilt_streams(count: int) -> Iterator[Stream]:
    """Give so many streams."""
    rng = random.Random(5)
    for _ in range(count):
        said = [
            encode(rng.choice(MESSAGES)(rng), rng.randrange(256)) for _ in range(rng.randint(1, 6))
        ]
        line = b''.join(said)
        for _ in range(rng.randint(1, 4)):
            line = rng.choice(FAULTS)(rng, line) or b'\0'
        yield Stream(frozenset(frame[:-1] for frame in said), line + b'\0')


def check_codec(stream: Stream, decoder: FrameDecoder) -> tuple[int, int]:
    """Decode a stream in pieces; count the good frames in it and those never sent."""
    half = len(stream.arrived) // 2
    found = decoder.feed(stream.arrived[:half]) + decoder.feed(stream.arrived[half:])
    runs = stream.runs
    assert len(found) == len(runs)
    good = unsent = 0
    for item, run in zip(found, runs, strict=True):
        if isinstance(item, Frame):
            assert encode(item.message, item.seq) == run + b'\0'
            good += 1
            unsent += run not in stream.sent
        else:
            assert run not in stream.sent
    assert decoder.feed(encode(Hello(), 1)) == [Frame(Hello(), 1)]
    return good, unsent


@pytest.mark.parametrize('count', [FEW_FOR_CODEC, pytest.param(STREAMS, marks=pytest.mark.soak)])
def test_spoilt_streams_say_only_what_stands_in_them(count: int) -> None:
    """The codec reads the frames that are whole, and the good one after each stream."""
    decoder = FrameDecoder()
    good = unsent = spoilt = 0
    for stream in spoilt_streams(count):
        counts = check_codec(stream, decoder)
        good += counts[0]
        unsent += counts[1]
        spoilt += len(stream.runs) - counts[0]
    print(f'\n{good} good frames, {spoilt} spoilt, {unsent} good by chance')  # noqa: T201
    assert spoilt > count
    assert unsent <= 3 * spoilt / 2**16 + 3


class Walk:
    """The machine code, putting out pulses while spoilt streams arrive."""

    def __init__(self, chip: 'Chip') -> None:
        """Set it up."""
        self.chip = chip
        self.rng = random.Random(6)
        self.decoder = FrameDecoder()
        """Of what the board says: storing may be acknowledged at any time."""
        self.pulses = self.bad = self.unsent = 0
        self.before = Pose((0.0,) * frames.CHANNELS)
        assert chip.say(HOLD) == Ack(MessageType.SILENCE)
        assert chip.say(Period(round(1e6 * PERIOD))) == Ack(MessageType.PERIOD)
        for channel in CHANNELS:
            assert chip.say(Limits(channel, 700.0, 2300.0)) == Ack(MessageType.LIMITS)
        self.check(Stream(frozenset(), b'\0'))

    def check(self, stream: Stream) -> None:
        """See no pulse but of poses that stand in the stream, and the next good pose obeyed."""
        items = FrameDecoder().feed(stream.arrived)
        arrived = [item for item in items if isinstance(item, Frame)]
        self.bad += len(items) - len(arrived)
        self.unsent += sum(
            encode(item.message, item.seq)[:-1] not in stream.sent for item in arrived
        )
        after = good_pose(self.rng)
        poses = [item.message for item in arrived if isinstance(item.message, Pose)]
        allowed = [self.before, after, *(pose for pose in poses if BAD_US not in pose.pulses_us)]
        line = stream.arrived + encode(Hello(), 1) + encode(after, 2) + encode(Enable(ALL), 3)
        self.chip.feed(line)
        self.chip.run(len(line) * BYTE + LATER)
        obeyed = self.chip.now
        self.chip.run(2.5 * PERIOD)
        heard = self.decoder.feed(self.chip.sent())
        answers = [answer for answer in heard if isinstance(answer, Frame)]
        assert len(answers) == len(heard)
        in_turn = [answer for answer in answers if answer.message != Ack(MessageType.STORE)]
        assert in_turn[-2:] == [Frame(Ack(MessageType.POSE), 2), Frame(Ack(MessageType.ENABLE), 3)]
        last: dict[int, float] = {}
        for pulse in self.chip.pulses():
            self.pulses += 1
            assert any(
                abs(pulse.width_us - pose.pulses_us[pulse.channel]) <= WORST_US for pose in allowed
            ), pulse
            if pulse.start > obeyed + PERIOD:
                last[pulse.channel] = pulse.width_us
        widths = tuple(last[channel] for channel in CHANNELS)
        assert widths == pytest.approx(after.pulses_us, abs=WORST_US)
        self.before = after


def check_firmware(chip: 'Chip', count: int) -> None:
    """Send so many streams to the machine code, and print what was seen."""
    walk = Walk(chip)
    for stream in spoilt_streams(count):
        walk.check(stream)
    report = chip.report()
    print(f'\n{walk.pulses} pulses, {walk.unsent} frames good by chance, {report}')  # noqa: T201
    assert walk.bad > count
    assert report.bad == walk.bad % 2**16
    assert chip.overruns == 0


def test_spoilt_streams_make_no_wrong_pulse(chip: 'Chip') -> None:
    """The machine code puts out what was commanded and nothing else, and is never stuck."""
    check_firmware(chip, FEW_FOR_FIRMWARE)


@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_a_hundred_thousand_spoilt_streams_make_no_wrong_pulse(chip: 'Chip') -> None:
    """The same over 100 000 streams."""
    check_firmware(chip, STREAMS)
