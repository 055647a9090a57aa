# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The whole terminal, for a dialogue by keys."""

import sys
import termios
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.live import Live

from leg_kinematics.commands.terminal.keys import Keys
from leg_kinematics.commands.terminal.signals import Interrupted, not_suspended, signals_noted


@contextmanager
def full_screen(console: Console) -> Iterator[tuple[Interrupted, Keys, Live]]:
    """Take the screen and the keys, and note signals; the terminal is as it was in the end.

    What was typed before the screen was there was not meant for it, and is thrown away.
    """
    with (
        signals_noted() as interrupted,
        not_suspended(),
        Keys() as keys,
        Live(console=console, screen=True, auto_refresh=False) as live,
    ):
        termios.tcflush(sys.stdin, termios.TCIFLUSH)
        yield interrupted, keys, live
