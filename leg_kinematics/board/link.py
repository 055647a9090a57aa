# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A board that stays usable: opened, identified and configured, again whenever its line breaks.

A driver serves one conversation and ends with it. The link outlives them: it waits for a board
that is not there yet, notices a loss, tries again at the same port, and brings the board back into
the state it must have. What it must never do by itself is to switch pulses on after they have gone
off: then the channels count as let go, and somebody has to enable them again. What it does by
itself is to switch them off: a release is repeated until the board has confirmed it.

All that takes time is done by `step`, which a thread of the link calls, or whoever simulates one.
"""

import enum
import threading
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future, wait
from dataclasses import dataclass, replace

from leg_kinematics.board.driver import (
    BoardDriver,
    BoardIdentity,
    BoardSpec,
    BoardStatus,
    SilenceAction,
    Traffic,
    find_driver,
)
from leg_kinematics.errors import (
    BoardError,
    LegKinematicsError,
    LinkLostError,
    NotSentError,
    PortError,
)

REOPEN_EVERY = 0.1
"""Time between attempts to open a board that is not there, s."""
RETRY_EVERY = 1.0
"""Time between attempts to open one that is there and does not suit, s."""
WATCH_EVERY = 0.1
"""Time between looks at whether the driver still has its board, s; a pose that does not get
through, or channels to be enabled, are looked at once."""
STALLED_AFTER = 0.5
"""Time without an answer to a pose after which the board is looked for anew, s: what it puts out is
not known any more."""


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
    release_sent, release_confirmed
        Since the release, it has gone to the board; the board has said that all its pulses are off.
    identity
        What the board said when it was last found, None before that.
    let_go
        Times that channels lost their pulses without a release from us, because the board
        restarted or fell into its reaction to silence. Start-up must then enable them again.
    reboots
        Times that the board was found with another boot count.
    losses
        Times that the line was lost.
    board
        What the driver tells of the present conversation, or told last of the one before.
    past_traffic
        Frames of all conversations before that.
    last_error
        The latest trouble in words, empty when there was none.

    """

    state: LinkState
    released: bool
    release_sent: bool
    release_confirmed: bool
    identity: BoardIdentity | None
    let_go: int
    reboots: int
    losses: int
    board: BoardStatus
    past_traffic: Traffic
    last_error: str

    @property
    def enabled(self) -> frozenset[int]:
        """Channels with pulses on, as the board confirmed last."""
        return self.board.enabled

    @property
    def traffic(self) -> Traffic:
        """Frames over all conversations."""
        return self.past_traffic + self.board.traffic


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
        Whether the board, once found, shall store them, whatever it has stored before. A board
        that is found again after a loss never stores anything: it may be another one.
    new_driver
        Makes a driver for a port; that of the spec's name unless given.
    threads
        Whether ``open`` starts a thread that calls ``step``; otherwise somebody else does.

    """

    def __init__(
        self,
        spec: BoardSpec,
        limits: Mapping[int, tuple[float, float]],
        silence: SilenceAction,
        *,
        store_limits: bool = False,
        new_driver: Callable[[str], BoardDriver] | None = None,
        threads: bool = True,
    ) -> None:
        """Keep what the board must be told; nothing is opened yet."""
        self.spec = spec
        self._limits = dict(limits)
        self._silence = silence
        self._store_limits = store_limits
        self._new_driver = new_driver or find_driver(spec.driver)
        self._threads = threads
        self._opened = False
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        self._driver: BoardDriver | None = None
        self._found = False
        self._closing = False
        self._state = LinkState.CLOSED
        self._released = False
        self._release: Future[None] | None = None
        self._release_confirmed = False
        self._identity: BoardIdentity | None = None
        self._wanted: frozenset[int] = frozenset()
        self._confirmed: frozenset[int] = frozenset()
        self._posed = False
        self._let_go = self._reboots = self._losses = 0
        self._past_traffic = Traffic()
        self._last_status = BoardStatus()
        self._last_error = ''

    def open(self) -> None:
        """Begin to keep the board alive. Never waits; the status tells how it goes."""
        with self._changed:
            if self._opened:
                return
            self._opened = True
            self._closing = False
            self._state = LinkState.OPENING
            if not self._threads:
                return
            self._thread = threading.Thread(
                target=self._keep_alive, name=f'link {self.spec.name}', daemon=True
            )
            self._thread.start()

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
                self._changed.notify_all()  # the thread looks at once, and tells in the status
                return False
            return True

    def enable(self, channels: Iterable[int]) -> None:
        """Ask for pulses on these channels; ``status().enabled`` shows when they are on.

        Poses that name the channels must be coming in, and the board must have been found: what is
        off when it is found stays off. Ignored while released.
        """
        with self._changed:
            if not self._released:
                self._wanted |= frozenset(channels)
                self._changed.notify_all()

    def release(self) -> None:
        """Stop all pulses now, and again whenever the board comes back, until ``rearm``.

        Never waits; the status tells when the board has confirmed it.
        """
        with self._changed:
            self._released = True
            self._release_confirmed = False
            self._wanted = self._confirmed = frozenset()
            self._send_release()
            self._changed.notify_all()

    def await_release(self, patience: float) -> None:
        """Wait until the board has confirmed its release, but no longer than so many seconds."""
        release = self._release
        if release is not None:
            wait([release], timeout=patience)

    def _send_release(self) -> None:
        self._release = None if self._driver is None else self._driver.release()

    def _see_release(self) -> tuple[bool, bool]:
        """Whether the release has gone to the board, and whether the board has confirmed it."""
        release = self._release
        if release is None or not self._released:
            return False, self._release_confirmed
        if not release.done():
            return True, False
        failure = release.exception()
        self._release_confirmed = self._release_confirmed or failure is None
        return not isinstance(failure, NotSentError), self._release_confirmed

    def may_rearm(self) -> bool:
        """Tell whether ``rearm`` would be obeyed, so that several boards are rearmed as one."""
        with self._changed:
            return not self._released or self._see_release()[1]

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
            self._released = self._release_confirmed = False
            self._release = None

    def status(self) -> LinkStatus:
        """Tell the latest that is known. Never waits."""
        with self._changed:
            board, error = self._last_status, self._last_error
            if self._driver is not None:
                running = self._driver.status()
                board = running if self._found else replace(board, traffic=running.traffic)
                error = running.last_error or error
            sent, confirmed = self._see_release()
            return LinkStatus(
                state=self._state,
                released=self._released,
                release_sent=sent,
                release_confirmed=confirmed,
                identity=self._identity,
                let_go=self._let_go,
                reboots=self._reboots,
                losses=self._losses,
                board=board,
                past_traffic=self._past_traffic,
                last_error=error,
            )

    def close(self) -> None:
        """Let go of the port; the board is left to its reaction to silence."""
        with self._changed:
            self._closing = True
            self._opened = False
            thread, self._thread = self._thread, None
            driver = self._driver
            self._changed.notify_all()
        if driver is not None:
            driver.close()
        if thread is not None:
            thread.join()
        elif driver is not None:
            self._drop(driver, self._last_error)
        with self._changed:
            self._state = LinkState.CLOSED
            self._identity = None

    def step(self) -> float:
        """Look after the board once: find it, enable what is wanted, notice that it is gone.

        Returns
        -------
        float
            After how long to look again, s.

        """
        driver = self._driver
        if not self._opened:
            return REOPEN_EVERY
        if driver is None:
            try:
                self._connect()
            except (PortError, LinkLostError):
                return REOPEN_EVERY  # the reason is in the status
            except LegKinematicsError:
                return RETRY_EVERY
            return WATCH_EVERY
        status = driver.status()
        stalled = status.waiting is not None and status.waiting > STALLED_AFTER
        if stalled or not status.connected:
            with self._changed:
                self._losses += not self._closing
            stall = f'the board has not answered a pose for {STALLED_AFTER} s'
            self._drop(driver, stall if stalled else status.last_error)
            return REOPEN_EVERY
        with self._changed:
            self._compare(self._confirmed, status.enabled)
            missing = self._wanted - status.enabled if self._posed else frozenset()
        if missing:
            try:
                driver.enable(missing)
            except BoardError as error:
                # Lost on the way or given up for a release; the next look tells.
                with self._changed:
                    self._last_error = str(error)
        return WATCH_EVERY

    def _keep_alive(self) -> None:
        while not self._closing:
            pause = self.step()
            with self._changed:
                if not self._closing:
                    self._changed.wait(timeout=pause)
        if self._driver is not None:
            self._drop(self._driver, self._last_error)

    def _connect(self) -> None:
        """Begin a conversation; on failure leave nothing open and raise."""
        driver = self._new_driver(self.spec.port)
        with self._changed:
            if self._closing:
                msg = f'board {self.spec.name} is being closed'
                raise LinkLostError(msg)
            self._driver = driver
        try:
            identity = driver.open()
            with self._changed:
                self._found = True
                if self._released:
                    self._send_release()
                # What is off now stays off, even if enabling it had only been begun.
                self._compare(self._wanted | self._confirmed, identity.enabled)
                if self._identity is not None and identity.boots != self._identity.boots:
                    self._reboots += 1
            # A board that is found again may be another one: it never stores anything.
            store = self._store_limits and self._identity is None
            driver.configure(self._limits, self._silence, store=store)
        except LegKinematicsError as error:
            self._drop(driver, str(error))
            raise
        with self._changed:
            self._identity = identity
            self._state = LinkState.READY
            self._posed = False

    def _compare(self, expected: frozenset[int], enabled: frozenset[int]) -> None:
        """Count channels that lost their pulses without us, and stop wanting any."""
        if expected - enabled:
            self._let_go += 1
            self._wanted = frozenset()
        self._confirmed = frozenset() if self._released else enabled

    def _drop(self, driver: BoardDriver, reason: str) -> None:
        """End a conversation and add up its counts."""
        driver.close()  # may take a moment, so not under the lock
        with self._changed:
            status = driver.status()
            self._past_traffic += status.traffic
            if self._found:
                self._last_status = replace(status, traffic=Traffic())
            self._driver = None
            self._found = False
            self._state = LinkState.OPENING if self._identity is None else LinkState.LOST
            self._last_error = reason
