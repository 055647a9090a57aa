# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The firmware sleeps when it has nothing to do, and nothing that happens is missed by it."""

from typing import TYPE_CHECKING

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.frames import (
    Ack,
    Enable,
    Limits,
    MessageType,
    Pose,
    Release,
    Silence,
)

if TYPE_CHECKING:
    from test.simulated_chip import Chip

ALL = 2**frames.CHANNELS - 1
CLOCK = 16_000_000
"""Cycles in a second."""
TICK = 0.001
"""s between the interrupts that wake it in any case."""
SOON = 0.0003
"""s; longer than it takes to answer, and far less than a tick."""
LEAST_ASLEEP = 0.5
"""Of the time, while it walks; no source."""


def test_it_sleeps_most_of_the_time(chip: 'Chip') -> None:
    """With all pulses on and 100 poses a second more than half of the time is left."""
    for channel in range(frames.CHANNELS):
        assert chip.say(Limits(channel, 500.0, 2500.0)) == Ack(MessageType.LIMITS)
    assert chip.say(Silence(Reaction.HOLD, 500)) == Ack(MessageType.SILENCE)
    asleep = []
    for rate, begin in ((0, ()), (0, (Pose((1500.0,) * 18), Enable(ALL))), (100, ())):
        for message in begin:
            chip.say(message)
        slept, start = chip.slept, chip.now
        for number in range(rate):
            chip.feed(frames.encode(Pose((700.0 + number,) * 18), number))
            chip.run(1.0 / rate)
        chip.run(start + 1.0 - chip.now)
        asleep.append((chip.slept - slept) / (chip.now - start))
    still, pulsing, walking = asleep
    print(f'\nasleep: {still:.1%}, with pulses {pulsing:.1%}, walking {walking:.1%}')  # noqa: T201
    assert still > pulsing > walking > LEAST_ASLEEP


def test_a_byte_wakes_it_whenever_it_comes(chip: 'Chip') -> None:
    """At every cycle between two ticks, so also between its last look and its falling asleep."""
    *most, last = (bytes((byte,)) for byte in frames.encode(Release(), 1))
    chip.feed(b''.join(most))
    chip.run(10 * TICK)
    answer = frames.encode(Ack(MessageType.RELEASE), 1)
    for _ in range(round(TICK * CLOCK)):
        chip.run(1.0 / CLOCK)
        chip.feed(last)
        chip.run(SOON)
        assert chip.sent() == answer, f'asleep at {chip.now}'
        chip.feed(b''.join(most))
        chip.run(TICK - SOON)
        chip.sent()
