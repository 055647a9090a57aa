# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Frames of our servo board protocol: bytes on the line to messages and back.

The protocol is written down byte by byte in ``protocol.md`` beside this file. A frame is
COBS(type, sequence number, body, CRC-16/IBM-3740) and a zero byte. Pulses are in µs here and in
half µs on the line, so decoding returns what the board really got.

COBS: Cheshire & Baker, IEEE/ACM Transactions on Networking 7(2), 1999. The CRC's parameters are
those of the CRC RevEng catalogue.
"""

import binascii
import enum
import math
import struct
from collections.abc import Iterable, Mapping
from dataclasses import astuple, dataclass
from typing import ClassVar, Self

from leg_kinematics.board.driver import Reaction
from leg_kinematics.errors import CommandError, FrameError

PROTOCOL_VERSION = 2
BAUD_RATE = 500_000
CHANNELS = 18
SHORTEST_US, LONGEST_US = 500.0, 2500.0
NO_CHANNEL = 255
HALF = CHANNELS // 2
"""Channels of one settings report; all of them do not fit in a frame."""
SHORTEST_PERIOD_US, LONGEST_PERIOD_US = 10_000, 20_000
PERMILLE = 1000
NOT_MEASURED = 0xFFFF
"""mV of a supply that the board does not know."""

MAX_ENCODED = 62
"""Bytes of the longest frame, without its zero byte, that a receiver keeps."""

_LONGEST_BLOCK = 254
_CRC = struct.Struct('>H')
_HEADER_SIZE = 2


class MessageType(enum.IntEnum):
    """First byte of a frame; the top bit is set in what the board sends."""

    HELLO = 0x01
    LIMITS = 0x02
    SILENCE = 0x03
    ENABLE = 0x04
    POSE = 0x05
    RELEASE = 0x06
    STATUS_REQUEST = 0x07
    SUPPLY = 0x08
    PERIOD = 0x09
    STORE = 0x0A
    SETTINGS_REQUEST = 0x0B
    IDENTITY = 0x81
    ACK = 0x82
    REFUSED = 0x83
    STATUS_REPORT = 0x84
    SETTINGS_REPORT = 0x85


class BootReason(enum.IntEnum):
    """Why the board started last."""

    UNKNOWN = 0
    POWER_ON = 1
    EXTERNAL_RESET = 2
    BROWN_OUT = 3
    WATCHDOG = 4


class Reason(enum.IntEnum):
    """Why the board refused a frame."""

    NO_SUCH_CHANNEL = 1
    NO_LIMITS = 2
    BEYOND_LIMITS = 3
    NO_PULSE = 4
    BAD_SETTING = 5
    STORED_OTHERWISE = 6


_REACTIONS = (Reaction.HOLD, Reaction.RELEASE)


def _reaction(number: int) -> Reaction:
    """Name the reaction."""
    if number >= len(_REACTIONS):
        msg = f'no reaction has number {number}'
        raise ValueError(msg)
    return _REACTIONS[number]


def to_half_us(pulse_us: float) -> int:
    """Quantise a pulse to the unit of the line.

    Raises
    ------
    CommandError
        The pulse is not finite or does not fit in 16 bits.

    """
    if not (math.isfinite(pulse_us) and 0.0 <= pulse_us <= 0xFFFF / 2):
        msg = f'pulse {pulse_us} us cannot be sent: expected a number from 0 to {0xFFFF / 2}'
        raise CommandError(msg)
    return round(2.0 * pulse_us)


def to_us(half_us: int) -> float:
    """Turn the unit of the line into µs."""
    return half_us / 2.0


def to_mask(channels: Iterable[int]) -> int:
    """Write a set of channels as bits, channel 0 lowest."""
    mask = 0
    for channel in channels:
        mask |= 1 << channel
    return mask


def to_channels(mask: int) -> frozenset[int]:
    """Read a set of channels from bits."""
    return frozenset(channel for channel in range(mask.bit_length()) if mask >> channel & 1)


def _flag(number: int) -> bool:
    """Read a yes or no."""
    if number > 1:
        msg = f'{number} is neither 0 nor 1'
        raise ValueError(msg)
    return number == 1


@dataclass(frozen=True)
class Message:
    """What a frame says. The body holds the attributes in their order, as ``LAYOUT`` packs them."""

    TYPE: ClassVar[MessageType]
    LAYOUT: ClassVar[struct.Struct] = struct.Struct('<')

    def to_numbers(self) -> tuple[int, ...]:
        """Give the numbers of the body."""
        return astuple(self)

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Make the message from the numbers of the body; ValueError if they mean nothing."""
        return cls(*numbers)


@dataclass(frozen=True)
class Hello(Message):
    """Asks the board for its identity and begins a conversation."""

    TYPE = MessageType.HELLO


@dataclass(frozen=True)
class Limits(Message):
    """Sets the pulses that a channel may ever be given; only ``replace`` overrules stored ones."""

    TYPE = MessageType.LIMITS
    LAYOUT = struct.Struct('<BHHB')

    channel: int
    lowest_us: float
    highest_us: float
    replace: bool = False

    def to_numbers(self) -> tuple[int, ...]:
        """Quantise."""
        return (self.channel, to_half_us(self.lowest_us), to_half_us(self.highest_us), self.replace)

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Back to µs."""
        channel, lowest, highest, replace = numbers
        return cls(channel, to_us(lowest), to_us(highest), _flag(replace))


@dataclass(frozen=True)
class Silence(Message):
    """Sets what the board does when no pose arrives for so many milliseconds."""

    TYPE = MessageType.SILENCE
    LAYOUT = struct.Struct('<BH')

    reaction: Reaction
    timeout_ms: int

    def to_numbers(self) -> tuple[int, ...]:
        """Give the reaction its number."""
        return (_REACTIONS.index(self.reaction), self.timeout_ms)

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Name the reaction."""
        reaction, timeout_ms = numbers
        return cls(_reaction(reaction), timeout_ms)


@dataclass(frozen=True)
class Enable(Message):
    """Switches pulses on in these channels and leaves the others as they are."""

    TYPE = MessageType.ENABLE
    LAYOUT = struct.Struct('<I')

    mask: int


@dataclass(frozen=True)
class Pose(Message):
    """The pulses of all channels at once; 0 says nothing about a channel that is not enabled."""

    TYPE = MessageType.POSE
    LAYOUT = struct.Struct(f'<{CHANNELS}H')

    pulses_us: tuple[float, ...]

    @property
    def put_out_us(self) -> Mapping[int, float]:
        """What a board puts out by it where pulses are on, µs by channel."""
        return {
            channel: to_us(number) for channel, number in enumerate(self.to_numbers()) if number
        }

    def to_numbers(self) -> tuple[int, ...]:
        """Quantise."""
        return tuple(to_half_us(pulse) for pulse in self.pulses_us)

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Back to µs."""
        return cls(tuple(to_us(number) for number in numbers))


@dataclass(frozen=True)
class Release(Message):
    """Stops all pulses now."""

    TYPE = MessageType.RELEASE


@dataclass(frozen=True)
class StatusRequest(Message):
    """Asks the board for its counters."""

    TYPE = MessageType.STATUS_REQUEST


@dataclass(frozen=True)
class Supply(Message):
    """Sets how the board measures the servo supply and from where on that is low.

    The divider in thousandths, 0 where board and servos share one supply; 0 mV watches nothing.
    """

    TYPE = MessageType.SUPPLY
    LAYOUT = struct.Struct('<HH')

    divider_permille: int
    low_mv: int


@dataclass(frozen=True)
class Period(Message):
    """Sets the time from one pulse of a channel to its next."""

    TYPE = MessageType.PERIOD
    LAYOUT = struct.Struct('<H')

    period_us: int


@dataclass(frozen=True)
class Store(Message):
    """Makes the present settings outlast power-off; acknowledged when they do."""

    TYPE = MessageType.STORE


@dataclass(frozen=True)
class SettingsRequest(Message):
    """Asks the board for its settings: the channels of the first (0) or the second half (1)."""

    TYPE = MessageType.SETTINGS_REQUEST
    LAYOUT = struct.Struct('<B')

    half: int

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Refuse a third half."""
        (half,) = numbers
        return cls(int(_flag(half)))


@dataclass(frozen=True)
class Identity(Message):
    """The board's answer to Hello; the pulses of channels without pulses are 0."""

    TYPE = MessageType.IDENTITY
    LAYOUT = struct.Struct(f'<BBBBHB{CHANNELS}H')

    protocol: int
    firmware_major: int
    firmware_minor: int
    channels: int
    boots: int
    boot_reason: BootReason
    pulses_us: tuple[float, ...]

    def to_numbers(self) -> tuple[int, ...]:
        """Quantise."""
        return (
            self.protocol,
            self.firmware_major,
            self.firmware_minor,
            self.channels,
            self.boots,
            self.boot_reason,
            *(to_half_us(pulse) for pulse in self.pulses_us),
        )

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Name the reason, and back to µs."""
        protocol, major, minor, channels, boots, reason, *pulses = numbers
        pulses_us = tuple(to_us(number) for number in pulses)
        return cls(protocol, major, minor, channels, boots, BootReason(reason), pulses_us)


@dataclass(frozen=True)
class Ack(Message):
    """The board obeyed the frame of this type and sequence number."""

    TYPE = MessageType.ACK
    LAYOUT = struct.Struct('<B')

    answered: MessageType

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Name the type."""
        return cls(*map(MessageType, numbers))


@dataclass(frozen=True)
class Refused(Message):
    """The board did nothing of what the frame of this type and sequence number asks."""

    TYPE = MessageType.REFUSED
    LAYOUT = struct.Struct('<BBB')

    answered: MessageType
    reason: Reason
    channel: int

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Name type and reason."""
        answered, reason, channel = numbers
        return cls(MessageType(answered), Reason(reason), channel)


@dataclass(frozen=True)
class StatusReport(Message):
    """The board's answer to StatusRequest; counters wrap."""

    TYPE = MessageType.STATUS_REPORT
    LAYOUT = struct.Struct('<IHHHHIBH')

    accepted: int
    refused: int
    bad: int
    silences: int
    supply_mv: int
    enabled: int
    low_voltage: bool
    boots: int

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Read the flag."""
        *counts, enabled, low_voltage, boots = numbers
        accepted, refused, bad, silences, supply_mv = counts
        flag = _flag(low_voltage)
        return cls(accepted, refused, bad, silences, supply_mv, enabled, flag, boots)


@dataclass(frozen=True)
class SettingsReport(Message):
    """The board's answer to SettingsRequest.

    ``stored`` has the bits of the channels whose limits outlast power-off; ``limits_us`` are those
    of one half of the channels, (0, 0) where there are none.
    """

    TYPE = MessageType.SETTINGS_REPORT
    LAYOUT = struct.Struct(f'<BBHHHHI{2 * HALF}H')

    half: int
    reaction: Reaction
    timeout_ms: int
    divider_permille: int
    low_mv: int
    period_us: int
    stored: int
    limits_us: tuple[tuple[float, float], ...]

    def to_numbers(self) -> tuple[int, ...]:
        """Quantise."""
        return (
            self.half,
            _REACTIONS.index(self.reaction),
            self.timeout_ms,
            self.divider_permille,
            self.low_mv,
            self.period_us,
            self.stored,
            *(to_half_us(pulse) for limits in self.limits_us for pulse in limits),
        )

    @classmethod
    def from_numbers(cls, *numbers: int) -> Self:
        """Name the reaction, and back to µs."""
        half, reaction, timeout, divider, low, period, stored, *pulses = numbers
        lowest, highest = map(to_us, pulses[::2]), map(to_us, pulses[1::2])
        return cls(
            int(_flag(half)),
            _reaction(reaction),
            timeout,
            divider,
            low,
            period,
            stored,
            tuple(zip(lowest, highest, strict=True)),
        )


MESSAGES: dict[int, type[Message]] = {
    message.TYPE: message
    for message in (
        Hello,
        Limits,
        Silence,
        Enable,
        Pose,
        Release,
        StatusRequest,
        Supply,
        Period,
        Store,
        SettingsRequest,
        Identity,
        Ack,
        Refused,
        StatusReport,
        SettingsReport,
    )
}


@dataclass(frozen=True)
class Frame:
    """A message and the sequence number it came with."""

    message: Message
    seq: int


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, from 0xFFFF, not reflected."""
    return binascii.crc_hqx(data, 0xFFFF)


def cobs_encode(data: bytes) -> bytes:
    """Rewrite bytes so that none is zero."""
    encoded = bytearray()
    for block in data.split(b'\0'):
        for start in range(0, len(block) or 1, _LONGEST_BLOCK):
            part = block[start : start + _LONGEST_BLOCK]
            encoded.append(len(part) + 1)
            encoded += part
    return bytes(encoded)


def cobs_decode(encoded: bytes) -> bytes:
    """Undo ``cobs_encode``.

    Raises
    ------
    FrameError
        A block reaches beyond the end, or a zero byte stands in the data.

    """
    if 0 in encoded:
        msg = 'a zero byte inside a frame'
        raise FrameError(msg)
    data = bytearray()
    position = 0
    while position < len(encoded):
        code = encoded[position]
        block = encoded[position + 1 : position + code]
        if len(block) != code - 1:
            msg = f'a block of {code - 1} bytes is cut short after {len(block)}'
            raise FrameError(msg)
        data += block
        position += code
        if code <= _LONGEST_BLOCK and position < len(encoded):
            data.append(0)
    return bytes(data)


def encode(message: Message, seq: int) -> bytes:
    """Make the frame of a message, its closing zero byte included.

    Raises
    ------
    CommandError
        The message holds a number that its body has no room for.

    """
    try:
        body = message.LAYOUT.pack(*message.to_numbers())
    except struct.error as error:
        msg = f'{message} does not fit in a frame: {error}'
        raise CommandError(msg) from error
    content = bytes((message.TYPE, seq)) + body
    return cobs_encode(content + _CRC.pack(crc16(content))) + b'\0'


def _decode(encoded: bytes) -> Frame:
    """Read the bytes between two zero bytes; FrameError if they are no frame."""
    content = cobs_decode(encoded)
    if len(content) < _HEADER_SIZE + _CRC.size:
        msg = f'{len(content)} bytes are too few for a frame'
        raise FrameError(msg)
    if crc16(content) != 0:  # over its own CRC a good message always gives 0
        msg = f'wrong checksum in {content.hex(" ")}'
        raise FrameError(msg)
    number, seq = content[:_HEADER_SIZE]
    body = content[_HEADER_SIZE : -_CRC.size]
    kind = MESSAGES.get(number)
    if kind is None:
        msg = f'no message has type 0x{number:02x}'
        raise FrameError(msg)
    if len(body) != kind.LAYOUT.size:
        msg = f'{kind.__name__} has a body of {kind.LAYOUT.size} bytes, got {len(body)}'
        raise FrameError(msg)
    try:
        return Frame(kind.from_numbers(*kind.LAYOUT.unpack(body)), seq)
    except ValueError as error:
        msg = f'{kind.__name__} holds a number without a meaning: {error}'
        raise FrameError(msg) from error


class FrameDecoder:
    """Cuts a stream of bytes into frames, and recovers at every zero byte.

    Keeps at most ``MAX_ENCODED`` bytes, whatever arrives.
    """

    def __init__(self) -> None:
        """Start as if a zero byte had just been read."""
        self._run = bytearray()

    def feed(self, data: bytes) -> list[Frame | FrameError]:
        """Take bytes as they come; return each frame, or what was wrong with it, in order."""
        found: list[Frame | FrameError] = []
        *closed, rest = data.split(b'\0')
        for piece in closed:
            self._keep(piece)
            if self._run:
                found.append(self._read_run())
            self._run.clear()
        self._keep(rest)
        return found

    def _keep(self, piece: bytes) -> None:
        # One byte beyond the longest frame is kept as the mark of an overlong run.
        self._run += piece[: MAX_ENCODED + 1 - len(self._run)]

    def _read_run(self) -> Frame | FrameError:
        if len(self._run) > MAX_ENCODED:
            return FrameError(f'more than {MAX_ENCODED} bytes without a zero byte')
        try:
            return _decode(bytes(self._run))
        except FrameError as error:
            return error
