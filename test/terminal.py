# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Commands of ours in a terminal, with somebody who reads and types."""

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from time import monotonic

LEG_KINEMATICS = [sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()']

#: Control sequences (ECMA-48).
ESCAPES = re.compile(r'\x1b\[[0-9;?]*[ -/]*[@-~]')

#: The screen is written anew from its upper left corner.
HOME = '\x1b[H'

#: The screen is left (xterm's control sequences).
LEFT = '\x1b[?1049l'

PATIENCE = 40.0

#: So often it is looked whether something goes on still, s.
GLANCE = 0.05


class Terminal:
    """A command in a terminal of so many columns and rows, with somebody who reads and types.

    Parameters
    ----------
    arguments
        Of the command.
    columns, rows
        Of the terminal.
    command
        Runs a command of ours with these arguments.

    """

    def __init__(
        self,
        arguments: list[str],
        columns: int,
        rows: int,
        command: Sequence[str] = LEG_KINEMATICS,
    ) -> None:
        """Start the command."""
        self._keyboard, terminal = pty.openpty()
        fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack('HHHH', rows, columns, 0, 0))
        self.before = termios.tcgetattr(self._keyboard)
        environment = {**os.environ, 'TERM': 'xterm'}
        environment.pop('COLUMNS', None)
        self.process = subprocess.Popen(
            [*command, *arguments],
            stdin=terminal,
            stdout=terminal,
            stderr=terminal,
            env=environment,
            start_new_session=True,
        )
        os.close(terminal)
        self.said = ''

    @property
    def lines(self) -> list[str]:
        """What stands on the screen."""
        text = ESCAPES.sub('', self.said[self.said.rfind(HOME) :])
        return [line.rstrip() for line in text.replace('\r', '').split('\n')]

    @property
    def settings(self) -> list[object]:
        """How the terminal is set."""
        return termios.tcgetattr(self._keyboard)

    def type(self, keys: str) -> None:
        """Press keys."""
        os.write(self._keyboard, keys.encode())

    def read_until(self, there: Callable[[], bool], patience: float = PATIENCE) -> None:
        """Read until what is read says so, within so many s."""
        end = monotonic() + patience
        while not there():
            ready, _, _ = select.select([self._keyboard], [], [], max(0.0, end - monotonic()))
            assert ready, f'not within {patience:g} s; the screen:\n' + '\n'.join(self.lines)
            self.said += os.read(self._keyboard, 65536).decode(errors='replace')

    def read_while(self, goes_on: Callable[[], bool]) -> None:
        """Read what comes while something goes on: a command whose screen nobody reads stands."""
        while goes_on():
            ready, _, _ = select.select([self._keyboard], [], [], GLANCE)
            if ready:
                self.said += os.read(self._keyboard, 65536).decode(errors='replace')

    def read_until_shown(self, *patterns: str) -> None:
        """Read until the screen shows all of these, each within a line."""
        self.read_until(
            lambda: all(any(re.search(each, line) for line in self.lines) for each in patterns)
        )

    def press(self, key: str, *shown: str) -> None:
        """Press a key, and read until the screen shows all of these."""
        self.type(key)
        self.read_until_shown(*shown)

    def mean_nothing(self, keys: str) -> None:
        """Press keys that the question does not name: it stays, and says so each time."""
        question = self.lines[0]
        for key in keys:
            self.press(key, f'^the key {key} means nothing here')
            assert self.lines[0] == question

    def end(self) -> str:
        """Read to the end; give what was said after the screen was left."""
        try:
            self.read_until(lambda: False)
        except OSError:
            # Everything is read, and nobody writes any more.
            self.process.wait(PATIENCE)
        return ESCAPES.sub('', self.said.rsplit(LEFT, 1)[-1]).replace('\r', '')

    def close(self) -> None:
        """Leave nothing behind, neither the command nor what it has started."""
        self.process.terminate()
        try:
            self.process.wait(PATIENCE)
        finally:
            self.process.kill()
            os.close(self._keyboard)


@contextmanager
def at_a_terminal(
    arguments: list[str], columns: int, rows: int, command: Sequence[str] = LEG_KINEMATICS
) -> Iterator[Terminal]:
    """Give a terminal in which the command runs."""
    terminal = Terminal(arguments, columns, rows, command)
    try:
        yield terminal
    finally:
        terminal.close()
