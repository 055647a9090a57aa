# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Machines with a network of their own, on this machine: network namespaces (namespaces(7)).

A process in one of them, and every process that it starts, sees the interfaces of this one alone.
"""

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from uuid import uuid4

import pytest

#: What lies in a folder of the namespace's name is bound over `/etc` there (ip-netns(8)).
ETC = Path('/etc/netns')

_numbers = count()


def ip(*arguments: str) -> None:
    """Have iproute2 do something, or raise CalledProcessError."""
    subprocess.run(['ip', *arguments], check=True, capture_output=True, text=True)


@dataclass(frozen=True)
class Machine:
    """One of them.

    Attributes
    ----------
    namespace
        Name of its network namespace.

    """

    namespace: str

    def ip(self, *arguments: str) -> None:
        """Have iproute2 do something there."""
        ip('-n', self.namespace, *arguments)

    def command(self, *command: str) -> list[str]:
        """Return how to start a command there; the process is that of the command itself."""
        return ['ip', 'netns', 'exec', self.namespace, *command]

    def address(self, interface: str, address: str) -> None:
        """Give an interface an address such as 10.77.0.1/24, and bring it up."""
        self.ip('address', 'add', address, 'dev', interface)
        self.ip('link', 'set', interface, 'up')


class Machines:
    """Makes machines and cables between them, and takes them away at the end."""

    def __init__(self) -> None:
        """Make none yet."""
        self._stack = ExitStack()

    def machine(self, name: str) -> Machine:
        """Make a machine that has no network yet.

        It has an identity (machine-id(5)): Fast DDS takes participants of the same for neighbours,
        and does not find them by any other address.
        """
        machine = Machine(f'legs-{os.getpid()}-{next(_numbers)}-{name}')
        etc = ETC / machine.namespace
        etc.mkdir(parents=True)
        self._stack.callback(shutil.rmtree, etc)
        (etc / 'machine-id').write_text(f'{uuid4().hex}\n', encoding='ascii')
        ip('netns', 'add', machine.namespace)
        self._stack.callback(ip, 'netns', 'delete', machine.namespace)
        machine.ip('link', 'set', 'lo', 'up')
        return machine

    def cable(self, one: Machine, other: Machine, interfaces: tuple[str, str]) -> None:
        """Lay a cable between two machines; give both ends an address to have them up."""
        ip(
            *('link', 'add', interfaces[0], 'netns', one.namespace, 'type', 'veth'),
            *('peer', 'name', interfaces[1], 'netns', other.namespace),
        )

    def close(self) -> None:
        """Take them away."""
        self._stack.close()


@pytest.fixture
def machines() -> Iterator[Machines]:
    """Make machines; skipped where the system lets nobody make them, which CI does not accept."""
    if shutil.which('ip') is None:
        pytest.skip('iproute2 is not installed: apt-get install iproute2')
    made = Machines()
    try:
        try:
            made.machine('first')
        except (OSError, subprocess.CalledProcessError) as error:
            pytest.skip(f'only root makes network namespaces: {error}')
        yield made
    finally:
        made.close()
