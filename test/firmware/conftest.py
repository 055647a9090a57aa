# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The shipped firmware on a simulated chip, in lock step or behind a pty.

The chip is ``chip.c`` on libsimavr, built once a session.
"""

import ctypes
import os
import pty
import select
import shutil
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path

import pytest

from leg_kinematics.board import frames

CLOCK = 16_000_000
"""Cycles in a second."""
POWER_ON, EXTERNAL_RESET, BROWN_OUT, WATCHDOG = 1, 2, 4, 8
"""Bits of MCUSR (ATmega328P data sheet, 11.9.1)."""
SENT = 1 << 16
"""Bytes taken at once."""


class _Edge(ctypes.Structure):
    _fields_ = (
        ('cycle', ctypes.c_uint64),
        ('channel', ctypes.c_uint32),
        ('level', ctypes.c_uint32),
    )


_EDGES = 4096
"""Edges taken at once."""


@dataclass(frozen=True)
class Pulse:
    """One pulse that a pin put out; times in s since power-on."""

    channel: int
    start: float
    end: float

    @property
    def width_us(self) -> float:
        """How long it was."""
        return 1e6 * (self.end - self.start)


class Chip:
    """The firmware since its power-on, which has just happened."""

    def __init__(self, library: ctypes.CDLL, hex_file: Path, supply_mv: int) -> None:
        """Power the chip."""
        self._library = library
        self._handle = library.chip_new(os.fsencode(hex_file), supply_mv, POWER_ON)
        assert self._handle, f'{hex_file} cannot be loaded'
        self._rises: dict[int, float] = {}
        self._sent = ctypes.create_string_buffer(SENT)
        self._edges = (_Edge * _EDGES)()
        self._seq = 0

    def free(self) -> None:
        """Give the memory back."""
        self._library.chip_free(self._handle)

    @property
    def now(self) -> float:
        """Time since power-on, s."""
        return float(self._library.chip_cycle(self._handle)) / CLOCK

    @property
    def overruns(self) -> int:
        """Bytes that came faster than the program took them."""
        return int(self._library.chip_overruns(self._handle))

    @property
    def waiting(self) -> int:
        """Bytes that the line has still to deliver."""
        return int(self._library.chip_waiting(self._handle))

    def reset(self, reason: int) -> None:
        """Start the program again, as the chip does for this reason."""
        self._library.chip_reset(self._handle, reason)

    def feed(self, data: bytes) -> None:
        """Put bytes on the line."""
        self._library.chip_feed(self._handle, data, len(data))

    def run(self, seconds: float) -> None:
        """Let time pass."""
        assert self._library.chip_run(self._handle, round(seconds * CLOCK)), 'the program crashed'

    def sent(self) -> bytes:
        """Take the bytes that the chip has sent."""
        number = self._library.chip_sent(self._handle, self._sent, SENT)
        return self._sent.raw[:number]

    def pulses(self) -> list[Pulse]:
        """Take the pulses that have ended."""
        found = []
        while number := self._library.chip_edges(self._handle, self._edges, _EDGES):
            for edge in self._edges[:number]:
                at = edge.cycle / CLOCK
                if edge.level:
                    self._rises[edge.channel] = at
                elif edge.channel in self._rises:  # pins also become low at power-on
                    found.append(Pulse(edge.channel, self._rises.pop(edge.channel), at))
        return found

    def settle(self) -> bytes:
        """Let the line deliver everything and the chip answer; give the answers."""
        while self.waiting:
            self.run(0.001)
        self.run(0.003)
        return self.sent()

    def say(self, message: frames.Message, *, seq: int | None = None) -> frames.Message:
        """Send one message and give the only answer, which must carry its number."""
        if seq is None:
            self._seq = seq = (self._seq + 1) % 256
        self.feed(frames.encode(message, seq))
        (reply,) = frames.FrameDecoder().feed(self.settle())
        assert isinstance(reply, frames.Frame)
        assert reply.seq == seq
        return reply.message

    def report(self) -> frames.StatusReport:
        """Ask for the counters."""
        answer = self.say(frames.StatusRequest())
        assert isinstance(answer, frames.StatusReport)
        return answer


@pytest.fixture(scope='session')
def hex_file() -> Iterator[Path]:
    """Find the firmware as it is shipped."""
    with as_file(files('leg_kinematics.board.firmware') / 'board.hex') as path:
        yield path


@pytest.fixture(scope='session')
def chip_library(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """Build the simulated chip."""
    compiler = shutil.which('cc')
    if compiler is None or not Path('/usr/include/simavr/sim_avr.h').exists():
        pytest.skip("a C compiler or Debian's libsimavr-dev is absent")
    library = tmp_path_factory.mktemp('chip') / 'chip.so'
    source = Path(__file__).with_name('chip.c')
    options = ['-O2', '-Wall', '-Wextra', '-Werror', '-shared', '-fPIC']
    subprocess.run([compiler, *options, '-o', library, source, '-lsimavr'], check=True)
    chip = ctypes.CDLL(str(library))
    handle, size = ctypes.c_void_p, ctypes.c_size_t
    declarations: dict[str, tuple[object, list[object]]] = {
        'chip_new': (handle, [ctypes.c_char_p, ctypes.c_uint32, ctypes.c_uint8]),
        'chip_free': (None, [handle]),
        'chip_reset': (None, [handle, ctypes.c_uint8]),
        'chip_feed': (None, [handle, ctypes.c_char_p, size]),
        'chip_waiting': (size, [handle]),
        'chip_run': (ctypes.c_int, [handle, ctypes.c_uint64]),
        'chip_cycle': (ctypes.c_uint64, [handle]),
        'chip_overruns': (ctypes.c_uint32, [handle]),
        'chip_sent': (size, [handle, ctypes.c_char_p, size]),
        'chip_edges': (size, [handle, ctypes.POINTER(_Edge), size]),
    }
    for name, (result, arguments) in declarations.items():
        function = getattr(chip, name)
        function.restype, function.argtypes = result, arguments
    return chip


@pytest.fixture(scope='session')
def new_chip(chip_library: ctypes.CDLL, hex_file: Path) -> Callable[..., Chip]:
    """Power chips, for tests that need one an example; whoever asks frees them."""

    def power(supply_mv: int = 5000, program: Path = hex_file) -> Chip:
        chip = Chip(chip_library, program, supply_mv)
        chip.run(0.02)  # the count of starts is being written
        return chip

    return power


@pytest.fixture
def chip(new_chip: Callable[..., Chip]) -> Iterator[Chip]:
    """Power one chip."""
    made = new_chip()
    yield made
    made.free()


@pytest.fixture
def firmware_port(chip: Chip) -> Iterator[Path]:
    """Put the chip behind a pty, where it keeps up with real time."""
    master, slave = pty.openpty()
    tty.setraw(slave)  # and kept open, so that a host may come and go
    stop, stopped = os.pipe()

    def live() -> None:
        began, chip_began = time.monotonic(), chip.now
        while True:
            readable, _, _ = select.select([master, stop], [], [], 0.001)
            if stop in readable:
                return
            if master in readable:
                chip.feed(os.read(master, 4096))
            chip.run(max(0.0, time.monotonic() - began - (chip.now - chip_began)))
            if sent := chip.sent():
                os.write(master, sent)

    thread = threading.Thread(target=live, name='firmware')
    thread.start()
    yield Path(os.ttyname(slave))
    os.write(stopped, b'\0')
    thread.join()
    for descriptor in (master, slave, stop, stopped):
        os.close(descriptor)
