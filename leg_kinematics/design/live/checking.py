# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A check in a process of its own, which can be cut short at any moment.

It takes seconds of a processor, and the page is to be served meanwhile. Since half of that would
go into importing what the check needs, the process of the next check is started in advance, and
waits.
"""

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Protocol

from leg_kinematics.design.design import Design
from leg_kinematics.design.report import Report
from leg_kinematics.errors import LegKinematicsError

#: A check leaves the processors to whatever else wants them (nice(2)).
NICENESS = 10

#: A process that is forked would have the sockets of the pages.
_CONTEXT = get_context('spawn')


@dataclass(frozen=True)
class Doing:
    """What a check looks at now.

    Attributes
    ----------
    words
        Such as reach.

    """

    words: str


@dataclass(frozen=True)
class Found:
    """What a check has found.

    Attributes
    ----------
    report
        Without legs, walks and lines, of which pictures were made.
    pictures
        Files.
    whole
        Whether the check has ended; if not, what would help is being tried.

    """

    report: Report
    pictures: tuple[Path, ...]
    whole: bool


@dataclass(frozen=True)
class Failed:
    """A check has ended without a report.

    Attributes
    ----------
    words
        Why, and what to do.

    """

    words: str


News = Doing | Found | Failed


class Checker(Protocol):
    """Who checks, one design at a time."""

    def start(self) -> None:
        """Check what the files have now; a check that runs is cut short."""

    def cancel(self) -> None:
        """Cut short the check that runs, if one does; nothing more is heard of it."""

    def fetch(self) -> Iterator[News]:
        """Give what has been said since the last time; never waits."""


class ProcessChecker:
    """Checks in a process of its own.

    Parameters
    ----------
    load
        Reads the files. It goes to the other process, so it has to be a function of a module, or
        a partial of one.
    output
        Folder for the pictures, which is there.

    """

    def __init__(self, load: Callable[[], Design], output: Path) -> None:
        """Start the process of the first check."""
        self._load, self._output = load, output
        self._waiting = _Worker(load, output)
        self._running: _Worker | None = None

    def start(self) -> None:
        """Let the process that waits begin, and start the one of the next check."""
        self.cancel()
        self._running, self._waiting = self._waiting, _Worker(self._load, self._output)
        self._running.begin()

    def cancel(self) -> None:
        """End the process that checks."""
        if self._running is not None:
            self._running.end()
            self._running = None

    def fetch(self) -> Iterator[News]:
        """Give what has come through the pipe."""
        while self._running is not None and (news := self._running.heard()) is not None:
            if isinstance(news, Failed) or (isinstance(news, Found) and news.whole):
                self.cancel()
            yield news

    def close(self) -> None:
        """End both processes."""
        self.cancel()
        self._waiting.end()


class _Worker:
    """The near end of a process for one check."""

    def __init__(self, load: Callable[[], Design], output: Path) -> None:
        self._pipe, far = _CONTEXT.Pipe()
        self._process: SpawnProcess = _CONTEXT.Process(
            target=_check, args=(far, load, output), daemon=True
        )
        self._process.start()
        far.close()

    def begin(self) -> None:
        """Have it check; that it is gone, if it is, is heard."""
        with suppress(BrokenPipeError):
            self._pipe.send('begin')

    def heard(self) -> News | None:
        """Give what has come next; None where nothing has."""
        if not self._pipe.poll():
            return None
        try:
            news: News = self._pipe.recv()
        except (EOFError, ConnectionResetError):
            self._process.join()
            return Failed(
                f'the check has ended without a report (exit code {self._process.exitcode}); the '
                'terminal says why. Save the file to check it again'
            )
        return news

    def end(self) -> None:
        """Kill it: it holds nothing but pictures that nobody will look at."""
        self._process.kill()
        self._process.join()
        self._pipe.close()


def _check(pipe: Connection, load: Callable[[], Design], output: Path) -> None:
    """Wait for the word, check once, and say what is found; runs in the other process."""
    # Ctrl-C in a terminal is for all of its processes; whoever started this one ends it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(NICENESS)
    # The slow imports, done while nobody waits for them.
    from leg_kinematics.design.pictures import draw  # noqa: PLC0415
    from leg_kinematics.design.report import check_in_stages  # noqa: PLC0415

    try:
        pipe.recv()
    except EOFError:
        return
    try:
        design = load()
        stages = check_in_stages(design, lambda words: pipe.send(Doing(words)))
        early = next(stages)
        pipe.send(Doing('drawing'))
        pictures = tuple(draw(design.robot, early, output))
        pipe.send(Found(_bare(early), pictures, whole=False))
        pipe.send(Found(_bare(next(stages)), pictures, whole=True))
    except LegKinematicsError as error:
        pipe.send(Failed(str(error)))


def _bare(report: Report) -> Report:
    """Leave out what is long and nobody reads."""
    return replace(report, legs=(), walks=(), lines=())
