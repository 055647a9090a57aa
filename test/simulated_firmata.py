# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A board with a Firmata program, as a process behind a pty.

Made by the text of the protocol and by how the standard program of the Arduino library behaves,
and independent of our driver: it shares no line with it. Everything that happens to the pins goes
into a log as that of the mock board. A board of twenty pins, the first two of which are the
serial line's.

SIGUSR1 restarts the board, SIGUSR2 makes it emit some noise.
"""

import argparse
import os
import pty
import select
import signal
import socket
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import pytest

from leg_kinematics.board.simulated.pulse_log import Record, read_log

PINS = 20
SERVO_PINS = range(2, 20)
NAME = 'GreenhouseFirmata.ino'

#: Of the Arduino servo library, µs: smaller numbers are degrees, and what a servo begins with.
SHORTEST, LONGEST, FIRST = 544, 2400, 1500

NOISE = bytes((0x12, 0xF0, 0x6E, 0xE3, 0x01, 0x02, 0xF7, 0xF0, 0x6E, 0x05, 0xF7, 0x91, 0x7F))


@dataclass
class Pin:
    """What a pin does; a pulse of None is none."""

    mode: int = 1
    state: int = 0
    pulse: int | None = None
    lowest: int = SHORTEST
    highest: int = LONGEST


class Board:
    """The program on the board.

    Parameters
    ----------
    log
        Where to write what happens.
    most_servos
        How many it can drive at a time.

    """

    def __init__(self, log: TextIO, most_servos: int) -> None:
        """Switch it on."""
        self._log = log
        self._most_servos = most_servos
        self.boot()

    def boot(self) -> None:
        """Begin with all pins off."""
        self._buffer: list[int] = []
        self._pins = [Pin() for _ in range(PINS)]
        self._write('boot', {})

    def _write(self, event: str, pulses: Mapping[int, float], detail: str = '') -> None:
        enabled = sum(1 << number for number, pin in enumerate(self._pins) if pin.pulse is not None)
        record = Record(time.monotonic(), event, None, enabled, pulses, {}, detail)
        self._log.write(record.to_line() + '\n')
        self._log.flush()

    def announce(self) -> bytes:
        """Return what the board says unasked after its start."""
        return b'\xf9\x02\x08' + self._firmware()

    def _firmware(self) -> bytes:
        return b'\xf0\x79\x02\x08' + b''.join(bytes((ord(c), 0)) for c in NAME) + b'\xf7'

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the line and return the answers."""
        return b''.join(answer for byte in data for answer in self._take(byte))

    def _take(self, byte: int) -> Iterator[bytes]:
        if byte == 0xF7 and self._buffer and self._buffer[0] == 0xF0:
            command, *arguments = self._buffer[1:] or [0]
            self._buffer.clear()
            yield from self._sysex(command, arguments)
        elif byte == 0xF9:
            self._buffer.clear()
            yield b'\xf9\x02\x08'
        elif byte >= 0x80:
            self._buffer[:] = [byte] if byte != 0xF7 else []
        elif self._buffer:
            self._buffer.append(byte)
            if len(self._buffer) == 3 and self._buffer[0] != 0xF0:
                first, second, third = self._buffer
                self._buffer.clear()
                if first == 0xF4:
                    yield from self._set_mode(second, third)
                elif first & 0xF0 == 0xE0:
                    self._set_value(first & 0x0F, second + 128 * third)

    def _sysex(self, command: int, arguments: list[int]) -> Iterator[bytes]:
        if command == 0x79:
            yield self._firmware()
        elif command == 0x6B:
            digital, servo = b'\x00\x01\x01\x01', b'\x04\x0e'
            of_pins = (digital + servo if n in SERVO_PINS else b'' for n in range(PINS))
            yield b'\xf0\x6c' + b'\x7f'.join(of_pins) + b'\x7f\xf7'
        elif command == 0x6D:
            pin = self._pins[arguments[0]]
            yield bytes((0xF0, 0x6E, arguments[0], pin.mode, pin.state % 128, pin.state // 128))
            yield b'\xf7'
        elif command == 0x6F:
            self._set_value(arguments[0], arguments[1] + 128 * arguments[2])
        elif command == 0x70:
            number, low_low, low_high, high_low, high_high = arguments
            pin = self._pins[number]
            pin.lowest, pin.highest = low_low + 128 * low_high, high_low + 128 * high_high
            pin.pulse = None
            yield from self._set_mode(number, 0x04)

    def _set_mode(self, number: int, mode: int) -> Iterator[bytes]:
        pin = self._pins[number]
        pin.mode, pin.state = mode, 0
        if mode != 0x04:
            was_on, pin.pulse = pin.pulse is not None, None
            if was_on:
                self._write('release', {}, f'pin {number}')
        elif pin.pulse is None:
            driven = sum(each.pulse is not None for each in self._pins)
            if driven >= self._most_servos:
                words = 'Max servos attached'
                yield b'\xf0\x71' + b''.join(bytes((ord(c), 0)) for c in words) + b'\xf7'
                return
            pin.pulse = FIRST
            self._write('enable', {number: FIRST})

    def _set_value(self, number: int, value: int) -> None:
        if number >= PINS or self._pins[number].mode != 0x04:
            return
        pin = self._pins[number]
        pin.state = value
        if pin.pulse is None:
            return
        if value < SHORTEST:
            pin.pulse = pin.lowest + min(value, 180) * (pin.highest - pin.lowest) // 180
        else:
            pin.pulse = max(pin.lowest, min(pin.highest, value))
        self._write('pose', {number: pin.pulse})


def serve(board: Board, link: Path, orders: socket.socket) -> None:
    """Be a board behind a pty until SIGINT or SIGTERM."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    fresh = link.with_name(f'{link.name}.{os.getpid()}')
    fresh.symlink_to(os.ttyname(slave))
    fresh.replace(link)
    sys.stdout.write(f'ready {link}\n')
    sys.stdout.flush()
    while True:
        readable, _, _ = select.select([master, orders.fileno()], [], [])
        if orders.fileno() in readable:
            number = orders.recv(1)[0]
            if number in {signal.SIGINT, signal.SIGTERM}:
                # It would lead to the next terminal of this number, whosever that is.
                link.unlink()
                return
            if number == signal.SIGUSR1:
                board.boot()
                os.write(master, board.announce())
            else:
                os.write(master, NOISE)
        if master in readable:
            os.write(master, board.receive(os.read(master, 64)))


@dataclass(frozen=True)
class FirmataProcess:
    """A running board, its port and its log."""

    process: 'subprocess.Popen[str]'
    port: Path
    log: Path

    def records(self, *events: str) -> list[Record]:
        """Return what the log holds of some kinds of event."""
        return [record for record in read_log(self.log) if record.event in events]

    def pulses_us(self) -> dict[int, float]:
        """Return the latest pulse of each pin that has one, µs."""
        pulses: dict[int, float] = {}
        enabled = 0
        for record in read_log(self.log):
            pulses.update(record.pulses_us)
            enabled = record.enabled
        return {pin: pulse for pin, pulse in pulses.items() if enabled >> pin & 1}


@contextmanager
def _firmata_in(folder: Path) -> Iterator[Callable[..., FirmataProcess]]:
    """Start such boards, always at the same port and with the same log, and end them."""
    port, log = folder / 'firmata', folder / 'firmata.jsonl'
    with ExitStack() as stack:

        def start(*options: str) -> FirmataProcess:
            command = [sys.executable, __file__, '--link', str(port), '--log', str(log), *options]
            process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            stack.enter_context(process)
            stack.callback(process.kill)
            assert process.stdout is not None
            assert process.stdout.readline() == f'ready {port}\n'
            return FirmataProcess(process, port, log)

        yield start


@pytest.fixture
def start_firmata(tmp_path: Path) -> Iterator[Callable[..., FirmataProcess]]:
    """Start boards of a test's own."""
    with _firmata_in(tmp_path) as start:
        yield start


@pytest.fixture(scope='module')
def start_shared_firmata(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Callable[..., FirmataProcess]]:
    """Start boards that several tests use one after another."""
    with _firmata_in(tmp_path_factory.mktemp('firmata')) as start:
        yield start


def main() -> None:
    """Run it as a process, which prints "ready LINK" once its port can be opened."""
    parser = argparse.ArgumentParser()
    parser.add_argument('--link', type=Path, required=True)
    parser.add_argument('--log', type=Path, required=True)
    parser.add_argument('--most-servos', type=int, default=len(SERVO_PINS))
    options = parser.parse_args()
    orders, told = socket.socketpair()
    told.settimeout(0.0)
    signal.set_wakeup_fd(told.fileno())
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGUSR1, signal.SIGUSR2):
        signal.signal(number, lambda *_: None)
    with options.log.open('a', encoding='utf-8') as log:
        serve(Board(log, options.most_servos), options.link, orders)
    signal.set_wakeup_fd(-1)


if __name__ == '__main__':
    main()
