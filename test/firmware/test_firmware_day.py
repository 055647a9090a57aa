# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The firmware in the long run: counters wrap, and a day later it does what it did at first."""

import random
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.frames import (
    Ack,
    Enable,
    Limits,
    MessageType,
    Pose,
    Refused,
    Silence,
)

if TYPE_CHECKING:
    from test.simulated_chip import Chip

ALL = 2**frames.CHANNELS - 1
WRAP = 2**16
MANY = WRAP + 100
"""More than a counter of 16 bits can count."""

ACCURACY_US = 2.0
SETTLED = 0.06
"""s after which a pose is put out in all channels."""
POSES_A_SECOND = 10
HOUR = 3600
DAY = 24 * HOUR

EXTERNAL_RESET = 2
"""Bit of MCUSR (ATmega328P data sheet, Microchip DS40002061B, 11.9.1)."""
START = 0.008
"""s in which both bytes of the count of starts are written."""

RESTING = Pose((1500.0,) * frames.CHANNELS)


def begin(chip: 'Chip') -> None:
    """Switch all pulses on; half a second without poses makes no difference but in the count."""
    for channel in range(frames.CHANNELS):
        assert chip.say(Limits(channel, 500.0, 2500.0)) == Ack(MessageType.LIMITS)
    assert chip.say(Silence(Reaction.HOLD, 500)) == Ack(MessageType.SILENCE)
    assert chip.say(RESTING) == Ack(MessageType.POSE)
    assert chip.say(Enable(ALL)) == Ack(MessageType.ENABLE)


def live(chip: 'Chip', seconds: int) -> tuple[int, int]:
    """Put out a new pose every second, with a silence in every hour; count pulses and poses.

    Every pulse is of the present pose, or of the one before while the new one is being put out.
    """
    rng = random.Random(seconds)
    decoder = frames.FrameDecoder()
    number = pulses = poses = 0
    before = RESTING.pulses_us
    chip.settle()
    chip.pulses()
    for second in range(seconds):
        widths = tuple(frames.to_us(rng.randint(1000, 5000)) for _ in range(frames.CHANNELS))
        start = chip.now
        sent = 1 if second % HOUR == HOUR // 2 else POSES_A_SECOND
        for _ in range(sent):
            number = (number + 1) % 256
            chip.feed(frames.encode(Pose(widths), number))
            chip.run(1.0 / POSES_A_SECOND)
        chip.run(1.0 - sent / POSES_A_SECOND)
        answers = decoder.feed(chip.sent())
        assert all(
            isinstance(a, frames.Frame) and a.message == Ack(MessageType.POSE) for a in answers
        )
        poses += len(answers)
        seen = chip.pulses()
        for pulse in seen:
            error = abs(pulse.width_us - widths[pulse.channel])
            if pulse.start < start + SETTLED:
                error = min(error, abs(pulse.width_us - before[pulse.channel]))
            assert error <= ACCURACY_US, f'{pulse} in second {second}'
        assert len(seen) >= 49 * frames.CHANNELS, f'{len(seen)} pulses in second {second}'
        pulses += len(seen)
        before = widths
    return pulses, poses


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_counters_wrap(chip: 'Chip') -> None:
    """After 65 536 bad frames, refusals and silences it counts on from 0, and works as before."""
    begin(chip)
    first = chip.report()

    for _ in range(MANY // 100):
        chip.feed(b'\1\1\0' * 100)
        chip.run(0.01)
    chip.feed(b'\1\1\0' * (MANY % 100))
    chip.settle()

    decoder = frames.FrameDecoder()
    refusal = Refused(MessageType.ENABLE, frames.Reason.NO_SUCH_CHANNEL, frames.CHANNELS)
    refused = 0
    while refused < MANY:
        chip.feed(b''.join(frames.encode(Enable(1 << frames.CHANNELS), n % 256) for n in range(50)))
        chip.run(0.02)
        answers = decoder.feed(chip.sent())
        assert all(isinstance(a, frames.Frame) and a.message == refusal for a in answers)
        refused += len(answers)
    refused += len(decoder.feed(chip.settle()))

    assert chip.say(Silence(Reaction.HOLD, 1)) == Ack(MessageType.SILENCE)
    for number in range(MANY):
        chip.feed(frames.encode(RESTING, number % 256))
        chip.run(0.004)
        chip.sent()
    assert chip.say(Silence(Reaction.HOLD, 500)) == Ack(MessageType.SILENCE)

    last = chip.report()
    assert last.bad == (first.bad + MANY) % WRAP
    assert last.refused == (first.refused + refused) % WRAP
    assert last.accepted == first.accepted + MANY
    # One more when the frame that ends the short silence lets the last one pass.
    assert (last.silences - first.silences - MANY) % WRAP in (0, 1)
    assert live(chip, 2)[1] == 2 * POSES_A_SECOND


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_starts_wrap(chip: 'Chip') -> None:
    """The board that starts for the 65 536th time counts on from 0."""
    for start in range(2, WRAP + 3):
        chip.reset(EXTERNAL_RESET)
        chip.run(START)
        if start % 1000 == 0 or start > WRAP - 3:
            chip.run(START)
            assert chip.report().boots == start % WRAP
    assert chip.eeprom_writes == 2 * (WRAP + 2)


@pytest.mark.soak
@pytest.mark.timeout(2 * HOUR)
def test_a_day(chip: 'Chip') -> None:
    """Twenty-four hours of poses, one silence an hour: every pulse is right, every pose answered.

    Its pulse timer wraps 2.6 million times meanwhile. Poses are counted in 32 bits, which even
    the fullest line cannot exhaust within a month.
    """
    begin(chip)
    first = chip.report()
    pulses, poses = live(chip, DAY)
    last = chip.report()
    print(f'\n{chip.now / HOUR:.2f} h, {pulses} pulses, {poses} poses, {last}')  # noqa: T201
    assert poses == (DAY - 24) * POSES_A_SECOND + 24
    assert last.accepted == first.accepted + poses
    assert last.silences == first.silences + 24
    assert (last.bad, last.refused, last.boots) == (first.bad, first.refused, first.boots)
    assert last.enabled == ALL
    assert chip.overruns == 0
