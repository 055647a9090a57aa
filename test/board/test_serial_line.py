# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The line between a thread and a bare pty, without any protocol."""

import os
import pty
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from queue import SimpleQueue

import pytest
import serial

from leg_kinematics.board.port import open_port
from leg_kinematics.board.serial_line import SerialLine
from leg_kinematics.errors import LinkLostError

FOR_EVER = 3600.0
"""s, longer than any test may take."""
PATIENCE = 30.0
"""s, for a machine under heavy load."""


@dataclass(frozen=True)
class Pty:
    """Both ends of a line, and what a host opens."""

    board: FileIO
    host: FileIO
    port: str


@pytest.fixture
def ends() -> Iterator[Pty]:
    """Lay a line."""
    board, host = pty.openpty()
    tty.setraw(host)
    with FileIO(board, 'r+') as board_end, FileIO(host, 'r+') as host_end:
        yield Pty(board_end, host_end, os.ttyname(host))


class Talk:
    """Somebody on the line, who listens unless ``converse`` is replaced."""

    def __init__(self, port: str) -> None:
        """Prepare the line."""
        self.lock = threading.Lock()
        self.read: SimpleQueue[bytes] = SimpleQueue()
        self.ended: SimpleQueue[str] = SimpleQueue()
        self.converse: Callable[[], object] = self.listen
        self.line = SerialLine(port, 9600, self.lock, self._converse, self._end)

    def listen(self) -> None:
        """Read, woken by the line or by somebody and by nothing else."""
        while not self.line.closing:
            self.read.put(self.line.read(FOR_EVER))

    def wake(self) -> None:
        """Wake it as callers do."""
        with self.lock:
            self.line.wake()

    def write(self, data: bytes) -> None:
        """Write as callers do."""
        with self.lock:
            self.line.write(data)

    def _converse(self) -> None:
        self.converse()

    def _end(self, lost: LinkLostError) -> None:
        assert self.lock.locked()
        assert not self.line.serving
        self.ended.put(str(lost))


@pytest.fixture
def talk(ends: Pty) -> Iterator[Talk]:
    """Prepare a conversation and end it."""
    with ExitStack() as stack:
        made = Talk(ends.port)
        stack.callback(made.line.close)
        yield made


def noting(done: list[str], method: Callable[[serial.Serial], None]) -> object:
    """Wrap a method of ports so that its calls are noted."""

    def note(port: serial.Serial) -> None:
        done.append(method.__name__)
        method(port)

    return note


def test_the_line_wakes_it(ends: Pty, talk: Talk) -> None:
    """What the board says is read at once, and what is written gets there."""
    talk.line.open()
    assert talk.line.serving
    ends.board.write(b'ready')
    assert talk.read.get(timeout=PATIENCE) == b'ready'
    talk.write(b'go')
    assert ends.board.read(16) == b'go'


def test_writing_waits_for_no_thread(ends: Pty, talk: Talk) -> None:
    """What is written is out although the conversation does not get to run."""
    go_on = threading.Event()
    talk.converse = go_on.wait
    talk.line.open()
    talk.write(b'stop')
    try:
        assert ends.board.read(16) == b'stop'
    finally:
        go_on.set()


def test_whoever_has_something_to_send_wakes_it(talk: Talk) -> None:
    """Then nothing has come; the next time it waits again."""
    talk.line.open()
    for _ in range(3):
        talk.wake()
        assert talk.read.get(timeout=PATIENCE) == b''
    assert talk.read.empty()


def test_waking_never_waits(talk: Talk) -> None:
    """However often a busy conversation is woken, nobody is held up."""
    go_on = threading.Event()

    def busy() -> None:
        go_on.wait()
        talk.listen()

    talk.converse = busy
    talk.line.open()
    try:
        with talk.lock:
            for _ in range(100_000):  # a pipe holds 65536 bytes (pipe(7))
                talk.line.wake()
    finally:
        go_on.set()
    assert talk.read.get(timeout=PATIENCE) == b''


def test_a_pause_ends_by_itself(talk: Talk) -> None:
    """When nobody wakes it, it gets nothing and may look at the clock."""
    talk.converse = lambda: talk.read.put(talk.line.read(0.01))
    talk.line.open()
    assert talk.read.get(timeout=PATIENCE) == b''


def test_closing_ends_a_conversation_that_waits(ends: Pty, talk: Talk) -> None:
    """The end is told once, nothing is left open, and the port is free for the next one."""
    before = sorted(Path('/proc/self/fd').iterdir())
    talk.line.open()
    talk.line.close()
    assert talk.ended.get_nowait() == f'{ends.port}: closed'
    talk.line.close()
    talk.wake()
    assert talk.ended.empty()
    assert not talk.line.serving
    assert sorted(Path('/proc/self/fd').iterdir()) == before
    open_port(ends.port, 9600).close()


def test_a_closed_line_stays_closed(ends: Pty, talk: Talk) -> None:
    """Who opens it after or during the closing gets an error, and the port is free again."""
    talk.line.close()
    with pytest.raises(LinkLostError) as raised:
        talk.line.open()
    # While the error is there its frames are, so that nobody but the line has closed the port.
    open_port(ends.port, 9600).close()
    assert str(raised.value) == f'{ends.port}: closed while it was being opened'
    assert talk.ended.empty()


def test_nothing_is_left_for_a_line_that_is_closing(talk: Talk) -> None:
    """It is not serving any more although its conversation still goes on."""
    serving: SimpleQueue[bool] = SimpleQueue()

    def converse() -> None:
        talk.listen()
        serving.put(talk.line.serving)

    talk.converse = converse
    talk.line.open()
    assert talk.line.serving
    talk.line.close()
    assert not serving.get_nowait()


def test_bytes_that_nobody_takes_are_thrown_away(
    talk: Talk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the port is closed, which a real line would delay until they are out."""
    done: list[str] = []
    for name in ('reset_output_buffer', 'close'):
        monkeypatch.setattr(serial.Serial, name, noting(done, getattr(serial.Serial, name)))
    talk.line.open()
    talk.line.close()
    assert done == ['reset_output_buffer', 'close']


def test_a_conversation_may_give_up(talk: Talk) -> None:
    """Its own reason is told."""

    def give_up() -> None:
        message = 'the board has restarted'
        raise LinkLostError(message)

    talk.converse = give_up
    talk.line.open()
    assert talk.ended.get(timeout=PATIENCE) == 'the board has restarted'
    assert not talk.line.closing


def test_a_line_that_is_pulled_out_ends_it(ends: Pty, talk: Talk) -> None:
    """A conversation that waits hears of it at once; waking and closing go on to work."""
    talk.line.open()
    ends.board.close()
    assert talk.ended.get(timeout=PATIENCE).startswith(f'{ends.port}: the line broke: ')
    talk.wake()


def test_a_line_that_takes_nothing_ends_it(ends: Pty, talk: Talk) -> None:
    """A write that cannot be finished breaks the line instead of waiting."""
    termios.tcflow(ends.host, termios.TCOOFF)
    talk.line.open()
    talk.write(b'pose')
    assert 'the line broke: it takes no more, only 0 of 4' in talk.ended.get(timeout=PATIENCE)


def test_a_line_that_takes_a_part_ends_it(talk: Talk) -> None:
    """The rest of a message is not sent later, when it says nothing true any more."""
    talk.line.open()
    talk.write(bytes(1_000_000))  # a pty takes some 10 KB while nobody reads
    assert 'of 1000000 bytes' in talk.ended.get(timeout=PATIENCE)


def test_nothing_is_written_on_a_line_that_is_closed(ends: Pty, talk: Talk) -> None:
    """By then its file may be another one."""
    talk.line.open()
    talk.line.close()
    os.set_blocking(ends.board.fileno(), False)
    with open_port(ends.port, 9600):  # gets the number that the line had
        talk.write(b'pose')
        assert ends.board.read(16) is None
