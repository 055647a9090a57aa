# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Keys, one by one, as they are pressed in a terminal."""

import os
import select
import sys
import termios
import tty
from types import TracebackType
from typing import Any, Self

#: So many bytes are read at once.
READ_SIZE = 64


class Keys:
    """Reads what is typed, without waiting for the end of a line and without showing it.

    Where the input is no terminal there are no keys. The terminal is as it was once this is left,
    for whatever reason.

    Attributes
    ----------
    there
        Whether somebody can press keys.

    """

    def __init__(self) -> None:
        """Leave the terminal as it is for now."""
        self.there = sys.stdin.isatty()
        self._before: list[Any] = []

    def __enter__(self) -> Self:
        """Have keys come one by one; Ctrl-C stays what it is."""
        if self.there:
            self._before = termios.tcgetattr(sys.stdin)
            tty.setcbreak(sys.stdin, termios.TCSANOW)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Have the terminal as it was."""
        if self._before:
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._before)

    def pressed(self) -> str:
        """Give what has been typed since; nothing where nothing was, or the terminal is gone."""
        if not self.there or not select.select([sys.stdin], [], [], 0.0)[0]:
            return ''
        try:
            typed = os.read(sys.stdin.fileno(), READ_SIZE)
        except OSError:
            typed = b''
        if not typed:
            self.there = False
        return typed.decode(errors='ignore')
