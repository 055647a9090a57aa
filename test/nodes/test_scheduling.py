# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A real-time priority, asked of a real kernel by a process of its own."""

import os
import subprocess
import sys
from collections.abc import Callable

import pytest
from rclpy.node import Node

from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.gait_node import GaitNode
from leg_kinematics.nodes.kinematics_node import KinematicsNode
from leg_kinematics.nodes.running import start
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.running.scheduling import take_priority
from leg_kinematics.parameters import Value

PROCESS = """
import os, sys
from pathlib import Path
from resource import RLIMIT_RTPRIO, setrlimit
from threading import Event, Thread
from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.running.scheduling import take_priority

FORBIDDEN = sys.argv[1] == 'forbidden'
end = Event()
threads = [Thread(target=end.wait) for _ in range(2)]
threads[0].start()
if FORBIDDEN:
    setrlimit(RLIMIT_RTPRIO, (0, 0))
    if os.getuid() == 0:
        os.setuid(65534)  # nobody
try:
    take_priority(7)
except CommandError as error:
    print(error)
threads[1].start()
for task in sorted(Path('/proc/self/task').iterdir()):
    scheduler = os.sched_getscheduler(int(task.name))
    print(scheduler == os.SCHED_FIFO, os.sched_getparam(int(task.name)).sched_priority)
end.set()
"""


def outcome(how: str) -> list[str]:
    """Lines that a process says which asks for a priority."""
    done = subprocess.run(
        [sys.executable, '-c', PROCESS, how], capture_output=True, text=True, check=True
    )
    return done.stdout.splitlines()


def may_be_taken() -> bool:
    """Whether whoever runs the tests may have a real-time priority."""
    ask = 'import os; os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(7))'
    done = subprocess.run([sys.executable, '-c', ask], stderr=subprocess.PIPE, check=False)
    return done.returncode == 0


def test_every_thread_has_it() -> None:
    """Those that were there and those that come later, where this user may; else it is told."""
    if may_be_taken():
        assert outcome('allowed') == ['True 7'] * 3
    else:
        refusal, *threads = outcome('allowed')
        assert 'rtprio 7' in refusal
        assert threads == ['False 0'] * 3


def test_who_may_not_is_told_how_to_allow_it() -> None:
    """By the kernel's refusal; nothing has changed then."""
    refusal, *threads = outcome('forbidden')
    for word in ("'realtime_priority' 7", 'rtprio 7', 'limits.d', 'leave it at 0'):
        assert word in refusal
    assert threads == ['False 0'] * 3


def test_nothing_is_asked_for_by_default(monkeypatch: pytest.MonkeyPatch) -> None:
    """Priority 0 asks the kernel for nothing."""
    monkeypatch.delattr(os, 'sched_setscheduler')
    take_priority(0)


@pytest.mark.usefixtures('ros')
@pytest.mark.parametrize(
    ('kind', 'more'),
    [
        (KinematicsNode, {}),
        (GaitNode, {}),
        (BridgeNode, {'boards': ['main=framed:/dev/null']}),
    ],
)
def test_every_node_asks_for_what_its_parameter_says(
    monkeypatch: pytest.MonkeyPatch,
    files: dict[str, str],
    kind: Callable[..., Node],
    more: dict[str, Value],
) -> None:
    """Once, at its start."""
    asked: list[int] = []
    monkeypatch.setattr(start, 'take_priority', asked.append)
    node = kind(as_overrides({**files, **more, 'realtime_priority': 7}))
    node.destroy_node()
    assert asked == [7]
