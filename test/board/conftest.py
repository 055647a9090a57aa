# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Mock boards as real processes, and waiting for what they do."""

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from leg_kinematics.board.simulated.pulse_log import Record, read_log

Until = Callable[[Callable[[], object]], None]


@dataclass(frozen=True)
class MockProcess:
    """A running mock board, its port and its log."""

    process: subprocess.Popen[str]
    port: Path
    log: Path

    def kill(self) -> None:
        """End it as a power cut would, its link first: that would lead to another's terminal."""
        self.port.unlink(missing_ok=True)
        self.process.kill()
        self.process.wait()

    def records(self, *events: str) -> list[Record]:
        """Give what the log holds of some kinds of events."""
        return [record for record in read_log(self.log) if record.event in events]


@pytest.fixture
def start_mock(tmp_path: Path) -> Iterator[Callable[..., MockProcess]]:
    """Start mock boards, always at the same port and with the same log, and end them."""
    port, log = tmp_path / 'port', tmp_path / 'log.jsonl'
    with ExitStack() as stack:

        def start(*options: str) -> MockProcess:
            command = [sys.executable, '-m', 'leg_kinematics.board.simulated.mock']
            command += ['--link', str(port), '--log', str(log), *options]
            process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            stack.enter_context(process)
            stack.callback(process.kill)
            assert process.stdout is not None
            assert process.stdout.readline() == f'ready {port}\n'
            return MockProcess(process, port, log)

        yield start


@pytest.fixture
def until() -> Until:
    """Wait until something is true; the time allowed is for a machine under heavy load.

    A condition that drives is so given its pace. For what an answer of the board or the end of a
    process tells, wait for that.
    """

    def wait(condition: Callable[[], object]) -> None:
        deadline = time.monotonic() + 30.0
        while not condition():
            assert time.monotonic() < deadline, 'waited in vain'
            # Drivers and links call nobody back, and a log that grows wakes nobody.
            time.sleep(0.01)

    return wait
