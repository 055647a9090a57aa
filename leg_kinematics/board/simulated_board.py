# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The board's side of our framed protocol, as a state machine without input or output.

Bytes go in, bytes come out, and time is an argument; the mock board puts it behind a pty and
tests drive it directly. It is also the reference for firmware.
"""

from collections.abc import Callable

from leg_kinematics.board import frames
from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.frames import Reason
from leg_kinematics.board.pulse_log import Record
from leg_kinematics.board.servo import ServoDynamics, SimulatedServo
from leg_kinematics.errors import FrameError

FIRMWARE = (1, 0)

BOOT_SILENCE = frames.Silence(Reaction.RELEASE, 500)
"""The reaction of a board that has not been told another."""


class SimulatedBoard:
    """A servo board of 18 channels from its power-on.

    Parameters
    ----------
    dynamics
        Of every servo.
    now
        Time of the start, s.
    boots
        Count of its starts, as its memory would keep it.
    record
        Called with everything that happens.

    """

    def __init__(
        self,
        dynamics: ServoDynamics,
        now: float,
        *,
        boots: int = 1,
        record: Callable[[Record], None] = lambda _: None,
    ) -> None:
        """Switch it on: no limits, no pulses."""
        self.enabled: frozenset[int] = frozenset()
        self._servos = [SimulatedServo(dynamics) for _ in range(frames.CHANNELS)]
        self._boots = boots
        self._record = record
        self._now = now
        self._decoder = frames.FrameDecoder()
        self._limits: dict[int, tuple[float, float]] = {}
        self._pulses: dict[int, float] = {}
        self._silence = BOOT_SILENCE
        self._fed: float | None = None
        self._last: tuple[frames.Frame, frames.Message] | None = None
        self._accepted = self._refused = self._bad = self._silences = 0
        self._note('boot', detail=f'boots {boots}')

    @property
    def outputs_us(self) -> dict[int, float]:
        """The pulse that each enabled channel puts out, µs."""
        return {channel: self._pulses[channel] for channel in sorted(self.enabled)}

    @property
    def positions_us(self) -> dict[int, float]:
        """Where each servo stands whose position is known, as a pulse in µs."""
        return {
            channel: servo.position_us
            for channel, servo in enumerate(self._servos)
            if servo.position_us is not None
        }

    @property
    def silent_at(self) -> float | None:
        """When the host will have been silent for too long, s; None while nothing is watched."""
        return None if self._fed is None else self._fed + self._silence.timeout_ms / 1000.0

    def advance(self, now: float) -> None:
        """Let time pass: silence takes effect, servos turn."""
        silent_at = self.silent_at
        if silent_at is not None and silent_at <= now:
            self._turn(max(silent_at, self._now))
            self._fall_silent()
        self._turn(now)

    def receive(self, data: bytes, now: float) -> bytes:
        """Take bytes that arrived by now; return the answers."""
        self.advance(now)
        replies = bytearray()
        for item in self._decoder.feed(data):
            if isinstance(item, FrameError):
                self._bad = (self._bad + 1) & 0xFFFF
                self._note('bad', detail=str(item))
                continue
            reply = self._answer(item)
            if reply is not None:
                replies += frames.encode(reply, item.seq)
        return bytes(replies)

    def _turn(self, now: float) -> None:
        outputs = self.outputs_us
        for channel, servo in enumerate(self._servos):
            servo.advance(outputs.get(channel), now - self._now)
        self._now = now

    def _fall_silent(self) -> None:
        self._fed = None
        self._silences = (self._silences + 1) & 0xFFFF
        if self._silence.reaction is Reaction.RELEASE:
            self.enabled = frozenset()
        # Stale pulses must not wait for a later enable.
        self._pulses = self.outputs_us
        self._note('silence', detail=self._silence.reaction.value)

    def _answer(self, frame: frames.Frame) -> frames.Message | None:
        if self._last is not None and self._last[0] == frame:
            return self._last[1]
        message = frame.message
        match message:
            case frames.Hello():
                self._last = None
                self._note('hello', frame.seq)
                return frames.Identity(
                    frames.PROTOCOL_VERSION,
                    *FIRMWARE,
                    frames.CHANNELS,
                    self._boots,
                    frames.BootReason.POWER_ON,
                    tuple(self.outputs_us.get(c, 0.0) for c in range(frames.CHANNELS)),
                )
            case frames.StatusRequest():
                self._last = None
                return frames.StatusReport(
                    self._accepted,
                    self._refused,
                    self._bad,
                    self._silences,
                    0,
                    frames.to_mask(self.enabled),
                )
            case frames.Limits():
                refusal = self._take_limits(message, frame.seq)
            case frames.Silence():
                refusal = self._take_silence(message, frame.seq)
            case frames.Enable():
                refusal = self._take_enable(message, frame.seq)
            case frames.Pose():
                refusal = self._take_pose(message, frame.seq)
            case frames.Release():
                self._take_release(frame.seq)
                refusal = None
            case _:  # a board's own message, echoed by the line
                self._bad = (self._bad + 1) & 0xFFFF
                self._note('bad', frame.seq, detail=f'not for a board: {message}')
                return None
        reply: frames.Message = frames.Ack(message.TYPE)
        if refusal is not None:
            self._refused = (self._refused + 1) & 0xFFFF
            reply = frames.Refused(message.TYPE, *refusal)
            pulses = _named(message) if isinstance(message, frames.Pose) else {}
            reason, channel = refusal
            detail = f'{message.TYPE.name.lower()}: {reason.name.lower()}, channel {channel}'
            self._note('refused', frame.seq, pulses, detail)
        self._last = (frame, reply)
        return reply

    def _take_limits(self, limits: frames.Limits, seq: int) -> tuple[Reason, int] | None:
        channel, low, high = limits.channel, limits.lowest_us, limits.highest_us
        if channel >= frames.CHANNELS:
            return Reason.NO_SUCH_CHANNEL, channel
        pulse = self._pulses.get(channel)
        fits = pulse is None or low <= pulse <= high
        if not frames.SHORTEST_US <= low < high <= frames.LONGEST_US:
            return Reason.BAD_SETTING, channel
        if not fits and channel in self.enabled:
            return Reason.BAD_SETTING, channel
        if not fits:
            del self._pulses[channel]
        self._limits[channel] = (low, high)
        self._note('setting', seq, detail=str(limits))
        return None

    def _take_silence(self, silence: frames.Silence, seq: int) -> tuple[Reason, int] | None:
        if silence.timeout_ms == 0:
            return Reason.BAD_SETTING, frames.NO_CHANNEL
        self._silence = silence
        self._note('setting', seq, detail=str(silence))
        return None

    def _take_enable(self, enable: frames.Enable, seq: int) -> tuple[Reason, int] | None:
        channels = frames.to_channels(enable.mask)
        for channel in sorted(channels):
            if channel >= frames.CHANNELS:
                return Reason.NO_SUCH_CHANNEL, channel
            if channel not in self._pulses:
                return Reason.NO_PULSE, channel
        self.enabled |= channels
        self._turn(self._now)
        self._note('enable', seq, {c: self._pulses[c] for c in sorted(channels)})
        return None

    def _take_pose(self, pose: frames.Pose, seq: int) -> tuple[Reason, int] | None:
        pulses = _named(pose)
        for channel, pulse in pulses.items():
            if channel not in self._limits:
                return Reason.NO_LIMITS, channel
            lowest, highest = self._limits[channel]
            if not lowest <= pulse <= highest:
                return Reason.BEYOND_LIMITS, channel
        for channel in sorted(self.enabled - pulses.keys()):
            return Reason.NO_PULSE, channel
        self._pulses = pulses
        self._fed = self._now
        self._accepted = (self._accepted + 1) & 0xFFFFFFFF
        self._note('pose', seq, pulses)
        return None

    def _take_release(self, seq: int) -> None:
        self.enabled = frozenset()
        self._pulses = {}
        self._note('release', seq)

    def _note(
        self,
        event: str,
        seq: int | None = None,
        pulses_us: dict[int, float] | None = None,
        detail: str = '',
    ) -> None:
        enabled = frames.to_mask(self.enabled)
        pulses = pulses_us or {}
        self._record(Record(self._now, event, seq, enabled, pulses, self.positions_us, detail))


def _named(pose: frames.Pose) -> dict[int, float]:
    """Give the channels that a pose says something about."""
    return {channel: pulse for channel, pulse in enumerate(pose.pulses_us) if pulse}
