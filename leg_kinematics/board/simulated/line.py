# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A simulated board at the end of a cable, and its driver, in simulated time.

The frames are those of the real line, and every answer comes at once. What a line and a board can
do to a robot is done by hand: the cable is cut and mended, the board is switched off and on, its
supply sags.
"""

from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future
from typing import ClassVar

from leg_kinematics.board.driver import BoardIdentity, BoardStatus, SilenceAction, Traffic
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.driver import LOST_AFTER, STATUS_EVERY
from leg_kinematics.board.simulated.board import SimulatedBoard
from leg_kinematics.board.simulated.memory import Memory
from leg_kinematics.board.simulated.pulse_log import Record
from leg_kinematics.board.simulated.servo import ServoDynamics, SimulatedServo
from leg_kinematics.errors import LinkLostError, NotSentError, PortError, RefusedError


class SimulatedLine:
    """A board, its power switch and the cable to it.

    Parameters
    ----------
    dynamics
        Of every servo.
    record
        Called with everything that happens at the board.
    supply_mv
        The servo supply at first.
    servos
        Those that outlast power-off as they stand, by channel; the others are new at every start.

    Attributes
    ----------
    now
        The simulated time, s.
    board
        None while it is switched off.
    plugged, cut
        Whether the port is there, and whether bytes get lost on their way to it and back.

    """

    def __init__(
        self,
        dynamics: ServoDynamics,
        *,
        record: Callable[[Record], None] = lambda _: None,
        supply_mv: int = frames.NOT_MEASURED,
        servos: Mapping[int, SimulatedServo] | None = None,
    ) -> None:
        """Begin at time 0 with the board on and its cable plugged in."""
        self._dynamics = dynamics
        self._record = record
        self._supply_mv = supply_mv
        self._servos = servos
        self._memory = Memory()
        self.now = 0.0
        self.plugged, self.cut = True, False
        self.board: SimulatedBoard | None = None
        self.switch_on()

    def switch_on(self) -> None:
        """Start the board afresh, with what it remembers."""
        self.board = SimulatedBoard(
            self._dynamics,
            self.now,
            memory=self._memory,
            supply_mv=self._supply_mv,
            servos=self._servos,
            record=self._record,
        )

    def switch_off(self) -> None:
        """Take the power from board and servos."""
        self.board = None

    def advance(self, now: float) -> None:
        """Let time pass at the board, s."""
        self.now = now
        if self.board is not None:
            self.board.advance(now)

    def set_supply(self, supply_mv: int) -> None:
        """Change the servo supply."""
        self._supply_mv = supply_mv
        if self.board is not None:
            self.board.set_supply(supply_mv, self.now)

    def exchange(self, data: bytes) -> bytes:
        """Send bytes to the board and return its answers: none if it cannot be reached."""
        if self.board is None or self.cut or not self.plugged:
            return b''
        return self.board.receive(data, self.now)


class SimulatedDriver:
    """Speaks to a board on a simulated line; implements ``BoardDriver``.

    Parameters
    ----------
    line
        The board and the way to it.

    """

    shortcomings: ClassVar[tuple[str, ...]] = ()

    def __init__(self, line: SimulatedLine) -> None:
        """Keep the line; nothing is said yet."""
        self._line = line
        self._seq = 0
        self._connected = False
        self._boots = 0
        self._enabled: frozenset[int] = frozenset()
        self._release: Future[None] | None = None
        self._unanswered_since: float | None = None
        self._next_status = 0.0
        self._sent = self._acknowledged = self._refused = 0
        self._pose_us: Mapping[int, float] = {}
        self._report: frames.StatusReport | None = None
        self._last_error = ''

    def open(self) -> BoardIdentity:
        """Ask the board who it is.

        Raises
        ------
        PortError
            The cable is not plugged in.
        LinkLostError
            The board does not answer.

        """
        if not self._line.plugged:
            raise PortError('the simulated port does not exist; plug the board in')
        identity = self._ask(frames.Hello())
        if not isinstance(identity, frames.Identity):
            raise LinkLostError('no answer to hello')
        pulses = {channel: pulse for channel, pulse in enumerate(identity.pulses_us) if pulse}
        self._connected = True
        self._boots = identity.boots
        self._enabled = frozenset(pulses)
        return BoardIdentity(
            firmware=f'{identity.firmware_major}.{identity.firmware_minor}',
            channels=identity.channels,
            boots=identity.boots,
            boot_reason=identity.boot_reason.name.lower().replace('_', ' '),
            pulses_us=pulses,
            limits={},
            silence=None,
        )

    def configure(
        self,
        limits: Mapping[int, tuple[float, float]],
        silence: SilenceAction,
        *,
        store: bool = False,
    ) -> None:
        """Set silence and limits; a simulated board stores nothing."""
        if store:
            raise RefusedError('a simulated line stores no limits')
        self._request(frames.Silence(silence.reaction, round(1000.0 * silence.timeout)))
        for channel, (lowest_us, highest_us) in limits.items():
            self._request(frames.Limits(channel, lowest_us, highest_us, replace=False))

    def enable(self, channels: Iterable[int]) -> None:
        """Switch pulses on in these channels."""
        channels = frozenset(channels)
        self._request(frames.Enable(frames.to_mask(channels)))
        self._enabled |= channels

    def set_pulses(self, pulses_us: Mapping[int, float]) -> None:
        """Send a pose."""
        if not self._connected:
            raise LinkLostError('not connected')
        pulses = tuple(pulses_us.get(channel, 0.0) for channel in range(frames.CHANNELS))
        pose = frames.Pose(pulses)
        if isinstance(self._ask(pose), frames.Ack):
            self._pose_us = pose.put_out_us

    def release(self) -> Future[None]:
        """Stop all pulses, now or as soon as the board hears it."""
        if not self._connected:
            failed: Future[None] = Future()
            failed.set_exception(NotSentError('no release was sent: not connected'))
            return failed
        if self._release is None:
            self._release = Future()
        release = self._release
        self._try_release()
        return release

    def status(self) -> BoardStatus:
        """Tell what is known; asks the board now and then whether it is still there."""
        if self._connected:
            self._try_release()
            if self._line.now >= self._next_status:
                self._next_status = self._line.now + STATUS_EVERY
                self._look()
        report = self._report
        known = report is not None and report.supply_mv != frames.NOT_MEASURED
        return BoardStatus(
            connected=self._connected,
            enabled=self._enabled,
            traffic=Traffic(
                self._sent,
                self._acknowledged,
                self._refused,
                self._sent - self._acknowledged - self._refused,
            ),
            ack_latency=0.0,
            bad_at_board=report.bad if report else 0,
            silences=report.silences if report else 0,
            supply=report.supply_mv / 1000.0 if report and known else None,
            low_voltage=report is not None and report.low_voltage,
            last_error=self._last_error,
            waiting=self._waiting(),
            pose_us=self._pose_us,
        )

    def close(self) -> None:
        """End the conversation."""
        if self._connected:
            self._lose('closed')

    def _waiting(self) -> float | None:
        since = self._unanswered_since
        return None if since is None or not self._connected else self._line.now - since

    def _look(self) -> None:
        report = self._ask(frames.StatusRequest())
        if not isinstance(report, frames.StatusReport):
            return
        self._report = report
        self._enabled = frames.to_channels(report.enabled)
        if report.boots != self._boots:
            self._lose('the board has restarted')

    def _try_release(self) -> None:
        if self._release is not None and isinstance(self._ask(frames.Release()), frames.Ack):
            self._enabled = frozenset()
            self._release.set_result(None)
            self._release = None

    def _request(self, message: frames.Message) -> None:
        reply = self._ask(message)
        if reply is None:
            raise LinkLostError(f'no answer to {message.TYPE.name.lower()}')
        if isinstance(reply, frames.Refused):
            raise RefusedError(f'{message.TYPE.name.lower()}: {reply.reason.name.lower()}')

    def _ask(self, message: frames.Message) -> frames.Message | None:
        """Send a frame; return the answer, None where there is none."""
        self._seq = (self._seq + 1) % 256
        self._sent += 1
        answers = frames.FrameDecoder().feed(self._line.exchange(frames.encode(message, self._seq)))
        for answer in answers:
            if isinstance(answer, frames.Frame) and answer.seq == self._seq:
                self._unanswered_since = None
                refused = isinstance(answer.message, frames.Refused)
                self._refused += refused
                self._acknowledged += not refused
                return answer.message
        if self._unanswered_since is None:
            self._unanswered_since = self._line.now
        elif self._line.now - self._unanswered_since > LOST_AFTER:
            self._lose(f'the board has been silent for {LOST_AFTER} s')
        return None

    def _lose(self, reason: str) -> None:
        self._connected = False
        if self._release is not None:
            self._release.set_exception(LinkLostError(reason))
            self._release = None
        self._last_error = reason
