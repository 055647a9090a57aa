# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Which pin of the ATmega328P puts out which channel, as ``firmware/pulses.c`` has it."""

from dataclasses import dataclass

from leg_kinematics.board.framed.frames import CHANNELS

PER_PORT = 6


@dataclass(frozen=True)
class Pin:
    """A pin by both of its names.

    Attributes
    ----------
    chip
        As the chip's data sheet names it: port and bit, such as ``PD2``.
    label
        As boards with numbered pins print it, such as ``D2`` (common practice, no source).

    """

    chip: str
    label: str


def _pin(channel: int) -> Pin:
    port, bit = divmod(channel, PER_PORT)
    first = (2, 0, 0)[port]
    label = f'A{bit}' if port == 2 else f'D{channel + 2}'
    return Pin(f'P{"DBC"[port]}{first + bit}', label)


PINS = tuple(_pin(channel) for channel in range(CHANNELS))
"""By channel."""
