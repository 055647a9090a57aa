# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The messages of the Firmata protocol that servos need, to the board and from it.

Written from the text of the protocol, https://github.com/firmata/protocol, version 2.8.0. It is
MIDI's format: a byte of 0x80 and above begins a message, all others carry 7 bits of data. There
is no checksum: a damaged number is a number.
"""

from dataclasses import dataclass

from leg_kinematics.errors import FrameError

ANALOG_MESSAGE = 0xE0
SET_PIN_MODE = 0xF4
REPORT_VERSION = 0xF9
START_SYSEX = 0xF0
END_SYSEX = 0xF7

CAPABILITY_QUERY = 0x6B
CAPABILITY_RESPONSE = 0x6C
PIN_STATE_QUERY = 0x6D
PIN_STATE_RESPONSE = 0x6E
EXTENDED_ANALOG = 0x6F
SERVO_CONFIG = 0x70
STRING_DATA = 0x71
REPORT_FIRMWARE = 0x79

INPUT = 0x00
SERVO = 0x04

PINS = 128
"""Pin numbers have 7 bits."""

LONGEST_SYSEX = 2048
"""Bytes; the capabilities of 128 pins with some modes each fit."""


@dataclass(frozen=True)
class Version:
    """Version of the protocol that the board speaks."""

    major: int
    minor: int


@dataclass(frozen=True)
class Firmware:
    """Name and version of the board's program."""

    major: int
    minor: int
    name: str


@dataclass(frozen=True)
class Capabilities:
    """What the pins can do.

    Attributes
    ----------
    pins
        How many there are.
    servos
        Those that can drive a servo.

    """

    pins: int
    servos: frozenset[int]


@dataclass(frozen=True)
class PinState:
    """What a pin does: its mode, and the last value that was written to it since."""

    pin: int
    mode: int
    value: int


@dataclass(frozen=True)
class Text:
    """Something that the board says in words, such as an error."""

    words: str


Message = Version | Firmware | Capabilities | PinState | Text


def servo_config(pin: int, lowest_us: int, highest_us: int) -> bytes:
    """Set the shortest and the longest pulse of a pin, µs."""
    return _sysex(SERVO_CONFIG, pin, *_halves(lowest_us), *_halves(highest_us))


def pin_mode(pin: int, mode: int) -> bytes:
    """Set what a pin does."""
    return bytes((SET_PIN_MODE, pin, mode))


def servo_write(pin: int, pulse_us: int) -> bytes:
    """Set the pulse of a pin, µs."""
    if pin < 16:
        return bytes((ANALOG_MESSAGE | pin, *_halves(pulse_us)))
    return _sysex(EXTENDED_ANALOG, pin, *_halves(pulse_us))


def version_query() -> bytes:
    """Ask for `Version`."""
    return bytes((REPORT_VERSION,))


def firmware_query() -> bytes:
    """Ask for `Firmware`."""
    return _sysex(REPORT_FIRMWARE)


def capability_query() -> bytes:
    """Ask for `Capabilities`."""
    return _sysex(CAPABILITY_QUERY)


def pin_state_query(pin: int) -> bytes:
    """Ask for the `PinState` of a pin."""
    return _sysex(PIN_STATE_QUERY, pin)


def _sysex(command: int, *data: int) -> bytes:
    return bytes((START_SYSEX, command, *data, END_SYSEX))


def _halves(value: int) -> tuple[int, int]:
    """Split 14 bits, the lower half first."""
    return value & 0x7F, value >> 7


def _joined(data: bytes) -> int:
    """Join 7 bits a byte, the lowest first."""
    return sum(part << (7 * place) for place, part in enumerate(data))


class Decoder:
    """Finds the messages in what a board sends, however the bytes come in and whatever is lost."""

    def __init__(self) -> None:
        """Begin outside of any message."""
        self._begun = bytearray()

    def feed(self, data: bytes) -> list[Message | FrameError]:
        """Take some bytes; return the messages that they complete.

        Messages that we never asked for, such as readings of inputs, are passed over. A message
        that is cut off by another one, or whose data make no sense, is a FrameError.
        """
        found: list[Message | FrameError] = []
        for byte in data:
            if byte >= 0x80 and byte != END_SYSEX:
                if self._begun:
                    found.append(FrameError(f'message {self._begun.hex(" ")} was cut off'))
                self._begun[:] = (byte,)
            elif self._begun:
                self._begun.append(byte)
            else:
                found.append(FrameError(f'byte {byte:02x} outside of any message'))
            if self._complete():
                try:
                    message = _message(bytes(self._begun))
                except FrameError as error:
                    found.append(error)
                else:
                    found += [message] if message is not None else []
                self._begun.clear()
        return found

    def _complete(self) -> bool:
        if not self._begun:
            return False
        if self._begun[0] == START_SYSEX:
            return self._begun[-1] == END_SYSEX or len(self._begun) > LONGEST_SYSEX
        return self._begun[-1] == END_SYSEX or len(self._begun) == 3


def _message(data: bytes) -> Message | None:
    """Read one message; None is one that does not concern us."""
    first, last = data[0], data[-1]
    if (first == START_SYSEX) != (last == END_SYSEX) or len(data) < 3:
        raise FrameError(f'{len(data)} bytes {data[:8].hex(" ")} are no message')
    if first == REPORT_VERSION:
        return Version(data[1], data[2])
    return _sysex_message(data[1], data[2:-1]) if first == START_SYSEX else None


def _sysex_message(command: int, body: bytes) -> Message | None:
    message: Message | None = None
    if command == REPORT_FIRMWARE and len(body) >= 2:
        message = Firmware(body[0], body[1], _text(body[2:]))
    elif command == CAPABILITY_RESPONSE and body.endswith(b'\x7f'):
        message = _capabilities(body)
    elif command == PIN_STATE_RESPONSE and len(body) >= 3:
        message = PinState(body[0], body[1], _joined(body[2:]))
    elif command == STRING_DATA:
        message = Text(_text(body))
    elif command in {REPORT_FIRMWARE, CAPABILITY_RESPONSE, PIN_STATE_RESPONSE}:
        raise FrameError(f'message {command:02x} with {body.hex(" ")} is not whole')
    return message


def _text(body: bytes) -> str:
    pairs = zip(body[::2], body[1::2], strict=False)
    return ''.join(chr(_joined(bytes(pair))) for pair in pairs)


def _capabilities(body: bytes) -> Capabilities:
    """Read pairs of mode and resolution, each pin ended by 0x7F where a mode would stand."""
    pins: list[set[int]] = [set()]
    place = 0
    while place < len(body):
        if body[place] == 0x7F:
            pins.append(set())
            place += 1
        else:
            pins[-1].add(body[place])
            place += 2
    servos = frozenset(pin for pin, modes in enumerate(pins) if SERVO in modes)
    return Capabilities(len(pins) - 1, servos)
