# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Signals from a terminal, while something moves that is not to be broken into."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass


@dataclass
class Interrupted:
    """Whether somebody wants the command to end."""

    yes: bool = False


@contextmanager
def signals_noted() -> Iterator[Interrupted]:
    """Have Ctrl-C, SIGTERM and a closing terminal noted: whatever runs is not broken into."""
    noted = Interrupted()

    def note(*_: object) -> None:
        noted.yes = True

    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = [signal.signal(number, note) for number in numbers]
    try:
        yield noted
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)


@contextmanager
def not_suspended() -> Iterator[None]:
    """Have Ctrl-Z do nothing: what moves would be left on its way, and the screen as it is."""
    before = signal.signal(signal.SIGTSTP, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGTSTP, before)
