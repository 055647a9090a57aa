# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What opening and closing a port does to its modem lines, as far as a pty can show.

A pty has no DTR and no RTS. Shown here are what is asked of the kernel and the flag by which the
kernel decides (HUPCL, termios(3)); that an adapter's driver then leaves its line alone is for a
board on the bench to show, as the flashing guide tells.
"""

import fcntl
import os
import pty
import signal
import subprocess
import sys
import termios
import tty
from collections.abc import Iterator
from pathlib import Path
from struct import unpack
from types import SimpleNamespace
from typing import Any

import pytest
import serial.serialposix

from leg_kinematics.board import port as port_module
from leg_kinematics.board.port import is_pseudo_terminal, open_port
from leg_kinematics.errors import PortError

BAUD_RATE = 57600


@pytest.fixture
def terminal() -> Iterator[int]:
    """Lay a line that would hang up when it is closed, as serial ports do by default."""
    board, host = pty.openpty()
    tty.setraw(host)
    settings = termios.tcgetattr(host)
    settings[2] |= termios.HUPCL
    termios.tcsetattr(host, termios.TCSANOW, settings)
    yield host
    os.close(board)
    os.close(host)


def hangs_up(terminal: int) -> bool:
    """Tell whether the last one to close it lets the lines fall."""
    flags: int = termios.tcgetattr(terminal)[2]
    return bool(flags & termios.HUPCL)


def test_closing_does_not_hang_up(terminal: int) -> None:
    """The flag is gone while the port is open, after it was closed and when it is opened again."""
    assert hangs_up(terminal)
    for _ in range(2):
        port = open_port(os.ttyname(terminal), BAUD_RATE)
        assert not hangs_up(terminal)
        port.close()
        assert not hangs_up(terminal)


def test_neither_does_a_process_that_is_killed(terminal: int) -> None:
    """There is nothing left to do at the end that a kill could prevent."""
    code = (
        f'from leg_kinematics.board.port import open_port; '
        f'port = open_port({os.ttyname(terminal)!r}, {BAUD_RATE}); '
        f'print("open", flush=True); input()'
    )
    with subprocess.Popen(
        [sys.executable, '-c', code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == 'open\n'
        process.kill()
        assert process.wait() == -signal.SIGKILL
    assert not hangs_up(terminal)


def test_lines_are_set_up_and_never_down(terminal: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """All that is asked of the kernel about modem lines (tty_ioctl(4)) is to raise DTR and RTS."""
    asked: list[tuple[int, int]] = []
    lines = {termios.TIOCMBIS, termios.TIOCMBIC, termios.TIOCMSET}

    def ioctl(descriptor: int, request: int, argument: bytes) -> object:
        if request in lines:
            asked.append((request, unpack('I', argument)[0]))
        return 0 if request in lines else fcntl.ioctl(descriptor, request, argument)

    recorder = SimpleNamespace(**vars(fcntl) | {'ioctl': ioctl})
    monkeypatch.setattr(serial.serialposix, 'fcntl', recorder)
    open_port(os.ttyname(terminal), BAUD_RATE).close()
    assert asked == [
        (termios.TIOCMBIS, termios.TIOCM_DTR),
        (termios.TIOCMBIS, termios.TIOCM_RTS),
    ]


def test_a_port_that_goes_away_while_it_is_opened_is_an_error(
    terminal: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The error names the port, and the port is left closed."""

    def gone(*_: object) -> None:
        raise termios.error(5, 'Input/output error')

    opened: list[int] = []

    def keep(descriptor: int) -> list[Any]:
        opened.append(descriptor)
        return termios.tcgetattr(descriptor)

    monkeypatch.setattr(
        port_module,
        'termios',
        SimpleNamespace(**vars(termios) | {'tcgetattr': keep, 'tcsetattr': gone}),
    )
    name = os.ttyname(terminal)
    with pytest.raises(PortError, match=f'{name} cannot be opened .*Input/output error'):
        open_port(name, BAUD_RATE)
    with pytest.raises(OSError, match='Bad file descriptor'):
        os.fstat(*opened)


@pytest.mark.parametrize(('name', 'kind'), [('.', 'a folder'), ('notes.txt', 'an ordinary file')])
def test_what_is_no_port_is_told(tmp_path: Path, name: str, kind: str) -> None:
    """With what it is, and what to name instead."""
    (tmp_path / 'notes.txt').write_text('')
    with pytest.raises(PortError, match=f'is {kind}, and no port; name that of the board'):
        open_port(str(tmp_path / name), BAUD_RATE)


def test_a_pseudo_terminal_is_told_from_hardware(terminal: int, tmp_path: Path) -> None:
    """By its name or by that of a link to it; a serial adapter is none, plugged in or not."""
    link = tmp_path / 'board'
    link.symlink_to(os.ttyname(terminal))
    assert is_pseudo_terminal(os.ttyname(terminal))
    assert is_pseudo_terminal(str(link))
    assert not is_pseudo_terminal('/dev/ttyUSB0')
    assert not is_pseudo_terminal('/dev/ttyS0')
