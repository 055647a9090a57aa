# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The driver for boards that run a Firmata program with servos; a channel is a pin.

Firmata is an open protocol for any microcontroller, and it promises little: `shortcomings` says
what is missing. What can be asked for is asked for: the state of every pin after it was switched
on or off, and of one pin after the other as long as the conversation lasts.

The thread of the line hears and watches the clock; whoever has something to say writes it, if its
turn has come, else the thread does. Questions go out one at a time and are repeated until answered;
poses go out as fast as the line takes them, and the latest wins.
"""

import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future, wait
from dataclasses import dataclass
from itertools import count
from math import ceil, floor, inf
from typing import ClassVar, TypeVar, cast

from leg_kinematics.board.driver import (
    BoardIdentity,
    BoardStatus,
    Reaction,
    SilenceAction,
    Traffic,
)
from leg_kinematics.board.firmata import messages
from leg_kinematics.board.serial_line import SerialLine
from leg_kinematics.errors import (
    BoardError,
    CommandError,
    FrameError,
    LinkLostError,
    NotSentError,
    RefusedError,
)

BAUD_RATE = 57600
"""What the Firmata programs of the Arduino library use."""
PROTOCOL_MAJOR = 2
"""Versions with another first number are incompatible, by the protocol's own rule."""
SHORTEST_US, LONGEST_US = 544, 2500
"""A smaller number is taken for an angle in degrees by the Arduino servo library, from memory."""
OPEN_WITHIN = 5.0
"""s for all of opening; a board whose port resets it needs about two for its boot loader."""
LOST_AFTER = 0.5
"""s after which a question that was repeated in vain breaks the link."""
ANSWER_WITHIN = 0.1
"""s after which a question is repeated."""
LOOK_EVERY = 0.1
"""s between looks at the pins, which also show that the board lives."""
TICK = 0.02
"""s between looks at the clock while the line is quiet."""
BITS_PER_BYTE = 10
"""A start bit, eight data bits and a stop bit."""

_M = TypeVar('_M', bound=messages.Message)


@dataclass
class _Question:
    """Bytes that must be answered, and who waits for the answer."""

    data: bytes
    answers: Callable[[messages.Message], bool]
    within: float
    deadline: float
    answer: Future[messages.Message]
    asked_at: float | None = None
    repeated_at: float = 0.0


class FirmataDriver:
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
        """Prepare the books; nothing is opened yet."""
        self._port = port
        self._lock = threading.Lock()
        self._line = SerialLine(port, BAUD_RATE, self._lock, self._converse, self._end)
        self._connected = False
        self._questions: deque[_Question] = deque()
        self._urgent = b''
        self._servos: frozenset[int] = frozenset()
        self._limits: dict[int, tuple[float, float]] = {}
        self._pose: dict[int, int] = {}
        self._pose_waits = False
        self._driven: set[int] = set()
        self._enabled: set[int] = set()
        self._rounds = count()
        self._next_look = self._line_free_at = 0.0
        self._counts: Counter[str] = Counter()
        self._releases: list[Future[messages.Message]] = []
        self._release: Future[None] | None = None
        self._texts: deque[str] = deque(maxlen=5)
        self._last_error = ''

    # ---- BoardDriver, called from anywhere

    def open(self) -> BoardIdentity:
        """Open the port and ask until the board has told what it is and what its pins do."""
        deadline = time.monotonic() + OPEN_WITHIN
        self._line.open()
        with self._lock:
            self._line.write(bytes((messages.END_SYSEX,)))  # ends what was left half sent before
        version = self._ask(messages.version_query(), messages.Version, OPEN_WITHIN, deadline)
        if version.major != PROTOCOL_MAJOR:
            raise BoardError(
                f'{self._port}: the board speaks Firmata {version.major}.{version.minor}, '
                f'expected {PROTOCOL_MAJOR}.x; give it another program'
            )
        firmware = self._ask(messages.firmware_query(), messages.Firmware, LOST_AFTER, deadline)
        query = messages.capability_query()
        capabilities = self._ask(query, messages.Capabilities, LOST_AFTER, deadline)
        states = self._look_at(sorted(capabilities.servos), deadline)
        with self._lock:
            self._check_serving()  # the line may have broken since the last answer
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
                raise LinkLostError(self._last_error or f'{self._port}: not open')
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
            confirmed, self._release = self._release, None
            if confirmed is None:
                confirmed = Future()
                confirmed.set_running_or_notify_cancel()  # nobody can cancel what has been said
            self._pose.clear()
            while self._questions:
                self._settle(RefusedError(f'{self._port}: given up for a release'))
            pins = sorted(self._driven | self._enabled | set(self._limits))
            self._driven.clear()
            if not self._connected:
                reason = f'{self._port}: no board has identified itself'
                if self._line.closing:
                    reason = f'{self._port}: closed'
                elif self._last_error:
                    reason = self._last_error
                confirmed.set_exception(NotSentError(f'no release was sent: {reason}'))
                return confirmed
            self._urgent = b''.join(messages.pin_mode(pin, messages.INPUT) for pin in pins)
            # Once more with every question, should one of them get lost.
            self._releases = [
                self._enqueue(
                    messages.pin_mode(pin, messages.INPUT) + messages.pin_state_query(pin),
                    _is_off(pin),
                    LOST_AFTER,
                )
                for pin in pins
            ]
            if self._line.broken is not None:
                reason = f'{self._port}: the line broke: {self._line.broken}'
                confirmed.set_exception(NotSentError(f'no release was sent: {reason}'))
            else:
                self._release = confirmed
                self._conclude_release()
            return confirmed

    def status(self) -> BoardStatus:
        """Copy the books."""
        with self._lock:
            return BoardStatus(
                connected=self._connected,
                enabled=frozenset(self._enabled),
                traffic=Traffic(**self._counts),
                ack_latency=None,
                bad_at_board=0,
                silences=0,
                supply=None,
                low_voltage=False,
                last_error=self._last_error,
            )

    def close(self) -> None:
        """End the thread, which closes the port; a release under way is seen through first."""
        with self._lock:
            releases = list(self._releases)
        wait(releases)
        self._line.close()

    # ---- in a conversation: who asks waits; the thread settles every question, come what may

    def _ask(self, data: bytes, kind: type[_M], within: float, deadline: float) -> _M:
        with self._lock:
            self._check_serving()
            answer = self._enqueue(
                data, lambda message: isinstance(message, kind), within, deadline
            )
        return cast('_M', answer.result())

    def _look_at(self, pins: Iterable[int], deadline: float = inf) -> list[messages.PinState]:
        with self._lock:
            self._check_serving()
            answers = [self._look(pin, deadline) for pin in pins]
        return [cast('messages.PinState', answer.result()) for answer in answers]

    # ---- from anywhere, under the lock

    def _enqueue(
        self,
        data: bytes,
        answers: Callable[[messages.Message], bool],
        within: float,
        deadline: float = inf,
    ) -> Future[messages.Message]:
        answer: Future[messages.Message] = Future()
        self._questions.append(_Question(data, answers, within, deadline, answer))
        self._send(time.monotonic())
        return answer

    def _look(self, pin: int, deadline: float = inf) -> Future[messages.Message]:
        return self._enqueue(
            messages.pin_state_query(pin),
            lambda message: isinstance(message, messages.PinState) and message.pin == pin,
            LOST_AFTER,
            deadline,
        )

    def _check_serving(self) -> None:
        if not self._line.serving:
            raise LinkLostError(self._last_error or f'{self._port}: not open')

    def _send(self, now: float) -> None:
        """Write what is due: what is urgent, the question at the head, the pose that waits."""
        data, self._urgent = self._urgent, b''
        if self._questions:
            data += self._put(self._questions[0], now)
        if self._pose_waits and now >= self._line_free_at:
            self._pose_waits = False
            data += b''.join(
                messages.servo_write(pin, pulse_us)
                for pin, pulse_us in self._pose.items()
                if pin in self._driven
            )
        if data:
            seconds = len(data) * BITS_PER_BYTE / BAUD_RATE
            self._line_free_at = max(now, self._line_free_at) + seconds
            self._line.write(data)

    def _put(self, question: _Question, now: float) -> bytes:
        """Bytes of the question at the head, if it is time to write them, perhaps again."""
        if question.asked_at is None:
            question.asked_at = now
        elif now - question.repeated_at < ANSWER_WITHIN:
            return b''
        else:
            self._counts['unanswered'] += 1
        question.repeated_at = now
        self._counts['sent'] += 1
        return question.data

    def _settle(self, outcome: messages.Message | BoardError) -> None:
        """Take the question at the head off the queue and hand over what became of it."""
        question = self._questions.popleft()
        if isinstance(outcome, BoardError):
            self._counts['unanswered'] += question.asked_at is not None
            question.answer.set_exception(outcome)
        else:
            self._counts['acknowledged'] += 1
            question.answer.set_result(outcome)
        self._conclude_release()

    def _conclude_release(self) -> None:
        """Tell what became of a release once every pin is off or given up."""
        if self._release is None or not all(answer.done() for answer in self._releases):
            return
        release, self._release = self._release, None
        for answer in self._releases:
            if (error := answer.exception()) is not None:
                release.set_exception(error)
                return
        release.set_result(None)

    # ---- in the thread

    def _converse(self) -> None:
        decoder = messages.Decoder()
        pause = TICK
        while not self._line.closing:
            found = decoder.feed(self._line.read(pause))
            now = time.monotonic()
            with self._lock:
                self._hear(found)
                self._judge(now)
                if self._connected and not self._questions and now >= self._next_look:
                    self._next_look = now + LOOK_EVERY
                    self._look_around()
                self._send(now)
                pause = min(TICK, self._line_free_at - now) if self._pose_waits else TICK

    # ---- in the thread, under the lock

    def _end(self, lost: LinkLostError) -> None:
        """Give up all that waits."""
        self._connected = self._pose_waits = False
        if not self._line.closing:
            self._last_error = str(lost)
        while self._questions:
            self._settle(lost)

    def _look_around(self) -> None:
        """Ask for the state of the next pin, or for anything while there is none."""
        pins = sorted(self._driven | self._enabled | self._limits.keys())
        if pins:
            self._look(pins[next(self._rounds) % len(pins)])
        else:
            self._enqueue(
                messages.version_query(),
                lambda message: isinstance(message, messages.Version),
                LOST_AFTER,
            )

    def _hear(self, found: Iterable[messages.Message | FrameError]) -> None:
        for message in found:
            if isinstance(message, FrameError):
                self._counts['bad'] += 1
                continue
            if isinstance(message, messages.Firmware) and self._connected:
                raise LinkLostError(f'{self._port}: the board has restarted')
            if isinstance(message, messages.Text):
                self._texts.append(message.words)
                self._last_error = f'the board says: {message.words}'
            if isinstance(message, messages.PinState):
                self._book(message)
            head = self._questions[0] if self._questions else None
            if head is not None and head.asked_at is not None and head.answers(message):
                self._settle(message)

    def _book(self, state: messages.PinState) -> None:
        """Enter in the books what a pin does."""
        if state.mode == messages.SERVO and state.value >= SHORTEST_US:
            self._enabled.add(state.pin)
        else:
            self._enabled.discard(state.pin)
        if state.mode == messages.SERVO and self._connected and state.pin not in self._driven:
            self._urgent += messages.pin_mode(state.pin, messages.INPUT)

    def _judge(self, now: float) -> None:
        """Call the link lost when the board has had its chances to answer."""
        head = self._questions[0] if self._questions else None
        if head is None or head.asked_at is None:
            return
        asked = f'{self._port}: no answer to Firmata message {head.data.hex(" ")}'
        if now > head.deadline:
            raise LinkLostError(f'{asked} within the {OPEN_WITHIN} s for all of opening')
        if now - head.asked_at > head.within:
            raise LinkLostError(f'{asked} within {head.within} s')


def _is_off(pin: int) -> Callable[[messages.Message], bool]:
    """Tell of a message whether it says that a pin is no servo."""
    return lambda message: (
        isinstance(message, messages.PinState)
        and message.pin == pin
        and message.mode != messages.SERVO
    )
