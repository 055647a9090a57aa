# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A bad link between two machines of a test: it loses, delays and cuts, in both directions.

Each end is a TAP interface (Linux, Documentation/networking/tuntap) in a network namespace; a
process of its own hands the frames from one to the other. What it does is said line by line.
"""

import ctypes
import fcntl
import heapq
import os
import random
import select
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from test.namespaces import Machine

CLONE_NEWNET = 0x40000000
TUNSETIFF = 0x400454CA
IFF_TAP, IFF_NO_PI = 0x0002, 0x1000

#: Longer than any frame of Ethernet.
FRAME = 65536


class Shaper:
    """The link as the test sees it.

    Parameters
    ----------
    process
        That hands on the frames.

    """

    def __init__(self, process: 'subprocess.Popen[str]') -> None:
        """Lose and delay nothing."""
        self._process = process
        self._answer('ready')

    def _answer(self, expected: str) -> None:
        assert self._process.stdout is not None
        line = self._process.stdout.readline().strip()
        assert line == expected, f'the shaper said {line!r} instead of {expected!r}'

    def shape(
        self, *, loss: float = 0.0, delay: float = 0.0, jitter: float = 0.0, cut: bool = False
    ) -> None:
        """Behave so from now on.

        Parameters
        ----------
        loss
            Share of the frames that are lost, in each direction.
        delay, jitter
            Each frame takes `delay` ± `jitter`, evenly spread, s; so frames overtake each other.
        cut
            Lose everything, what is on its way as well; both ends keep their carrier.

        """
        assert self._process.stdin is not None
        self._process.stdin.write(f'{loss} {delay} {jitter} {int(cut)}\n')
        self._process.stdin.flush()
        self._answer('shaped')


@contextmanager
def shaped(one: 'tuple[Machine, str]', other: 'tuple[Machine, str]') -> Iterator[Shaper]:
    """Lay a link between two machines, with the names of the interfaces; it needs addresses."""
    process = subprocess.Popen(
        [
            *(sys.executable, __file__),
            *(each for machine, name in (one, other) for each in (machine.namespace, name)),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield Shaper(process)
    finally:
        process.communicate()


def _open(namespace: str, name: str) -> int:
    """Make an end of the link in a namespace, in which this process then is."""
    there = os.open(Path('/run/netns', namespace), os.O_RDONLY)
    if ctypes.CDLL(None, use_errno=True).setns(there, CLONE_NEWNET) != 0:
        raise OSError(ctypes.get_errno(), f'cannot enter the network namespace {namespace}')
    os.close(there)
    end = os.open('/dev/net/tun', os.O_RDWR | os.O_NONBLOCK)
    fcntl.ioctl(end, TUNSETIFF, struct.pack('16sH22x', name.encode(), IFF_TAP | IFF_NO_PI))
    return end


def _hand_on(one: int, other: int) -> None:
    """Hand frames from one end to the other until the standard input ends."""
    chance = random.Random(1)
    numbers = count()
    waiting: list[tuple[float, int, int, bytes]] = []
    loss, delay, jitter, cut = 0.0, 0.0, 0.0, 0.0
    orders = sys.stdin.fileno()
    across = {one: other, other: one}
    while True:
        patience = max(0.0, waiting[0][0] - monotonic()) if waiting else None
        ready, _, _ = select.select([one, other, orders], [], [], patience)
        for end in ready:
            if end == orders:
                # Each is answered before the next is given.
                order = os.read(orders, FRAME)
                if not order:
                    return
                loss, delay, jitter, cut = map(float, order.split())
                if cut:
                    waiting.clear()
                sys.stdout.write('shaped\n')
                sys.stdout.flush()
                continue
            frame = os.read(end, FRAME)
            if not cut and chance.random() >= loss:
                due = monotonic() + delay + jitter * chance.uniform(-1.0, 1.0)
                heapq.heappush(waiting, (due, next(numbers), across[end], frame))
        while waiting and waiting[0][0] <= monotonic():
            _, _, end, frame = heapq.heappop(waiting)
            # An end that is down takes nothing: the frame is lost, as on any link.
            with suppress(OSError):
                os.write(end, frame)


if __name__ == '__main__':
    _ends = _open(*sys.argv[1:3]), _open(*sys.argv[3:5])
    sys.stdout.write('ready\n')
    sys.stdout.flush()
    _hand_on(*_ends)
