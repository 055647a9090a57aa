# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A serial cable between a host and a board, for tests that pull it, cut a wire or spoil it."""

import contextlib
import os
import pty
import selectors
import termios
import threading
import tty
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from queue import SimpleQueue

import pytest

CHUNK = 4096


class Cable:
    """A pty at the host's end; a thread passes on what goes through.

    Parameters
    ----------
    board
        The port of the board.
    link
        Symbolic link to keep at the host's end.

    """

    def __init__(self, board: Path, link: Path) -> None:
        """Plug both ends in."""
        self._board = os.open(board, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self._link = link
        self._host = self._far = -1
        self._spoil: Callable[[bytes], bytes] = bytes
        self._jamming = self._jammed = self._ending = False
        self._orders: SimpleQueue[tuple[Callable[[], None], Future[None]]] = SimpleQueue()
        self._wake_out, self._wake_in = os.pipe()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._board, selectors.EVENT_READ)
        self._selector.register(self._wake_out, selectors.EVENT_READ)
        self._plug()
        self._thread = threading.Thread(target=self._pass_on, name='cable')
        self._thread.start()
        # No program keeps a wire waiting; where the user may not have this priority, they do.
        with contextlib.suppress(PermissionError):
            os.sched_setscheduler(self._thread.native_id or 0, os.SCHED_FIFO, os.sched_param(1))

    @property
    def jammed(self) -> bool:
        """Tell whether half a frame has got through and nothing more does."""
        return self._jammed

    def pull(self) -> None:
        """Pull it out at the host, whose port is gone."""
        self._do(self._pull)

    def plug(self) -> None:
        """Plug it in again, under the same name."""
        self._do(self._plug)

    def spoil(self, change: Callable[[bytes], bytes]) -> None:
        """Change from now on what comes from the board."""
        self._do(lambda: setattr(self, '_spoil', change))

    def jam(self) -> None:
        """Let half of what the host writes next get through, then nothing: its writes wait."""
        self._do(lambda: setattr(self, '_jamming', True))

    def free(self) -> None:
        """End the jam."""
        self._do(self._free)

    def close(self) -> None:
        """Take it away."""
        self._do(lambda: setattr(self, '_ending', True))
        self._thread.join()
        if self._host >= 0:
            self._pull()
        self._selector.close()
        for descriptor in (self._board, self._wake_out, self._wake_in):
            os.close(descriptor)

    def _do(self, order: Callable[[], None]) -> None:
        """Have something done between two reads, by the thread, and wait for it."""
        done: Future[None] = Future()
        self._orders.put((order, done))
        os.write(self._wake_in, b'\0')
        done.result(timeout=30.0)

    def _pass_on(self) -> None:
        while not self._ending:
            ready = {key.fileobj for key, _ in self._selector.select()}
            if self._board in ready:
                data = self._spoil(os.read(self._board, CHUNK))
                if self._host >= 0:
                    # A host that does not read overruns its own buffer, as on a real line.
                    with contextlib.suppress(BlockingIOError):
                        os.write(self._host, data)
            if self._host in ready:
                self._take(os.read(self._host, CHUNK))
            if self._wake_out in ready:
                os.read(self._wake_out, 1)
                order, done = self._orders.get()
                order()
                done.set_result(None)

    def _take(self, data: bytes) -> None:
        if self._jamming:
            # Never whole frames alone: half of two is one, which a byte less spoils.
            data = data[: len(data) // 2].rstrip(b'\0')[:-1]
            termios.tcflow(self._far, termios.TCOOFF)
            self._selector.unregister(self._host)
            self._jamming, self._jammed = False, True
        with contextlib.suppress(
            BlockingIOError
        ):  # nor does a board that the machine keeps waiting
            os.write(self._board, data)

    def _free(self) -> None:
        termios.tcflow(self._far, termios.TCOON)
        self._selector.register(self._host, selectors.EVENT_READ)
        self._jammed = False

    def _plug(self) -> None:
        self._host, self._far = pty.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._host, False)
        self._selector.register(self._host, selectors.EVENT_READ)
        self._link.symlink_to(os.ttyname(self._far))

    def _pull(self) -> None:
        self._link.unlink()
        with contextlib.suppress(KeyError):  # jammed
            self._selector.unregister(self._host)
        os.close(self._host)
        os.close(self._far)
        self._host = self._far = -1


@pytest.fixture(scope='session')
def lay_cable() -> Callable[[Path, Path], Cable]:
    """Lay cables; whoever does takes them away."""
    return Cable
