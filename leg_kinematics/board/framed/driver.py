# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The driver for boards that speak our framed protocol over a serial line.

The thread of the line reads and watches the clock; a pose or a request is written by whoever has
it, if its turn has come, else by the thread. Requests go out one at a time and are repeated until
answered; poses are never repeated, because the next one says more.
"""

import threading
import time
from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future, wait
from dataclasses import dataclass
from typing import ClassVar

from leg_kinematics.board.driver import BoardIdentity, BoardStatus, SilenceAction, Traffic
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.board.serial_line import SerialLine
from leg_kinematics.errors import (
    BoardError,
    CommandError,
    FrameError,
    LinkLostError,
    NotSentError,
    RefusedError,
    SettingsDifferError,
)

OPEN_WITHIN = 5.0
"""s for all of opening; a board whose port resets it needs about two for its boot loader."""
CONFIGURE_WITHIN = 3.0
"""s for all settings together. On a good line they take 0.03. With 0.1 for every answer that does
not come, half of them may get lost; a line that is worse than that carries no robot."""
LOST_AFTER = 0.5
"""s of unanswered frames without a single byte from the board."""
ANSWER_WITHIN = 0.1
"""s after which a request is repeated and a pose is counted as unanswered."""
REQUEST_WITHIN = 2.0
"""s after which a request that was repeated in vain breaks the link."""
STORE_WITHIN = 2.0
"""s more to store them, which takes a board 0.3 s."""
STATUS_EVERY = 0.2
"""s between questions for the board's counters, which also show that it lives."""
POSES_IN_FLIGHT = 2
"""Poses without an answer that may be under way, so that a stalled board finds few stale ones."""
TICK = 0.02
"""s between looks at the clock while the line is quiet."""


@dataclass
class _Request:
    """A message that must be answered, and who waits for the answer."""

    message: frames.Message
    within: float
    deadline: float
    answer: Future[frames.Message]
    seq: int | None = None


@dataclass(frozen=True)
class _Flight:
    """A frame under way."""

    message: frames.Message
    sent_at: float


def _answered(reply: frames.Message) -> frames.MessageType | None:
    """Tell what type of frame a reply answers."""
    match reply:
        case frames.Identity():
            return frames.MessageType.HELLO
        case frames.StatusReport():
            return frames.MessageType.STATUS_REQUEST
        case frames.SettingsReport():
            return frames.MessageType.SETTINGS_REQUEST
        case frames.Ack() | frames.Refused():
            return reply.answered
    return None


def _refusal(reply: frames.Refused) -> str:
    """Put a refusal in words."""
    asked = reply.answered.name.lower()
    reason = reply.reason.name.lower().replace('_', ' ')
    where = '' if reply.channel == frames.NO_CHANNEL else f' (channel {reply.channel})'
    return f'the board refused {asked}: {reason}{where}'


class FramedDriver:
    """A board that speaks our framed protocol; implements ``BoardDriver``.

    Parameters
    ----------
    port
        The serial device, best by a name that stays the same when it is plugged in again.

    """

    shortcomings: ClassVar[tuple[str, ...]] = ()

    def __init__(self, port: str) -> None:
        """Prepare the books; nothing is opened yet."""
        self._port = port
        self._lock = threading.Lock()
        self._line = SerialLine(port, frames.BAUD_RATE, self._lock, self._converse, self._end)
        self._connected = False
        self._pose: frames.Pose | None = None
        self._requests: deque[_Request] = deque()
        self._flights: dict[int, _Flight] = {}
        self._seq = 0
        self._waiting_since: float | None = None
        self._next_status = 0.0
        self._releases = 0
        self._unanswered_since: float | None = None
        self._counts: Counter[str] = Counter()
        self._boots: int | None = None
        self._enabled: frozenset[int] = frozenset()
        self._stored: dict[int, tuple[float, float]] = {}
        self._report: frames.StatusReport | None = None
        self._ack_latency: float | None = None
        self._last_error = ''

    # ---- BoardDriver, called from anywhere

    def open(self) -> BoardIdentity:
        """Open the port, ping until the board identifies itself, and ask for its settings."""
        began = time.monotonic()
        self._line.open()
        with self._lock:
            self._line.write(b'\0')  # ends whatever an earlier conversation left half sent
        reply = self._ask(frames.Hello(), OPEN_WITHIN, since=began)
        if not isinstance(reply, frames.Identity):
            msg = f'{self._port}: answered hello with {reply}'
            raise LinkLostError(msg)
        if reply.protocol != frames.PROTOCOL_VERSION:
            msg = (
                f'{self._port}: the board speaks protocol {reply.protocol} (firmware '
                f'{reply.firmware_major}.{reply.firmware_minor}), this package '
                f'{frames.PROTOCOL_VERSION}; flash the firmware as `leg-kinematics firmware` tells'
            )
            raise BoardError(msg)
        settings, stored = self._ask_settings(OPEN_WITHIN, since=began)
        self._stored = {channel: settings.limits[channel] for channel in stored}
        return BoardIdentity(
            firmware=f'{reply.firmware_major}.{reply.firmware_minor}',
            channels=reply.channels,
            boots=reply.boots,
            boot_reason=reply.boot_reason.name.lower().replace('_', ' '),
            pulses_us=_pulses(reply),
            limits=self._stored,
            silence=SilenceAction(settings.silence.reaction, settings.silence.timeout_ms / 1000.0),
        )

    def configure(
        self,
        limits: Mapping[int, tuple[float, float]],
        silence: SilenceAction,
        *,
        store: bool = False,
    ) -> None:
        """Set silence first, then the limits channel by channel, each acknowledged.

        All of it takes 3 s at most, and 2 s more to store it.
        """
        if not store:
            self._compare(limits)
        settings: list[frames.Message] = [
            frames.Silence(silence.reaction, round(1000.0 * silence.timeout))
        ]
        for channel, (lowest_us, highest_us) in limits.items():
            settings.append(frames.Limits(channel, lowest_us, highest_us, replace=store))
        self._set(settings, store=store)
        if store:
            self._stored |= {channel: _quantised(pulses) for channel, pulses in limits.items()}

    def enable(self, channels: Iterable[int]) -> None:
        """Switch pulses on in these channels."""
        self._ask(frames.Enable(frames.to_mask(channels)))

    def set_pulses(self, pulses_us: Mapping[int, float]) -> None:
        """Write the pose, or have it wait for its turn in place of the one that waits."""
        pulses = [0.0] * frames.CHANNELS
        for channel, pulse_us in pulses_us.items():
            if not 0 <= channel < frames.CHANNELS:
                msg = f'channel {channel} does not exist, expected 0 to {frames.CHANNELS - 1}'
                raise CommandError(msg)
            if not frames.SHORTEST_US <= pulse_us <= frames.LONGEST_US:  # false for NaN as well
                msg = (
                    f'pulse {pulse_us} us for channel {channel} is out of range, expected '
                    f'{frames.SHORTEST_US} to {frames.LONGEST_US} us'
                )
                raise CommandError(msg)
            pulses[channel] = pulse_us
        with self._lock:
            if not self._connected:
                raise LinkLostError(self._last_error or f'{self._port}: not open')
            self._pose = frames.Pose(tuple(pulses))
            self._send(time.monotonic())

    def release(self) -> Future[None]:
        """Drop what waits and write the release at once; it is repeated until acknowledged."""
        confirmed: Future[None] = Future()
        confirmed.set_running_or_notify_cancel()  # nobody can cancel what has been said
        with self._lock:
            self._releases += 1
            self._pose = self._unanswered_since = None
            under_way = None
            while self._requests:
                request = self._requests.popleft()
                if isinstance(request.message, frames.Release):
                    under_way = request
                else:
                    self._settle(request, RefusedError(f'{self._port}: given up for a release'))
            if not self._connected:
                reason = f'{self._port}: no board has identified itself'
                if self._line.closing:
                    reason = f'{self._port}: closed'
                elif self._last_error:
                    reason = self._last_error
                confirmed.set_exception(NotSentError(f'no release was sent: {reason}'))
                return confirmed
            answer = (
                self._enqueue(frames.Release(), REQUEST_WITHIN)
                if under_way is None
                else self._say_again(under_way)
            )
            if self._line.broken is not None:
                reason = f'{self._port}: the line broke: {self._line.broken}'
                confirmed.set_exception(NotSentError(f'no release was sent: {reason}'))
                return confirmed
        answer.add_done_callback(lambda done: _pass_on(done, confirmed))
        return confirmed

    def status(self) -> BoardStatus:
        """Copy the books."""
        with self._lock:
            report, since = self._report, self._unanswered_since
            return BoardStatus(
                connected=self._connected,
                enabled=self._enabled,
                traffic=Traffic(**self._counts),
                ack_latency=self._ack_latency,
                bad_at_board=report.bad if report else 0,
                silences=report.silences if report else 0,
                supply=_supply(report),
                low_voltage=report is not None and report.low_voltage,
                last_error=self._last_error,
                waiting=None if since is None else time.monotonic() - since,
            )

    def close(self) -> None:
        """End the thread, which closes the port; who waits for an answer gets LinkLostError.

        A release that is under way is seen through first, within the time of any request.
        """
        with self._lock:
            releases = [
                request.answer
                for request in self._requests
                if isinstance(request.message, frames.Release)
            ]
        wait(releases)
        self._line.close()

    # ---- beyond BoardDriver: the board by itself, whatever robot it drives

    def settings(self) -> Settings:
        """Ask the board for all its settings, stored or not.

        Raises
        ------
        LinkLostError
            The line breaks meanwhile.

        """
        return self._ask_settings()[0]

    def adjust(self, supply: frames.Supply, period: frames.Period) -> None:
        """Set what belongs to the board itself and store it, with all its other settings.

        Raises
        ------
        RefusedError
            The board refuses a setting.
        LinkLostError
            The line breaks meanwhile.

        """
        self._set([supply, period], store=True)

    def refresh(self) -> BoardStatus:
        """Ask the board for its counters and its supply, and give the status then.

        Raises
        ------
        LinkLostError
            The line breaks meanwhile.

        """
        self._ask(frames.StatusRequest())
        return self.status()

    # ---- in a conversation

    def _ask(
        self,
        message: frames.Message,
        within: float = REQUEST_WITHIN,
        *,
        since: float | None = None,
        releases: int | None = None,
    ) -> frames.Message:
        """Put a request and wait; the thread settles every one, come what may.

        Parameters
        ----------
        message
            What to ask.
        within
            How long until the link counts as lost, s.
        since
            When that time began, where it is for more than this request, s.
        releases
            The number of releases that were asked for when that began, where another one ends it.

        """
        frames.encode(message, 0)  # what cannot be sent is the caller's affair, not the thread's
        with self._lock:
            if not self._line.serving:
                raise LinkLostError(self._last_error or f'{self._port}: not open')
            if releases is not None and releases != self._releases:
                raise RefusedError(f'{self._port}: given up for a release')
            answer = self._enqueue(message, within, since)
        return answer.result()

    def _set(self, settings: Sequence[frames.Message], *, store: bool) -> None:
        """Give the board settings one by one, all of them in a time that has a bound."""
        began, within = time.monotonic(), CONFIGURE_WITHIN
        with self._lock:
            releases = self._releases
        for confirmed, message in enumerate([*settings, frames.Store()] if store else settings):
            if isinstance(message, frames.Store):
                within += STORE_WITHIN
            try:
                self._ask(message, within, since=began, releases=releases)
            except LinkLostError as error:
                progress = f'{confirmed} of {len(settings)} settings were confirmed'
                if confirmed == len(settings):
                    progress += ', but not that they are stored'
                raise LinkLostError(f'{error}; {progress}') from error

    def _ask_settings(
        self, within: float = REQUEST_WITHIN, *, since: float | None = None
    ) -> tuple[Settings, frozenset[int]]:
        """Give the settings, and the channels whose limits are stored."""
        first, second = (
            self._ask(frames.SettingsRequest(half), within, since=since) for half in (0, 1)
        )
        if not (
            isinstance(first, frames.SettingsReport) and isinstance(second, frames.SettingsReport)
        ):
            msg = f'{self._port}: answered settings requests with {first} and {second}'
            raise LinkLostError(msg)
        limits = enumerate(first.limits_us + second.limits_us)
        settings = Settings(
            {channel: pulses for channel, pulses in limits if any(pulses)},
            frames.Silence(first.reaction, first.timeout_ms),
            frames.Supply(first.divider_permille, first.low_mv),
            frames.Period(first.period_us),
        )
        return settings, frames.to_channels(first.stored)

    def _compare(self, limits: Mapping[int, tuple[float, float]]) -> None:
        """Raise where the board stores other limits."""
        differing = [
            f'channel {channel} stores {_range(stored)}, given {_range(limits[channel])}'
            for channel, stored in sorted(self._stored.items())
            if channel in limits and _quantised(limits[channel]) != stored
        ]
        if differing:
            msg = (
                f'{self._port}: the board stores other pulse limits: {"; ".join(differing)}. '
                f'Take the servo maps that belong to this board or calibrate again; to make the '
                f"board take these limits, set the bridge's parameter store_limits"
            )
            raise SettingsDifferError(msg)

    # ---- from anywhere, under the lock

    def _enqueue(
        self, message: frames.Message, within: float, since: float | None = None
    ) -> Future[frames.Message]:
        answer: Future[frames.Message] = Future()
        now = time.monotonic()
        deadline = (now if since is None else since) + within
        self._requests.append(_Request(message, within, deadline, answer))
        self._send(now)
        return answer

    def _say_again(self, request: _Request) -> Future[frames.Message]:
        """Put a request back at the head and write it now, whether or not it is its time."""
        self._requests.appendleft(request)
        if request.seq is not None and self._flights.pop(request.seq, None) is not None:
            self._counts['unanswered'] += 1
        self._send(time.monotonic())
        return request.answer

    def _settle(self, request: _Request, outcome: frames.Message | BoardError) -> None:
        if request.seq is not None and self._flights.pop(request.seq, None) is not None:
            self._counts['unanswered'] += 1
        if isinstance(outcome, BoardError):
            request.answer.set_exception(outcome)
        else:
            request.answer.set_result(outcome)

    def _send(self, now: float) -> None:
        """Write what is due: the pose that waits, then the request at the head."""
        self._expire(now)
        poses = sum(isinstance(f.message, frames.Pose) for f in self._flights.values())
        if self._pose is not None and poses < POSES_IN_FLIGHT:
            self._launch(self._pose, self._next_seq(), now)
            self._pose = None
        # A request waits for the pose before it: enabling needs the pulses of that pose.
        if self._requests and self._pose is None:
            request = self._requests[0]
            if request.seq is None:
                request.seq = self._next_seq()
            if request.seq not in self._flights:
                self._launch(request.message, request.seq, now)

    def _expire(self, now: float) -> None:
        late = [s for s, flight in self._flights.items() if now - flight.sent_at > ANSWER_WITHIN]
        for seq in late:
            del self._flights[seq]
        self._counts['unanswered'] += len(late)

    def _next_seq(self) -> int:
        taken = {request.seq for request in self._requests} | self._flights.keys()
        self._seq = (self._seq + 1) % 256
        while self._seq in taken:
            self._seq = (self._seq + 1) % 256
        return self._seq

    def _launch(self, message: frames.Message, seq: int, now: float) -> None:
        self._flights[seq] = _Flight(message, now)
        if self._unanswered_since is None and isinstance(message, frames.Pose):
            self._unanswered_since = now
        self._counts['sent'] += 1
        if self._waiting_since is None:
            self._waiting_since = now
        self._line.write(frames.encode(message, seq))

    # ---- in the thread

    def _converse(self) -> None:
        decoder = frames.FrameDecoder()
        while not self._line.closing:
            found = decoder.feed(self._line.read(TICK))
            now = time.monotonic()
            with self._lock:
                self._hear(found, now)
                self._judge(now)
                self._send(now)
                if self._connected and not self._requests and now >= self._next_status:
                    self._next_status = now + STATUS_EVERY
                    self._enqueue(frames.StatusRequest(), REQUEST_WITHIN)

    # ---- in the thread, under the lock

    def _end(self, lost: LinkLostError) -> None:
        """Give up all that waits or is under way."""
        self._connected = False
        self._pose = self._unanswered_since = None
        if not self._line.closing:
            self._last_error = str(lost)
        while self._requests:
            self._settle(self._requests.popleft(), lost)
        self._counts['unanswered'] += len(self._flights)
        self._flights.clear()

    def _hear(self, found: list[frames.Frame | FrameError], now: float) -> None:
        for item in found:
            if isinstance(item, FrameError):
                self._counts['bad'] += 1
                continue
            self._waiting_since = None
            flight = self._flights.get(item.seq)
            if flight is not None and _answered(item.message) == flight.message.TYPE:
                del self._flights[item.seq]
                self._book(flight, item, now)

    def _book(self, flight: _Flight, reply: frames.Frame, now: float) -> None:
        """Enter an answer in the books and hand it to who waits for it."""
        if isinstance(flight.message, frames.Pose):
            # The answer stands for every pose before it, for the next one says more.
            later = (
                f.sent_at for f in self._flights.values() if isinstance(f.message, frames.Pose)
            )
            self._unanswered_since = min((t for t in later if t > flight.sent_at), default=None)
        outcome: frames.Message | BoardError = reply.message
        if isinstance(reply.message, frames.Refused):
            self._counts['refused'] += 1
            self._last_error = _refusal(reply.message)
            outcome = RefusedError(f'{self._port}: {self._last_error}')
        else:
            self._counts['acknowledged'] += 1
            match flight.message, reply.message:
                case (frames.Pose(), _):
                    self._ack_latency = now - flight.sent_at
                case frames.Enable(mask), _:
                    self._enabled |= frames.to_channels(mask)
                case frames.Release(), _:
                    self._enabled = frozenset()
                case frames.Hello(), frames.Identity() as identity:
                    self._connected = True
                    self._boots = identity.boots
                    self._enabled = frozenset(_pulses(identity))
                case frames.StatusRequest(), frames.StatusReport() as report:
                    if report.boots != self._boots:
                        # It has forgotten what it was told; a new conversation tells it again.
                        msg = f'{self._port}: the board has restarted'
                        raise LinkLostError(msg)
                    self._report = report
                    self._enabled = frames.to_channels(report.enabled)
        if self._requests and self._requests[0].seq == reply.seq:
            self._settle(self._requests.popleft(), outcome)

    def _judge(self, now: float) -> None:
        """Call the link lost when the board has had its chances to answer."""
        since = self._waiting_since
        if self._connected and since is not None and now - since > LOST_AFTER:
            msg = f'{self._port}: the board has been silent for {LOST_AFTER} s'
            raise LinkLostError(msg)
        for request in self._requests:
            if now > request.deadline:
                name = request.message.TYPE.name.lower().replace('_', ' ')
                msg = f'{self._port}: no answer to {name} within {request.within} s'
                raise LinkLostError(msg)


def _pass_on(answer: Future[frames.Message], confirmed: Future[None]) -> None:
    """Tell who waits for a release what became of it."""
    error = answer.exception()
    if error is None:
        confirmed.set_result(None)
    else:
        confirmed.set_exception(error)


def _pulses(identity: frames.Identity) -> dict[int, float]:
    """Pulses of the channels that have them on."""
    return {channel: pulse for channel, pulse in enumerate(identity.pulses_us) if pulse}


def _supply(report: frames.StatusReport | None) -> float | None:
    """Give the supply in V, where it is known."""
    if report is None or report.supply_mv == frames.NOT_MEASURED:
        return None
    return report.supply_mv / 1000.0


def _quantised(limits_us: tuple[float, float]) -> tuple[float, float]:
    """Give limits as the line carries them."""
    lowest_us, highest_us = limits_us
    return frames.to_us(frames.to_half_us(lowest_us)), frames.to_us(frames.to_half_us(highest_us))


def _range(limits_us: tuple[float, float]) -> str:
    """Write limits for a person."""
    return f'{limits_us[0]:g} to {limits_us[1]:g} us'
