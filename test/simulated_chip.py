# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The shipped firmware on a simulated chip, in lock step or behind a pty.

The chip is ``firmware/chip.c`` on libsimavr. A plugin of the tests, for those of the firmware and
those of the chain.
"""

import ctypes
import os
import shutil
import signal
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path

import pytest

from leg_kinematics.board.framed import frames

SOURCES = Path(__file__).parent / 'firmware'
"""Of what simulates the chip."""
CLOCK = 16_000_000
"""Cycles in a second."""
BYTE = 10 / frames.BAUD_RATE
"""s that the line needs for a byte: a start bit, eight data bits and a stop bit."""
POWER_ON, EXTERNAL_RESET, BROWN_OUT, WATCHDOG = 1, 2, 4, 8
"""Bits of MCUSR (ATmega328P data sheet, Microchip DS40002061B, 11.9.1)."""
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
    """One pulse that a pin put out; times in s, since power-on or of the monotonic clock."""

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
    def slept(self) -> float:
        """Time for which the program slept, s."""
        return float(self._library.chip_slept(self._handle)) / CLOCK

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

    def set_supply(self, own_mv: int, adc7_mv: int = 0) -> None:
        """Change the chip's own supply and the voltage at pin ADC7."""
        self._library.chip_supply(self._handle, own_mv, adc7_mv)

    @property
    def eeprom_writes(self) -> int:
        """Bytes of the EEPROM that were written so far."""
        return int(self._library.chip_eeprom_writes(self._handle))

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
        answers = self.sent()
        while True:
            self.run(0.003)
            more = self.sent()
            if not more:
                return answers
            answers += more

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
    with as_file(files('leg_kinematics.board.framed.firmware') / 'board.hex') as path:
        yield path


@pytest.fixture(scope='session')
def build_chip(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Build something that simulates the chip."""
    compiler = shutil.which('cc')
    if compiler is None or not Path('/usr/include/simavr/sim_avr.h').exists():
        pytest.skip("a C compiler or Debian's libsimavr-dev is absent")
    folder = tmp_path_factory.mktemp('chip')

    def build(name: str, *arguments: str) -> Path:
        command = [compiler, '-O2', '-Wall', '-Wextra', '-Werror', '-o', str(folder / name)]
        subprocess.run([*command, *arguments, '-lsimavr'], check=True, cwd=SOURCES)
        return folder / name

    return build


@pytest.fixture(scope='session')
def chip_library(build_chip: Callable[..., Path]) -> ctypes.CDLL:
    """Build the chip in lock step."""
    library = build_chip('chip.so', '-shared', '-fPIC', 'chip.c')
    chip = ctypes.CDLL(str(library))
    handle, size = ctypes.c_void_p, ctypes.c_size_t
    declarations: dict[str, tuple[object, list[object]]] = {
        'chip_new': (handle, [ctypes.c_char_p, ctypes.c_uint32, ctypes.c_uint8]),
        'chip_free': (None, [handle]),
        'chip_reset': (None, [handle, ctypes.c_uint8]),
        'chip_supply': (None, [handle, ctypes.c_uint32, ctypes.c_uint32]),
        'chip_eeprom_writes': (ctypes.c_uint32, [handle]),
        'chip_feed': (None, [handle, ctypes.c_char_p, size]),
        'chip_waiting': (size, [handle]),
        'chip_run': (ctypes.c_int, [handle, ctypes.c_uint64]),
        'chip_cycle': (ctypes.c_uint64, [handle]),
        'chip_slept': (ctypes.c_uint64, [handle]),
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


class ChipProcess:
    """A chip that runs in real time behind a pty.

    Parameters
    ----------
    process
        Of the chip.
    port
        Its end of the line.
    log
        Where it writes what it hears and puts out.

    """

    def __init__(self, process: 'subprocess.Popen[str]', port: Path, log: Path) -> None:
        """Read nothing yet."""
        self.process = process
        self.port = port
        self._log = log
        self._read = 0
        self._decoder = frames.FrameDecoder()
        self._line_free_at = 0.0
        self._pulses: list[Pulse] = []
        self._arrived: list[tuple[float, float, frames.Frame]] = []

    def pulses(self, since: float = 0.0) -> list[Pulse]:
        """Give all pulses since a time, on the monotonic clock."""
        self._read_on()
        return [pulse for pulse in self._pulses if pulse.start >= since]

    def heard(self, since: float = 0.0) -> list[tuple[float, frames.Frame]]:
        """Give all good frames since a time, and when in its own time it had them."""
        return [(time, frame) for time, _, frame in self.arrived(since)]

    def arrived(self, since: float = 0.0) -> list[tuple[float, float, frames.Frame]]:
        """Give all good frames since a time, and when by its own time and by the machine's.

        By its own time it has them when the line has delivered their bytes, one after another; by
        the machine's when they were written.
        """
        self._read_on()
        return [each for each in self._arrived if each[0] >= since]

    def _read_on(self) -> None:
        """Read on from where the log was read before; its last line may be half written."""
        with self._log.open('rb') as file:
            file.seek(self._read)
            *lines, _ = file.read().split(b'\n')
        self._read += sum(len(line) + 1 for line in lines)
        for kind, *fields in (line.decode('ascii').split() for line in lines):
            match kind, fields:
                case 'pulse', [channel, start, end]:
                    self._pulses.append(Pulse(int(channel), float(start), float(end)))
                case 'heard', [time, arrived, data]:
                    begin = max(self._line_free_at, float(time))
                    for number, byte in enumerate(bytes.fromhex(data), start=1):
                        self._line_free_at = begin + number * BYTE
                        self._arrived += [
                            (self._line_free_at, float(arrived), frame)
                            for frame in self._decoder.feed(bytes([byte]))
                            if isinstance(frame, frames.Frame)
                        ]

    def reset(self) -> None:
        """Let the chip's watchdog bite."""
        self.process.send_signal(signal.SIGUSR1)


@contextmanager
def _chip_behind_pty(program: Path, hex_file: Path, log: Path) -> Iterator[ChipProcess]:
    """Power a chip for a while."""
    command = [program, hex_file, log]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        ready, port = process.stdout.readline().split()
        assert ready == 'ready'
        yield ChipProcess(process, Path(port), log)
        process.terminate()
        assert process.wait() == 0


@pytest.fixture(scope='session')
def chip_program(build_chip: Callable[..., Path]) -> Path:
    """Build the chip behind a pty."""
    return build_chip('chip_behind_pty', 'chip.c', 'chip_behind_pty.c')


@pytest.fixture
def chip_process(chip_program: Path, hex_file: Path, tmp_path: Path) -> Iterator[ChipProcess]:
    """Power a chip behind a pty."""
    with _chip_behind_pty(chip_program, hex_file, tmp_path / 'pulses') as chip:
        yield chip


@pytest.fixture(scope='module')
def shared_chip_process(
    chip_program: Path, hex_file: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[ChipProcess]:
    """Power a chip behind a pty that several tests use one after another."""
    log = tmp_path_factory.mktemp('chip') / 'pulses'
    with _chip_behind_pty(chip_program, hex_file, log) as chip:
        yield chip
