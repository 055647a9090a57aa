# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The driver for boards that run a Firmata program with servos; a channel is a pin.

Firmata is an open protocol for any microcontroller, and it promises little: `shortcomings` says
what is missing. What can be asked for is asked for: the state of every pin after it was switched
on or off, and of one pin after the other as long as the conversation lasts.

Poses go out as fast as the line takes them, and the latest wins.
"""

import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from itertools import count
from math import ceil, floor, inf
from typing import ClassVar, TypeVar, cast

from leg_kinematics.board.conversation import OPEN_WITHIN, Conversation
from leg_kinematics.board.driver import (
    BoardIdentity,
    BoardStatus,
    Reaction,
    SilenceAction,
    Traffic,
)
from leg_kinematics.board.firmata import messages
from leg_kinematics.errors import BoardError, CommandError, LinkLostError, RefusedError

BAUD_RATE = 57600
"""What the Firmata programs of the Arduino library use."""
PROTOCOL_MAJOR = 2
"""Versions with another first number are incompatible, by the protocol's own rule."""
SHORTEST_US, LONGEST_US = 544, 2500
"""A smaller number is taken for an angle in degrees by the Arduino servo library, from memory."""
LOST_AFTER = 0.5
"""Time after which a question that was repeated in vain breaks the link, s."""
LOOK_EVERY = 0.1
"""Time between looks at the pins, which also show that the board is alive, s."""
BITS_PER_BYTE = 10
"""A start bit, eight data bits and a stop bit."""

_M = TypeVar('_M', bound=messages.Message)


@dataclass(frozen=True)
class _Question:
    """Bytes that must be answered, and what answers them."""

    data: bytes
    is_answered_by: Callable[[messages.Message], bool]


class FirmataDriver(Conversation[_Question, messages.Message]):
    """A board that speaks Firmata; implements ``BoardDriver``.

    The counts of its traffic are of questions: poses are not answered.

    Parameters
    ----------
    port
        The serial device, best by a name that stays the same when it is plugged in again.

    """

    shortcomings: ClassVar[tuple[str, ...]] = (
        'no checksum: a damaged byte on the line can become a pulse that nobody commanded',
        'no acknowledgement of poses: a lost byte leaves a servo behind until the next pose',
        'no watchdog: without the host the board holds its pulses for ever',
        'no atomic pose: servos change their pulses one after another',
        'whole microseconds only, none below 544',
        'limits are kept by the host and outlast no power-off',
        'a servo that is enabled may get one pulse of 1500 us before its own',
        'no supply voltage and no count of boots',
        'most boards restart, with all pulses off, when their port is opened for the first time',
    )

    def __init__(self, port: str) -> None:
        """Prepare; nothing is opened yet."""
        super().__init__(port, BAUD_RATE, messages.Decoder().feed, LOOK_EVERY)
        self._urgent = b''
        self._servos: frozenset[int] = frozenset()
        self._limits: dict[int, tuple[float, float]] = {}
        self._pose: dict[int, int] = {}
        self._pose_waits = False
        self._written_us: Mapping[int, float] = {}
        self._driven: set[int] = set()
        self._enabled: set[int] = set()
        self._rounds = count()
        self._line_free_at = 0.0
        self._texts: deque[str] = deque(maxlen=5)

    # ---- BoardDriver, called from anywhere

    def open(self) -> BoardIdentity:
        """Open the port and ask until the board has told what it is and what its pins do."""
        began = self._listened
        self._line.open()
        with self._lock:
            self._line.write(bytes((messages.END_SYSEX,)))  # ends what was left half sent before
        version = self._ask(messages.version_query(), messages.Version, began, OPEN_WITHIN)
        if version.major != PROTOCOL_MAJOR:
            raise BoardError(
                f'{self._port}: the board speaks Firmata {version.major}.{version.minor}, '
                f'expected {PROTOCOL_MAJOR}.x; give it another program'
            )
        firmware = self._ask(messages.firmware_query(), messages.Firmware, began)
        capabilities = self._ask(messages.capability_query(), messages.Capabilities, began)
        states = self._look_at(sorted(capabilities.servos), began)
        with self._lock:
            if not self._line.serving:  # it may have broken since the last answer
                raise self._not_open()
            self._servos = capabilities.servos
            self._connected = True
            pulses_us = {
                state.pin: float(state.value) for state in states if state.pin in self._enabled
            }
            self._driven = set(pulses_us)
        return BoardIdentity(
            firmware=f'{firmware.name} {firmware.major}.{firmware.minor}, '
            f'Firmata {version.major}.{version.minor}',
            channels=capabilities.pins,
            boots=0,
            boot_reason='unknown',
            pulses_us=pulses_us,
            limits={},
            silence=None,
        )

    def configure(
        self,
        limits: Mapping[int, tuple[float, float]],
        silence: SilenceAction,
        *,
        store: bool = False,  # noqa: ARG002  of the interface; this board can store nothing
    ) -> None:
        """Keep the limits on this side; the board learns them when its pins are enabled."""
        if silence.reaction is not Reaction.HOLD:
            raise RefusedError(
                f'{self._port}: a Firmata board can only hold when its host is silent; set '
                f"'board_silence_reaction' to hold, or use another board"
            )
        for channel, (lowest_us, highest_us) in limits.items():
            if channel not in self._servos:
                raise RefusedError(
                    f'{self._port}: pin {channel} cannot drive a servo; those that can are '
                    f'{", ".join(map(str, sorted(self._servos)))}'
                )
            if not SHORTEST_US <= lowest_us < highest_us <= LONGEST_US:
                raise RefusedError(
                    f'{self._port}: limits {lowest_us:g} to {highest_us:g} us of pin {channel} '
                    f'must rise and lie within {SHORTEST_US} to {LONGEST_US} us'
                )
        with self._lock:
            self._limits = dict(limits)

    def enable(self, channels: Iterable[int]) -> None:
        """Switch pulses on, in one go with their values, and see that they are on."""
        pins = sorted(channels)
        with self._lock:
            data = b''
            for pin in pins:
                if pin not in self._pose:
                    raise RefusedError(f'{self._port}: no pose gave pin {pin} a pulse')
                lowest_us, highest_us = self._limits[pin]
                data += messages.servo_config(pin, floor(lowest_us), ceil(highest_us))
                data += messages.pin_mode(pin, messages.SERVO)
                data += messages.servo_write(pin, self._pose[pin])
            self._urgent += data
            self._driven.update(pins)
            self._texts.clear()
        self._look_at(pins)
        with self._lock:
            words = '; '.join(self._texts)
            if words or not self._enabled.issuperset(pins):
                self._driven.difference_update(pins)
                self._last_error = f'the board does not drive pins {pins} ({words or "no reason"})'
                raise RefusedError(f'{self._port}: {self._last_error}')

    def set_pulses(self, pulses_us: Mapping[int, float]) -> None:
        """Write the pose, or have it wait for the line; beyond the limits all of it is refused."""
        for channel, pulse_us in pulses_us.items():
            if channel not in self._servos:
                raise CommandError(f'{self._port}: pin {channel} cannot drive a servo')
            if not SHORTEST_US <= pulse_us <= LONGEST_US:  # false for NaN as well
                raise CommandError(
                    f'pulse {pulse_us} us for pin {channel} is out of range, expected '
                    f'{SHORTEST_US} to {LONGEST_US} us'
                )
        with self._lock:
            if not self._connected:
                raise self._not_open()
            for channel, pulse_us in pulses_us.items():
                lowest_us, highest_us = self._limits.get(channel, (0.0, 0.0))
                if not lowest_us <= pulse_us <= highest_us:
                    self._counts['sent'] += 1
                    self._counts['refused'] += 1
                    self._last_error = (
                        f'refused a pose: {pulse_us:g} us of pin {channel} is beyond its limits '
                        f'{lowest_us:g} to {highest_us:g} us'
                    )
                    return
            self._pose = {channel: round(pulse_us) for channel, pulse_us in pulses_us.items()}
            self._pose_waits = True
            self._send(time.monotonic())
            if self._pose_waits:
                self._line.wake()  # to write it as soon as the line is free

    def release(self) -> Future[None]:
        """Drop what waits, switch every pin off, and look until it is."""
        with self._lock:
            self._pose.clear()
            pins = sorted(self._driven | self._enabled | set(self._limits))
            self._driven.clear()
            return self._release_by(lambda: self._switch_off(pins))

    def status(self) -> BoardStatus:
        """Tell the latest that is known."""
        with self._lock:
            return BoardStatus(
                connected=self._connected,
                enabled=frozenset(self._enabled),
                traffic=Traffic(**self._counts),
                last_error=self._last_error,
                pose_us=self._written_us,
            )

    # ---- in a conversation: who asks waits; the thread settles every question, come what may

    def _ask(self, data: bytes, kind: type[_M], began: float, patience: float = LOST_AFTER) -> _M:
        with self._lock:
            answer = self._put(data, lambda said: isinstance(said, kind), began, patience)
        return cast('_M', answer.result())

    def _look_at(self, pins: Iterable[int], began: float | None = None) -> list[messages.PinState]:
        with self._lock:
            answers = [self._look_at_pin(pin, began) for pin in pins]
        return [cast('messages.PinState', answer.result()) for answer in answers]

    # ---- from anywhere, under the lock

    def _put(
        self,
        data: bytes,
        is_answered_by: Callable[[messages.Message], bool],
        began: float | None = None,
        patience: float = LOST_AFTER,
    ) -> Future[messages.Message]:
        """Have a question asked, as a part of opening if that is told to have begun."""
        return self._request(
            _Question(data, is_answered_by),
            f'Firmata message {data.hex(" ")}',
            inf if began is None else OPEN_WITHIN,
            began=began,
            patience=patience,
        )

    def _look_at_pin(self, pin: int, began: float | None = None) -> Future[messages.Message]:
        return self._put(
            messages.pin_state_query(pin),
            lambda said: isinstance(said, messages.PinState) and said.pin == pin,
            began,
        )

    def _switch_off(self, pins: Sequence[int]) -> list[Future[messages.Message]]:
        self._urgent = b''.join(messages.pin_mode(pin, messages.INPUT) for pin in pins)
        # Once more with every question, should one of them get lost.
        return [
            self._put(
                messages.pin_mode(pin, messages.INPUT) + messages.pin_state_query(pin), _is_off(pin)
            )
            for pin in pins
        ]

    def _send(self, now: float) -> None:
        """Write what is due: what is urgent, the question at the head, the pose that waits."""
        data, self._urgent = self._urgent, b''
        if (due := self._due(now)) is not None:
            data += due.data
        if self._pose_waits and now >= self._line_free_at:
            self._pose_waits = False
            self._written_us = {pin: float(pulse_us) for pin, pulse_us in self._pose.items()}
            data += b''.join(
                messages.servo_write(pin, pulse_us)
                for pin, pulse_us in self._pose.items()
                if pin in self._driven
            )
        if data:
            seconds = len(data) * BITS_PER_BYTE / BAUD_RATE
            self._line_free_at = max(now, self._line_free_at) + seconds
            self._line.write(data)
        self._wake_at = self._line_free_at if self._pose_waits else inf

    # ---- in the thread, under the lock

    def _end(self, lost: LinkLostError) -> None:
        self._pose_waits = False
        super()._end(lost)

    def _look(self) -> None:
        """Ask for the state of the next pin, or for anything while there is none."""
        pins = sorted(self._driven | self._enabled | self._limits.keys())
        if pins:
            self._look_at_pin(pins[next(self._rounds) % len(pins)])
        else:
            self._put(messages.version_query(), lambda said: isinstance(said, messages.Version))

    def _hear(self, message: messages.Message) -> None:
        """Note what the board says, and hand it to whoever waits for it."""
        if isinstance(message, messages.Firmware) and self._connected:
            raise LinkLostError(f'{self._port}: the board has restarted')
        if isinstance(message, messages.Text):
            self._texts.append(message.words)
            self._last_error = f'the board says: {message.words}'
        if isinstance(message, messages.PinState):
            self._book(message)
        asked = self._asked()
        if asked is not None and asked.is_answered_by(message):
            self._settle(message, 'acknowledged')

    def _book(self, state: messages.PinState) -> None:
        """Note what a pin does."""
        if state.mode == messages.SERVO and state.value >= SHORTEST_US:
            self._enabled.add(state.pin)
        else:
            self._enabled.discard(state.pin)
        if state.mode == messages.SERVO and self._connected and state.pin not in self._driven:
            self._urgent += messages.pin_mode(state.pin, messages.INPUT)


def _is_off(pin: int) -> Callable[[messages.Message], bool]:
    """Tell of a message whether it says that a pin is no servo."""
    return lambda message: (
        isinstance(message, messages.PinState)
        and message.pin == pin
        and message.mode != messages.SERVO
    )
