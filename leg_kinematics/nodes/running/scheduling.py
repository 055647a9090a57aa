# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Real-time priority: the processor at once, whatever else the machine is doing."""

import os
from pathlib import Path

from leg_kinematics.errors import CommandError


def take_priority(priority: int) -> None:
    """Give this process a real-time priority: SCHED_FIFO of POSIX, for every thread that it has.

    Threads and processes that it starts later inherit it. Nothing is taken back: of several nodes
    in one process the last one to ask is obeyed.

    Parameters
    ----------
    priority
        1 to 99; 0 leaves the scheduling as it is.

    Raises
    ------
    CommandError
        The user may not have it; says how to allow it.

    """
    if priority == 0:
        return
    try:
        for thread in Path('/proc/self/task').iterdir():
            os.sched_setscheduler(int(thread.name), os.SCHED_FIFO, os.sched_param(priority))
    except PermissionError as error:
        raise CommandError(
            f"'realtime_priority' {priority} is more than this user may have: allow it by a line "
            f"'USER - rtprio {priority}' in /etc/security/limits.d/ and a new login "
            '(limits.conf(5)), or leave it at 0'
        ) from error
