# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Keys of robots and drivers for tests, and what they reach on this machine."""

import socket
from collections.abc import Callable
from pathlib import Path
from time import monotonic, sleep

from leg_kinematics.remote.authority import Authority
from leg_kinematics.remote.keys import KeyFolder, Role

PATIENCE = 30.0


class Fleet:
    """An authority with keys.

    Parameters
    ----------
    folder
        An empty one.
    robots, drivers
        Names.

    """

    def __init__(
        self, folder: Path, robots: tuple[str, ...] = ('bracken',), drivers: tuple[str, ...] = ()
    ) -> None:
        """Make the keys."""
        self.folder = folder
        self.authority = Authority.make(folder)
        for name in robots:
            self.authority.issue(Role.ROBOT, name)
        for name in drivers:
            self.authority.issue(Role.DRIVER, name)

    def robot(self, name: str = 'bracken') -> KeyFolder:
        """Load the key of a robot."""
        return KeyFolder.load(self.folder / name, Role.ROBOT)

    def driver(self, name: str) -> KeyFolder:
        """Load the key of a driver."""
        return KeyFolder.load(self.folder / name, Role.DRIVER)


def free_address() -> str:
    """Give an address of this machine at which nobody listens."""
    with socket.create_server(('127.0.0.1', 0)) as server:
        return f'127.0.0.1:{server.getsockname()[1]}'


def until(there: Callable[[], bool], what: str) -> None:
    """Wait until something is there."""
    end = monotonic() + PATIENCE
    while not there():
        assert monotonic() < end, f'waited {PATIENCE:g} s in vain for {what}'
        sleep(0.005)
