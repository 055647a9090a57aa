# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics view` as a process."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from test.terminal import LEG_KINEMATICS
else:
    from terminal import LEG_KINEMATICS


@dataclass
class Served:
    """A page that is served.

    Attributes
    ----------
    url
        Its address, with the token.
    process
        Who serves it.
    told
        What was said beside the address, once it has ended.

    """

    url: str
    process: 'subprocess.Popen[str]'
    told: str = ''

    @property
    def processor_time(self) -> float:
        """Of all its threads so far, s (proc_pid_stat(5))."""
        fields = self._book('stat').rpartition(')')[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf('SC_CLK_TCK')

    @property
    def memory(self) -> int:
        """What it has in memory, bytes (proc_pid_status(5))."""
        (line,) = [each for each in self._book('status').splitlines() if each.startswith('VmRSS')]
        return 1024 * int(line.split()[1])

    def _book(self, name: str) -> str:
        return Path(f'/proc/{self.process.pid}/{name}').read_text(encoding='ascii')


@contextmanager
def served(namespace: str, *options: str) -> Iterator[Served]:
    """Serve a page for a chain that may be driven from it; in the end it must have ended well."""
    command = [*LEG_KINEMATICS, 'view', '--control', '--port', '0', '--namespace', namespace]
    with subprocess.Popen(
        [*command, *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None
            given = Served(process.stdout.readline().strip(), process)
            yield given
            process.terminate()
            given.told = process.communicate(timeout=30.0)[1]
            assert process.returncode == 0, given.told
        finally:
            process.kill()
