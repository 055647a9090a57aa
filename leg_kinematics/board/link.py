# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A board that stays usable: opened, identified and configured again whenever its line breaks.

A driver serves one conversation and ends with it. The link outlives them: its thread notices the
loss, tries again every 0.1 s at the same port, and brings the board back into the state it must
have. What it must never do by itself is to switch pulses on after they have gone off: then the
channels count as lost and the start-up has to enable them again.
"""

import enum
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from leg_kinematics.board.driver import (
    BoardDriver,
    BoardIdentity,
    BoardSpec,
    BoardStatus,
    SilenceAction,
    Traffic,
    find_driver,
)
from leg_kinematics.errors import BoardError, LegKinematicsError, LinkLostError

REOPEN_EVERY = 0.1
"""s between attempts to open a lost board again."""
WATCH_EVERY = 0.02
"""s between looks at whether the driver still has its board."""


class LinkState(enum.Enum):
    """Where a link stands."""

    CLOSED = 'closed'
    OPENING = 'opening'
    READY = 'ready'
    LOST = 'lost'


@dataclass(frozen=True)
class LinkStatus:
    """All that is known of a board and the way to it.

    Attributes
    ----------
    state
        Ready means identified and configured; poses get through.
    released
        The release is latched; only ``rearm`` ends it.
    identity
        What the board said when it was last found, None before that.
    enabled
        Channels with pulses on, as the board confirmed last. While the link is lost, the last
        that was known.
    let_go
        Times that channels lost their pulses without a release from us, because the board
        restarted or fell into its reaction to silence. Start-up must then enable them again.
    reboots
        Times that the board was found with another boot count.
    losses
        Times that the line was lost.
    traffic
        Frames over all conversations.
    ack_latency, bad_at_board, silences, supply, low_voltage
        As in ``BoardStatus``, of the present or else the last conversation.
    last_error
        The latest trouble in words, empty when there was none.

    """

    state: LinkState
    released: bool
    identity: BoardIdentity | None
    enabled: frozenset[int]
    let_go: int
    reboots: int
    losses: int
    traffic: Traffic
    ack_latency: float | None
    bad_at_board: int
    silences: int
    supply: float | None
    low_voltage: bool
    last_error: str


_NOTHING_KNOWN = BoardStatus(
    connected=False,
    enabled=frozenset(),
    traffic=Traffic(),
    ack_latency=None,
    bad_at_board=0,
    silences=0,
    supply=None,
    low_voltage=False,
    last_error='',
)


class BoardLink:
    """Keeps one board alive. Every method may be called from any thread.

    Parameters
    ----------
    spec
        Name, driver and port of the board.
    limits
        Lowest and highest pulse of each channel in use, µs.
    silence
        What the board does without us.
    store_limits
        Whether ``open`` makes the board store them, whatever it has stored before. A board that
        is found again after a loss never stores anything: it may be another one.

    """

    def __init__(
        self,
        spec: BoardSpec,
        limits: Mapping[int, tuple[float, float]],
        silence: SilenceAction,
        *,
        store_limits: bool = False,
    ) -> None:
        """Keep what the board must be told; nothing is opened yet."""
        self.spec = spec
        self._limits = dict(limits)
        self._silence = silence
        self._store_limits = store_limits
        self._driver_type = find_driver(spec.driver)
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        self._driver: BoardDriver | None = None
        self._found = False
        self._closing = False
        self._state = LinkState.CLOSED
        self._released = False
        self._identity: BoardIdentity | None = None
        self._wanted: frozenset[int] = frozenset()
        self._confirmed: frozenset[int] = frozenset()
        self._posed = False
        self._let_go = self._reboots = self._losses = 0
        self._past_traffic = Traffic()
        self._last_status = _NOTHING_KNOWN
        self._last_error = ''

    def open(self) -> BoardIdentity:
        """Open, identify and configure the board, and keep it so from now on.

        Raises
        ------
        PortError
            The port is missing, busy or not ours to open.
        LinkLostError
            No board answers there.
        SettingsDifferError
            The board stores other limits, and they are not to be replaced.
        RefusedError
            The board refuses its limits or its reaction to silence.
        CommandError
            Limits or a timeout that no board can be told.

        """
        with self._changed:
            if self._thread is not None:
                msg = f'board {self.spec.name} is open already'
                raise BoardError(msg)
            self._closing = False
        identity = self._connect(LinkState.OPENING)
        with self._changed:
            self._thread = threading.Thread(
                target=self._keep_alive, name=f'link {self.spec.name}', daemon=True
            )
            self._thread.start()
        return identity

    def set_pulses(self, pulses_us: Mapping[int, float]) -> bool:
        """Hand over the pulses in µs of all channels in use. Never waits.

        Returns
        -------
        bool
            Whether they go to the board: False while it is lost or released.

        Raises
        ------
        CommandError
            A channel that does not exist, or a pulse that is no pulse.

        """
        with self._changed:
            driver = self._driver
            if driver is None or self._state is not LinkState.READY or self._released:
                return False
            self._posed = True
            try:
                driver.set_pulses(pulses_us)
            except LinkLostError:
                return False  # the thread notices as well, and tells in the status
            return True

    def enable(self, channels: Iterable[int]) -> None:
        """Ask for pulses on these channels; ``status().enabled`` shows when they are on.

        Poses that name the channels must be coming in. Ignored while released.
        """
        with self._changed:
            if not self._released:
                self._wanted |= frozenset(channels)
                self._changed.notify_all()

    def release(self) -> None:
        """Stop all pulses now, and again whenever the board comes back, until ``rearm``.

        Never waits; ``status().enabled`` is empty once the board has confirmed.
        """
        with self._changed:
            self._released = True
            self._wanted = self._confirmed = frozenset()
            if self._driver is not None:
                self._driver.release()
            self._changed.notify_all()

    def may_rearm(self) -> bool:
        """Tell whether ``rearm`` would be obeyed, so that several boards are rearmed as one."""
        with self._changed:
            return not (self._released and self.status().enabled)

    def rearm(self) -> None:
        """End a release. Nothing moves: the channels have to be enabled again.

        Raises
        ------
        BoardError
            The board has not confirmed the release yet, perhaps because it is lost.

        """
        with self._changed:
            if not self.may_rearm():
                msg = f'board {self.spec.name} has not confirmed its release yet; rearm it later'
                raise BoardError(msg)
            self._released = False

    def status(self) -> LinkStatus:
        """Tell the latest that is known. Never waits."""
        with self._changed:
            running = self._driver.status() if self._driver is not None else _NOTHING_KNOWN
            now = running if self._found else self._last_status
            return LinkStatus(
                state=self._state,
                released=self._released,
                identity=self._identity,
                enabled=now.enabled,
                let_go=self._let_go,
                reboots=self._reboots,
                losses=self._losses,
                traffic=self._past_traffic + running.traffic,
                ack_latency=now.ack_latency,
                bad_at_board=now.bad_at_board,
                silences=now.silences,
                supply=now.supply,
                low_voltage=now.low_voltage,
                last_error=running.last_error or self._last_error,
            )

    def close(self) -> None:
        """Let go of the port; the board is left to its reaction to silence."""
        with self._changed:
            self._closing = True
            thread, self._thread = self._thread, None
            driver = self._driver
            self._changed.notify_all()
        if driver is not None:
            driver.close()
        if thread is not None:
            thread.join()
        with self._changed:
            self._state = LinkState.CLOSED

    def _connect(self, state: LinkState) -> BoardIdentity:
        """Begin a conversation; on failure leave nothing open and raise."""
        driver = self._driver_type(self.spec.port)
        with self._changed:
            if self._closing:
                msg = f'board {self.spec.name} is being closed'
                raise LinkLostError(msg)
            self._state = state
            self._driver = driver
        try:
            identity = driver.open()
            with self._changed:
                self._found = True
                if self._released:
                    driver.release()
                # What is off now stays off, even if enabling it had only been begun.
                self._compare(self._wanted | self._confirmed, identity.enabled)
                if self._identity is not None and identity.boots != self._identity.boots:
                    self._reboots += 1
                self._identity = identity
            store = self._store_limits and state is LinkState.OPENING
            driver.configure(self._limits, self._silence, store=store)
        except LegKinematicsError as error:
            self._drop(driver, str(error))
            raise
        with self._changed:
            self._state = LinkState.READY
            self._posed = False
        return identity

    def _compare(self, expected: frozenset[int], enabled: frozenset[int]) -> None:
        """Count channels that lost their pulses without us, and stop wanting any."""
        if expected - enabled:
            self._let_go += 1
            self._wanted = frozenset()
        self._confirmed = frozenset() if self._released else enabled

    def _drop(self, driver: BoardDriver, reason: str) -> None:
        """End a conversation and enter it in the books."""
        driver.close()  # may take a moment, so not under the lock
        with self._changed:
            status = driver.status()
            self._past_traffic += status.traffic
            if self._found:
                self._last_status = status
            self._driver = None
            self._found = False
            self._state = LinkState.CLOSED if self._thread is None else LinkState.LOST
            self._last_error = reason

    def _keep_alive(self) -> None:
        while True:
            driver = self._driver
            if driver is not None:
                self._serve(driver)
                with self._changed:
                    closing = self._closing
                    self._losses += not closing
                self._drop(driver, self._last_error if closing else driver.status().last_error)
            with self._changed:
                if self._changed.wait_for(lambda: self._closing, timeout=REOPEN_EVERY):
                    return
            try:
                self._connect(LinkState.LOST)
            except BoardError:
                continue  # kept in the status; the next attempt follows

    def _serve(self, driver: BoardDriver) -> None:
        """Watch one conversation until it ends, and enable what is wanted meanwhile."""
        while True:
            status = driver.status()
            with self._changed:
                if self._closing or not status.connected:
                    return
                self._compare(self._confirmed, status.enabled)
                missing = self._wanted - status.enabled if self._posed else frozenset()
            if missing:
                try:
                    driver.enable(missing)
                except BoardError as error:
                    # Lost on the way or given up for a release; the next round looks again.
                    with self._changed:
                        self._last_error = str(error)
            with self._changed:
                self._changed.wait(timeout=WATCH_EVERY)
