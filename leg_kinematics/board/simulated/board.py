# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The board's side of our framed protocol, as a state machine without input or output.

Bytes go in, bytes come out, and time is an argument; the mock board puts it behind a pty and
tests drive it directly. It is also the reference for firmware.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.frames import Reason
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.board.simulated.memory import Memory
from leg_kinematics.board.simulated.pulse_log import Record
from leg_kinematics.board.simulated.servo import ServoDynamics, SimulatedServo
from leg_kinematics.errors import FrameError

FIRMWARE = (2, 1)

STORE_WITHIN = 0.3
"""Time to store settings that are all new, s: 83 bytes, and 3.3 ms for each (ATmega328P data sheet,
Microchip DS40002061B, 8.6.3, from memory)."""
LOW_FOR = 0.5
"""By how much longer the supply must have been low than not, or good again than not, before the
board says so, s."""
GOOD_ABOVE_MV = 100
"""mV above its threshold that the supply must reach to be good again."""


_AFRESH = (frames.Hello, frames.StatusRequest, frames.SettingsRequest, frames.Store)
"""What is answered afresh even when it repeats the frame before."""


class SimulatedBoard:
    """A servo board of 18 channels from its power-on.

    Parameters
    ----------
    dynamics
        Of every servo.
    now
        Time of the start, s.
    memory
        What it keeps while it is off; a fresh one unless given.
    supply_mv
        The servo supply at first.
    protocol
        The version that it claims to speak.
    servos
        Those that are there already, by channel, and stand somewhere; the others are new.
    record
        Called with everything that happens.

    """

    def __init__(
        self,
        dynamics: ServoDynamics,
        now: float,
        *,
        memory: Memory | None = None,
        supply_mv: int = frames.NOT_MEASURED,
        protocol: int = frames.PROTOCOL_VERSION,
        servos: Mapping[int, SimulatedServo] | None = None,
        record: Callable[[Record], None] = lambda _: None,
    ) -> None:
        """Switch it on: with the limits of its memory, without pulses."""
        self.enabled: frozenset[int] = frozenset()
        self.low_voltage = False
        self.stored_at: float | None = None
        """When the settings that are being stored will be so, s."""
        there = servos or {}
        self._servos = [
            there.get(channel) or SimulatedServo(dynamics) for channel in range(frames.CHANNELS)
        ]
        self._memory = memory if memory is not None else Memory()
        self._memory.boots = (self._memory.boots + 1) & 0xFFFF
        self._protocol = protocol
        self._record = record
        self._now = now
        self._decoder = frames.FrameDecoder()
        self._settings = self._memory.settings or Settings()
        self._stored = frozenset(self._settings.limits)
        self._storing: Settings | None = None
        self._store_seq = 0
        self._pulses: dict[int, float] = {}
        self._supply_mv = supply_mv
        # The balance of time for which the supply has spoken against the flag: what it came to at
        # an instant, and when it will be full if it is growing since.
        self._against = 0.0
        self._against_at = now
        self._flips_at: float | None = None
        self._fed: float | None = None
        self._last: tuple[frames.Frame, frames.Message] | None = None
        self._accepted = self._refused = self._bad = self._silences = 0
        self._watch_supply()
        self._note('boot', detail=f'boots {self._memory.boots}')

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
        timeout = self._settings.silence.timeout_ms / 1000.0
        return None if self._fed is None else self._fed + timeout

    @property
    def next_at(self) -> float | None:
        """When something will happen by itself, s; None while nothing will."""
        times = (self.silent_at, self.stored_at, self._flips_at)
        return min((time for time in times if time is not None), default=None)

    def set_supply(self, supply_mv: int, now: float) -> bytes:
        """Change the servo supply; return answers that were due by now."""
        replies = self.advance(now)
        self._supply_mv = supply_mv
        self._watch_supply()
        return replies

    def advance(self, now: float) -> bytes:
        """Let time pass: silence takes effect, servos turn. Return answers that were due later."""
        silent_at = self.silent_at
        if silent_at is not None and silent_at <= now:
            self._turn(max(silent_at, self._now))
            self._fall_silent()
        self._turn(now)
        if self._flips_at is not None and self._flips_at <= now:
            self.low_voltage = not self.low_voltage
            self._flips_at = None
            self._against, self._against_at = 0.0, now
            self._note('supply', detail='low' if self.low_voltage else 'good')
        if self.stored_at is not None and self.stored_at <= now:
            self.stored_at = None
            self._memory.settings = self._storing
            self._note('stored', self._store_seq)
            return frames.encode(frames.Ack(frames.MessageType.STORE), self._store_seq)
        return b''

    def receive(self, data: bytes, now: float) -> bytes:
        """Take bytes that arrived by now; return the answers."""
        replies = bytearray(self.advance(now))
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
        if self._settings.silence.reaction is Reaction.RELEASE:
            self.enabled = frozenset()
        # Stale pulses must not wait for a later enable.
        self._pulses = self.outputs_us
        self._note('silence', detail=self._settings.silence.reaction.value)

    def _watch_supply(self) -> None:
        """Go on with the balance from here, in the direction that the supply now asks for."""
        if self._flips_at is not None:
            self._against = LOW_FOR - (self._flips_at - self._now)
        else:
            self._against = max(0.0, self._against - (self._now - self._against_at))
        self._against_at = self._now
        self._flips_at = None
        low_mv = self._settings.supply.low_mv
        if low_mv == 0 or self._supply_mv == frames.NOT_MEASURED:
            self._against = 0.0
            self.low_voltage = False
            return
        if self.low_voltage:
            speaks_against = self._supply_mv >= low_mv + GOOD_ABOVE_MV
        else:
            speaks_against = self._supply_mv < low_mv
        if speaks_against:
            self._flips_at = self._now + LOW_FOR - self._against

    def _answer(self, frame: frames.Frame) -> frames.Message | None:
        message = frame.message
        if self._last is not None and self._last[0] == frame:
            return self._last[1]
        if isinstance(message, _AFRESH):
            self._last = None
            return self._tell(message, frame.seq)
        if message.TYPE >= frames.MessageType.IDENTITY:  # a board's own, echoed by the line
            self._bad = (self._bad + 1) & 0xFFFF
            self._note('bad', frame.seq, detail=f'not for a board: {message}')
            return None
        refusal = self._obey(message, frame.seq)
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

    def _tell(self, message: frames.Message, seq: int) -> frames.Message | None:
        match message:
            case frames.Hello():
                self._note('hello', seq)
                return frames.Identity(
                    self._protocol,
                    *FIRMWARE,
                    frames.CHANNELS,
                    self._memory.boots,
                    frames.BootReason.POWER_ON,
                    tuple(self.outputs_us.get(c, 0.0) for c in range(frames.CHANNELS)),
                )
            case frames.SettingsRequest(half):
                return self._report_settings(half)
            case frames.Store():
                return self._store(seq)
        return frames.StatusReport(
            self._accepted,
            self._refused,
            self._bad,
            self._silences,
            self._supply_mv,
            frames.to_mask(self.enabled),
            self.low_voltage,
            self._memory.boots,
        )

    def _obey(self, message: frames.Message, seq: int) -> tuple[Reason, int] | None:
        match message:
            case frames.Limits():
                return self._take_limits(message, seq)
            case frames.Silence() | frames.Supply() | frames.Period():
                return self._take_setting(message, seq)
            case frames.Enable():
                return self._take_enable(message, seq)
            case frames.Pose():
                return self._take_pose(message, seq)
        self._take_release(seq)
        return None

    def _take_limits(self, limits: frames.Limits, seq: int) -> tuple[Reason, int] | None:
        channel, low, high = limits.channel, limits.lowest_us, limits.highest_us
        if channel >= frames.CHANNELS:
            return Reason.NO_SUCH_CHANNEL, channel
        pulse = self._pulses.get(channel)
        fits = pulse is None or low <= pulse <= high
        if not frames.SHORTEST_US <= low < high <= frames.LONGEST_US:
            return Reason.BAD_SETTING, channel
        changes = self._settings.limits.get(channel) != (low, high)
        if changes and channel in self._stored and not limits.replace:
            return Reason.STORED_OTHERWISE, channel
        if not fits and channel in self.enabled:
            return Reason.BAD_SETTING, channel
        if not fits:
            del self._pulses[channel]
        if changes:
            self._stored -= {channel}
        self._settings = replace(
            self._settings, limits={**self._settings.limits, channel: (low, high)}
        )
        self._note('setting', seq, detail=str(limits))
        return None

    def _take_setting(
        self, setting: frames.Silence | frames.Supply | frames.Period, seq: int
    ) -> tuple[Reason, int] | None:
        match setting:
            case frames.Silence():
                sound = setting.timeout_ms > 0
                settings = replace(self._settings, silence=setting)
            case frames.Supply():
                sound = not 0 < setting.divider_permille < frames.PERMILLE
                settings = replace(self._settings, supply=setting)
            case _:
                sound = frames.SHORTEST_PERIOD_US <= setting.period_us <= frames.LONGEST_PERIOD_US
                settings = replace(self._settings, period=setting)
        if not sound:
            return Reason.BAD_SETTING, frames.NO_CHANNEL
        self._settings = settings
        self._watch_supply()
        self._note('setting', seq, detail=str(setting))
        return None

    def _store(self, seq: int) -> frames.Message | None:
        self._stored = frozenset(self._settings.limits)
        self._store_seq = seq
        self._note('store', seq)
        known = self._memory.settings if self.stored_at is None else self._storing
        if known == self._settings:
            # Written already, or being so: then the answer comes when that is done.
            return frames.Ack(frames.MessageType.STORE) if self.stored_at is None else None
        self._storing = self._settings
        self.stored_at = self._now + STORE_WITHIN
        self._memory.settings = None  # until it is whole
        return None

    def _report_settings(self, half: int) -> frames.SettingsReport:
        settings = self._settings
        first = half * frames.HALF
        return frames.SettingsReport(
            half,
            settings.silence.reaction,
            settings.silence.timeout_ms,
            settings.supply.divider_permille,
            settings.supply.low_mv,
            settings.period.period_us,
            frames.to_mask(self._stored),
            tuple(settings.limits.get(first + n, (0.0, 0.0)) for n in range(frames.HALF)),
        )

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
            if channel not in self._settings.limits:
                return Reason.NO_LIMITS, channel
            lowest, highest = self._settings.limits[channel]
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
