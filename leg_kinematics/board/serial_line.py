# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A serial line that one thread listens to and that whoever has something to say writes to."""

import contextlib
import os
import select
import termios
import threading
from collections.abc import Callable

import serial

from leg_kinematics.board.port import open_port
from leg_kinematics.errors import LinkLostError


class SerialLine:
    """A port with a thread of its own from opening to closing, for one conversation.

    The thread alone reads, and ends the conversation. Whoever holds the lock writes: on a busy
    machine, what waits for another thread to write it comes out a tick late.

    Parameters
    ----------
    name
        The serial device.
    baud_rate
        Its speed, in bits per second.
    lock
        Guards what the conversation and its callers share, and the state of the line with it.
    converse
        The conversation, called in the thread: reads until the line is closing, or raises
        LinkLostError.
    end
        Called in the thread after the conversation, with the lock held: hands the reason to
        everybody who still waits. From then on the line is not serving.

    """

    def __init__(
        self,
        name: str,
        baud_rate: int,
        lock: threading.Lock,
        converse: Callable[[], None],
        end: Callable[[LinkLostError], None],
    ) -> None:
        """Keep who talks; nothing is opened yet."""
        self._name = name
        self._baud_rate = baud_rate
        self._lock = lock
        self._converse = converse
        self._end = end
        self._thread: threading.Thread | None = None
        self._serving = self._closing = False
        self._broken: OSError | None = None
        # These are there while the thread is.
        self._port: serial.Serial
        self._wake_out: int
        self._wake_in: int

    # ---- from anywhere

    def open(self) -> None:
        """Open the port and begin the conversation.

        Raises
        ------
        PortError
            The port is missing, busy or not ours to open.
        LinkLostError
            The line has been closed, before or meanwhile.

        """
        port = open_port(self._name, self._baud_rate)
        with self._lock:
            if self._closing:
                port.close()
                raise LinkLostError(f'{self._name}: closed while it was being opened')
            self._port = port
            self._wake_out, self._wake_in = os.pipe()
            os.set_blocking(self._wake_in, False)
            self._thread = threading.Thread(
                target=self._run, name=f'board {self._name}', daemon=True
            )
            self._serving = True
            self._thread.start()

    def close(self) -> None:
        """End the conversation and wait until the port is closed; it stays closed."""
        with self._lock:
            self._closing = True
            thread, self._thread = self._thread, None
            self.wake()
        if thread is not None:
            thread.join()

    # ---- under the lock

    @property
    def serving(self) -> bool:
        """Whether something may still be written, and is heard about."""
        return self._serving and not self._closing

    @property
    def closing(self) -> bool:
        """Whether somebody has asked for the end."""
        return self._closing

    @property
    def broken(self) -> OSError | None:
        """Why the last writing failed, so that the conversation is about to end."""
        return self._broken

    def write(self, data: bytes) -> None:
        """Hand all of it to the operating system at once, unless the line is not serving.

        Never waits. Where the line is broken or does not take it, the conversation ends.
        """
        if not self.serving:
            return
        try:
            taken = os.write(self._port.fileno(), data)
        except BlockingIOError:
            taken = 0
        except OSError as error:
            self._break(error)
            return
        if taken < len(data):
            self._break(OSError(f'it takes no more, only {taken} of {len(data)} bytes'))

    def _break(self, error: OSError) -> None:
        self._broken = error
        self.wake()

    def wake(self) -> None:
        """Let the conversation look around at once instead of at the end of its pause."""
        if self._serving:
            # A full pipe already wakes the thread.
            with contextlib.suppress(BlockingIOError):
                os.write(self._wake_in, b'\0')

    # ---- in the conversation

    def read(self, pause: float) -> bytes:
        """Give what has come, perhaps nothing, as soon as something comes or somebody wakes us.

        Parameters
        ----------
        pause
            The longest to wait for either, s.

        Raises
        ------
        OSError
            The line is broken, or has not taken what was written.

        """
        readable, _, _ = select.select([self._port.fileno(), self._wake_out], [], [], pause)
        if self._wake_out in readable:
            os.read(self._wake_out, 4096)
        if self._broken is not None:
            raise self._broken
        return self._port.read(4096) if self._port.fileno() in readable else b''

    # ---- the thread

    def _run(self) -> None:
        lost = LinkLostError(f'{self._name}: closed')
        try:
            self._converse()
        except LinkLostError as error:
            lost = error
        except OSError as error:  # unplugged, or it does not take what was written
            lost = LinkLostError(f'{self._name}: the line broke: {error}')
        finally:
            with self._lock:
                self._serving = False
                self._end(lost)
            # Nobody wakes us any more.
            os.close(self._wake_out)
            os.close(self._wake_in)
            # Bytes that nobody takes must not hold up closing; an unplugged port has none.
            with contextlib.suppress(OSError, termios.error):
                self._port.reset_output_buffer()
            self._port.close()
