# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The page with what it is built by, as the lock file has it."""

import fcntl
import subprocess
from pathlib import Path

import leg_kinematics.view

VIEW = Path(leg_kinematics.view.__path__[0])

#: What the server hands out.
BUILT = VIEW / 'built'

SOURCES = VIEW / 'page'


def node_modules() -> Path:
    """Install what the lock file lists, unless it is there, and say where."""
    modules = SOURCES / 'node_modules'
    wanted = (SOURCES / 'package-lock.json').read_text(encoding='utf-8')
    mark = modules / 'installed-by'
    with (SOURCES / 'package.json').open() as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not mark.exists() or mark.read_text(encoding='utf-8') != wanted:
            # Nothing of what is installed has to run a script of its own for that.
            run('npm', 'ci', '--ignore-scripts', '--no-audit', '--no-fund')
            mark.write_text(wanted, encoding='utf-8')
    return modules


def run(*command: str) -> str:
    """Run a command beside the sources; a failure is told with what it has said."""
    done = subprocess.run(command, cwd=SOURCES, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout
