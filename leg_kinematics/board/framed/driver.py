# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The driver for boards that speak our framed protocol over a serial line.

Poses are never repeated, because the next one says more; two of them may be under way at once.
"""

import time
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future
from typing import ClassVar, NamedTuple

from leg_kinematics.board.conversation import ANSWER_WITHIN, OPEN_WITHIN, Conversation
from leg_kinematics.board.driver import BoardIdentity, BoardStatus, SilenceAction, Traffic
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.errors import (
    BoardError,
    CommandError,
    LinkLostError,
    RefusedError,
    SettingsDifferError,
)

CONFIGURE_WITHIN = 3.0
"""Longest time for all settings together, s. On a good line they take 0.03. With 0.1 for every
answer that does not come, half of them may get lost; a line that is worse than that carries no
robot."""
LOST_AFTER = 0.5
"""Time of unanswered frames without a single byte from the board, s."""
REQUEST_WITHIN = 2.0
"""Time after which a request that was repeated in vain breaks the link, s."""
STORE_WITHIN = 2.0
"""Additional time to store them, s; a board takes 0.3."""
STATUS_EVERY = 0.2
"""Time between questions for the board's counters, which also show that it is alive, s."""
POSES_IN_FLIGHT = 2
"""Poses without an answer that may be under way, so that a stalled board finds few stale ones."""


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


class _PoseUnderWay(NamedTuple):
    """A pose whose answer has not come yet, and when it was written on both clocks, s."""

    pose: frames.Pose
    sent_at: float
    listened: float


class FramedDriver(Conversation[frames.Frame, frames.Frame]):
    """A board that speaks our framed protocol; implements ``BoardDriver``.

    Parameters
    ----------
    port
        The serial device, best by a name that stays the same when it is plugged in again.

    """

    shortcomings: ClassVar[tuple[str, ...]] = ()

    def __init__(self, port: str) -> None:
        """Prepare; nothing is opened yet."""
        super().__init__(port, frames.BAUD_RATE, frames.FrameDecoder().feed, STATUS_EVERY)
        self._pose: frames.Pose | None = None
        self._poses_under_way: dict[int, _PoseUnderWay] = {}
        self._pose_us: Mapping[int, float] = {}
        self._seq = 0
        self._waiting_since: float | None = None
        self._release_count = 0
        self._unanswered_since: float | None = None
        self._boots: int | None = None
        self._enabled: frozenset[int] = frozenset()
        self._stored: dict[int, tuple[float, float]] = {}
        self._report: frames.StatusReport | None = None
        self._ack_latency: float | None = None

    # ---- BoardDriver, called from anywhere

    def open(self) -> BoardIdentity:
        """Open the port, ping until the board identifies itself, and ask for its settings."""
        began = self._listened
        self._line.open()
        with self._lock:
            self._line.write(b'\0')  # ends whatever an earlier conversation left half sent
        reply = self._ask(frames.Hello(), OPEN_WITHIN, began=began)
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
        settings, stored = self._ask_settings(OPEN_WITHIN, began=began)
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
                raise self._not_open()
            self._pose = frames.Pose(tuple(pulses))
            self._send(time.monotonic())

    def release(self) -> Future[None]:
        """Drop what waits and write the release at once; it is repeated until acknowledged."""
        with self._lock:
            self._release_count += 1
            self._pose = self._unanswered_since = None
            return self._release_by(lambda: [self._put(frames.Release())])

    def status(self) -> BoardStatus:
        """Tell the latest that is known."""
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
                waiting=None if since is None else self._listened - since,
                pose_us=self._pose_us,
            )

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
        began: float | None = None,
        releases: int | None = None,
    ) -> frames.Message:
        """Put a request and wait; the thread settles every one, come what may.

        Parameters
        ----------
        message
            What to ask.
        within
            How long until the link counts as lost, s.
        began
            When that time began, where it is for more than this request, s of listening.
        releases
            The number of releases that were asked for when that began, where another one ends it.

        """
        frames.encode(message, 0)  # what cannot be sent is the caller's affair, not the thread's
        with self._lock:
            if releases is not None and releases != self._release_count:
                raise RefusedError(f'{self._port}: given up for a release')
            answer = self._put(message, within, began)
        return answer.result().message

    def _set(self, settings: Sequence[frames.Message], *, store: bool) -> None:
        """Give the board settings one by one, all of them in a time that has a bound."""
        within = CONFIGURE_WITHIN
        with self._lock:
            began, releases = self._listened, self._release_count
        for confirmed, message in enumerate([*settings, frames.Store()] if store else settings):
            if isinstance(message, frames.Store):
                within += STORE_WITHIN
            try:
                self._ask(message, within, began=began, releases=releases)
            except LinkLostError as error:
                progress = f'{confirmed} of {len(settings)} settings were confirmed'
                if confirmed == len(settings):
                    progress += ', but not that they are stored'
                raise LinkLostError(f'{error}; {progress}') from error

    def _ask_settings(
        self, within: float = REQUEST_WITHIN, *, began: float | None = None
    ) -> tuple[Settings, frozenset[int]]:
        """Give the settings, and the channels whose limits are stored."""
        first, second = (
            self._ask(frames.SettingsRequest(half), within, began=began) for half in (0, 1)
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

    def _put(
        self, message: frames.Message, within: float = REQUEST_WITHIN, began: float | None = None
    ) -> Future[frames.Frame]:
        name = message.TYPE.name.lower().replace('_', ' ')
        return self._request(self._frame(message), name, within, began=began)

    def _frame(self, message: frames.Message) -> frames.Frame:
        """Give a message a number that nothing under way or waiting has."""
        taken = {request.content.seq for request in self._requests} | self._poses_under_way.keys()
        self._seq = (self._seq + 1) % 256
        while self._seq in taken:
            self._seq = (self._seq + 1) % 256
        return frames.Frame(message, self._seq)

    def _send(self, now: float) -> None:
        """Write what is due: the pose that waits, then the request at the head."""
        sent = self._poses_under_way
        for seq in [seq for seq, each in sent.items() if now - each.sent_at > ANSWER_WITHIN]:
            del sent[seq]
            self._counts['unanswered'] += 1
        if self._pose is not None and len(sent) < POSES_IN_FLIGHT:
            pose, self._pose = self._pose, None
            frame = self._frame(pose)
            sent[frame.seq] = _PoseUnderWay(pose, now, self._listened)
            if self._unanswered_since is None:
                self._unanswered_since = self._listened
            self._counts['sent'] += 1
            self._write(frame)
        # A request waits for the pose before it: enabling needs the pulses of that pose.
        if self._pose is None and (due := self._due(now)) is not None:
            self._write(due)

    def _write(self, frame: frames.Frame) -> None:
        if self._waiting_since is None:
            self._waiting_since = self._listened
        self._line.write(frames.encode(frame.message, frame.seq))

    # ---- in the thread, under the lock

    def _end(self, lost: LinkLostError) -> None:
        self._pose = self._unanswered_since = None
        self._counts['unanswered'] += len(self._poses_under_way)
        self._poses_under_way.clear()
        super()._end(lost)

    def _look(self) -> None:
        """Ask for the counters of the board."""
        self._put(frames.StatusRequest())

    def _hear(self, frame: frames.Frame) -> None:
        """Note an answer and hand it to whoever waits for it."""
        self._waiting_since = None
        answered = _answered(frame.message)
        asked = self._asked()
        if answered is frames.MessageType.POSE and frame.seq in self._poses_under_way:
            self._book_pose(frame.message, self._poses_under_way.pop(frame.seq))
        elif asked is not None and (asked.seq, asked.message.TYPE) == (frame.seq, answered):
            if isinstance(frame.message, frames.Refused):
                self._settle(self._refused(frame.message), 'refused')
            else:
                self._settle(frame, 'acknowledged')
                self._book(asked.message, frame.message)

    def _book_pose(self, reply: frames.Message, answered: _PoseUnderWay) -> None:
        # The answer stands for every pose before it, for the next one says more.
        later = [p for p in self._poses_under_way.values() if p.sent_at > answered.sent_at]
        self._unanswered_since = min((each.listened for each in later), default=None)
        if isinstance(reply, frames.Refused):
            self._refused(reply)
            self._counts['refused'] += 1
        else:
            self._ack_latency = time.monotonic() - answered.sent_at
            self._pose_us = answered.pose.put_out_us
            self._counts['acknowledged'] += 1

    def _refused(self, reply: frames.Refused) -> RefusedError:
        self._last_error = _refusal(reply)
        return RefusedError(f'{self._port}: {self._last_error}')

    def _book(self, asked: frames.Message, reply: frames.Message) -> None:
        match asked, reply:
            case frames.Enable(mask), _:
                self._enabled |= frames.to_channels(mask)
            case frames.Release(), _:
                self._enabled = frozenset()
            case _, frames.Identity() as identity:
                self._connected = True
                self._boots = identity.boots
                self._enabled = frozenset(_pulses(identity))
            case _, frames.StatusReport() as report:
                if report.boots != self._boots:
                    # It has forgotten what it was told; a new conversation tells it again.
                    msg = f'{self._port}: the board has restarted'
                    raise LinkLostError(msg)
                self._report = report
                self._enabled = frames.to_channels(report.enabled)

    def _judge(self) -> None:
        """Call the link lost when the board has had its chances to answer, or is silent."""
        since = self._waiting_since
        if self._connected and since is not None and self._listened - since > LOST_AFTER:
            msg = f'{self._port}: the board has been silent for {LOST_AFTER} s'
            raise LinkLostError(msg)
        super()._judge()


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
