# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A servo board without hardware: a process that owns a pty and answers our framed protocol.

It paces itself as a real line of 500 000 baud would, models every servo and logs every pulse it
was ever told. Its servos are alike, or those that come out of a bag, with a protractor to look at.
On demand it misbehaves: loses or corrupts bytes, stops reading, hangs up as an adapter does that is
pulled out, never answers, claims another protocol, or lets its supply sag.
"""

import contextlib
import gc
import os
import pty
import random
import selectors
import signal
import socket
import time
import tty
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

import click

from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.board.simulated.board import SimulatedBoard
from leg_kinematics.board.simulated.memory import Memory
from leg_kinematics.board.simulated.pulse_log import Record
from leg_kinematics.board.simulated.servo import ServoDynamics
from leg_kinematics.board.simulated.true_servo import Protractor, TrueJoint, load_true_servos
from leg_kinematics.errors import BoardError

BYTE_SECONDS = 10 / frames.BAUD_RATE
"""A start bit, eight data bits and a stop bit."""

PROBABILITY = click.FloatRange(0.0, 1.0)

CHUNK = 64
"""Bytes taken from the pty at once, about what the buffer of an adapter holds."""


@dataclass(frozen=True)
class Misbehaviour:
    """What the mock does wrong.

    Attributes
    ----------
    drop, corrupt
        Probability that a byte, either way, is lost or has one bit turned over.
    stall
        Stop reading for so many seconds, once.
    stall_at
        Do so after this many frames.
    hang_up_after
        Pull the pty out after this many frames, once; 0 never.
    hang_up_for
        Seconds until it is plugged in again, with the board's state kept.
    silent
        Read everything and answer nothing.
    protocol
        The version of the protocol that the board claims to speak.
    sag
        Let the supply fall to so many volts, once; 0 never.
    sag_at
        Do so after this many frames.
    sag_for
        Seconds until it is what it was before.

    """

    drop: float = 0.0
    corrupt: float = 0.0
    stall: float = 0.0
    stall_at: int = 100
    hang_up_after: int = 0
    hang_up_for: float = 0.5
    silent: bool = False
    protocol: int = frames.PROTOCOL_VERSION
    sag: float = 0.0
    sag_at: int = 100
    sag_for: float = 2.0


class _Line:
    """One direction of the line: bytes that have been sent and not arrived yet."""

    def __init__(self, misbehaviour: Misbehaviour) -> None:
        self._misbehaviour = misbehaviour
        self._noise = random.Random(0)
        self._free_at = 0.0
        self._under_way: deque[tuple[float, bytes]] = deque()

    def __bool__(self) -> bool:
        return bool(self._under_way)

    def send(self, data: bytes, now: float) -> None:
        """Put bytes on the line behind those that are there already."""
        self._free_at = max(now, self._free_at) + len(data) * BYTE_SECONDS
        self._under_way.append((self._free_at, self._spoil(data)))

    def due_at(self) -> float:
        """When the next bytes have arrived in full."""
        return self._under_way[0][0]

    def take(self) -> bytes:
        """Take the next bytes off the line."""
        return self._under_way.popleft()[1]

    def _spoil(self, data: bytes) -> bytes:
        drop, corrupt = self._misbehaviour.drop, self._misbehaviour.corrupt
        if not (drop or corrupt):
            return data
        kept = (byte for byte in data if self._noise.random() >= drop)
        return bytes(
            byte ^ (1 << self._noise.randrange(8)) if self._noise.random() < corrupt else byte
            for byte in kept
        )


class MockBoard:
    """The process around a simulated board.

    Parameters
    ----------
    dynamics
        Of every servo.
    link
        A symbolic link to keep at the pty, or None.
    log
        Where to write the records, or None.
    memory
        What the board remembers from before.
    memory_file
        Where to keep that from now on, or None.
    supply
        The servo supply, V; 0 is not measured.
    joints
        On servos that are not all alike, by channel.
    protractor
        What shows their angles, or None.
    misbehaviour
        What to do wrong.

    """

    def __init__(
        self,
        dynamics: ServoDynamics,
        *,
        link: Path | None,
        log: TextIO | None,
        memory: Memory,
        memory_file: Path | None,
        supply: float,
        joints: Mapping[int, TrueJoint],
        protractor: Protractor | None,
        misbehaviour: Misbehaviour,
    ) -> None:
        """Plug the board in."""
        self._link = link
        self._log = log
        self._misbehaviour = misbehaviour
        self._memory = memory
        self._memory_file = memory_file
        self._protractor = protractor
        self._supply_mv = round(1000.0 * supply) or frames.NOT_MEASURED
        self._board = SimulatedBoard(
            dynamics,
            time.monotonic(),
            memory=memory,
            supply_mv=self._supply_mv,
            protocol=misbehaviour.protocol,
            servos=joints,
            record=self._write,
        )
        self._kept: Memory | None = None
        self._keep()
        self._inward = _Line(misbehaviour)
        self._outward = _Line(misbehaviour)
        self._selector = selectors.DefaultSelector()
        self._frames = 0
        self._deaf_until = 0.0
        self._master = self._slave = -1
        self._back_at: float | None = None
        self._recovers_at: float | None = None
        self._stalled = self._hung_up = self._sagged = False
        self._plug_in()

    @property
    def path(self) -> str:
        """What a host opens."""
        return str(self._link) if self._link is not None else os.ttyname(self._slave)

    def run(self, stop: socket.socket) -> None:
        """Serve until something can be read from ``stop``."""
        self._selector.register(stop, selectors.EVENT_READ)
        while True:
            now = time.monotonic()
            self._listen(now)
            events = self._selector.select(max(0.0, self._wake_at(now) - now))
            ready = {key.fileobj for key, _ in events}
            if stop in ready:
                return
            now = time.monotonic()
            if self._back_at is not None and now >= self._back_at:
                self._back_at = None
                self._plug_in()
            if self._recovers_at is not None and now >= self._recovers_at:
                self._recovers_at = None
                self._reply(self._board.set_supply(self._supply_mv, now), now)
            if self._master in ready:
                self._inward.send(os.read(self._master, CHUNK), now)
            while self._inward and self._inward.due_at() <= now:
                self._deliver(self._inward.take(), now)
            while self._outward and self._outward.due_at() <= now:
                self._send(self._outward.take())
            self._reply(self._board.advance(now), now)
            if self._protractor is not None:
                self._protractor.show()

    def close(self) -> None:
        """Take the pty and its link away."""
        self._unplug()
        self._selector.close()

    def _keep(self) -> None:
        """Save the memory when it has changed, before anybody is told so."""
        if self._memory_file is not None and self._kept != self._memory:
            self._memory.save(self._memory_file)
            self._kept = replace(self._memory)

    def _write(self, record: Record) -> None:
        if self._log is not None:
            self._log.write(record.to_line() + '\n')
            self._log.flush()

    def _plug_in(self) -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)  # this also turns the echo off
        os.set_blocking(self._master, False)
        self._selector.register(self._master, selectors.EVENT_READ)
        if self._link is not None:
            if self._link.exists() and not self._link.is_symlink():
                msg = f'{self._link} exists and is not a symbolic link; name another path'
                raise click.ClickException(msg)
            fresh = self._link.with_name(f'{self._link.name}.{os.getpid()}')
            fresh.symlink_to(os.ttyname(self._slave))
            fresh.replace(self._link)

    def _unplug(self) -> None:
        if self._master < 0:
            return
        name = os.ttyname(self._slave)
        # Another mock may have taken the link over; then it is not ours to remove.
        with contextlib.suppress(FileNotFoundError):
            if self._link is not None and str(self._link.readlink()) == name:
                self._link.unlink()
        with contextlib.suppress(KeyError):
            self._selector.unregister(self._master)
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1

    def _wake_at(self, now: float) -> float:
        times = [line.due_at() for line in (self._inward, self._outward) if line]
        own = (self._board.next_at, self._back_at, self._recovers_at)
        times += [t for t in own if t is not None]
        if self._deaf_until > now:
            times.append(self._deaf_until)
        return min(times, default=now + 1.0)

    def _listen(self, now: float) -> None:
        """Read from the pty only when the line and the misbehaviour allow."""
        if self._master < 0:
            return
        listening = self._master in self._selector.get_map()
        wanted = not self._inward and now >= self._deaf_until
        if wanted and not listening:
            self._selector.register(self._master, selectors.EVENT_READ)
        elif listening and not wanted:
            self._selector.unregister(self._master)

    def _deliver(self, data: bytes, now: float) -> None:
        self._reply(self._board.receive(data, now), now)
        self._frames += data.count(0)
        wrong = self._misbehaviour
        if wrong.stall and not self._stalled and self._frames >= wrong.stall_at:
            self._stalled = True
            self._deaf_until = now + wrong.stall
        if wrong.hang_up_after and not self._hung_up and self._frames >= wrong.hang_up_after:
            self._hung_up = True
            self._back_at = now + wrong.hang_up_for
            self._unplug()
        if wrong.sag and not self._sagged and self._frames >= wrong.sag_at:
            self._sagged = True
            self._recovers_at = now + wrong.sag_for
            self._reply(self._board.set_supply(round(1000.0 * wrong.sag), now), now)

    def _reply(self, replies: bytes, now: float) -> None:
        self._keep()
        if replies and not self._misbehaviour.silent:
            self._outward.send(replies, now)

    def _send(self, data: bytes) -> None:
        # A host that does not read overruns its own buffer, as on a real line.
        if self._master >= 0:
            with contextlib.suppress(BlockingIOError):
                os.write(self._master, data)


def _place(_: click.Context, __: click.Parameter, path: Path | None) -> Path | None:
    """Refuse a file that cannot be made."""
    if path is not None and not os.access(path if path.exists() else path.parent, os.W_OK):
        raise click.BadParameter(f'{path} cannot be written; is its folder there, and yours?')
    return path


FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.option('--link', type=FILE, callback=_place, help='Keep a symbolic link to the pty.')
@click.option(
    '--log', 'log_path', type=FILE, callback=_place, help='Append all records as JSON lines.'
)
@click.option('--speed-us-per-s', default=4000.0, show_default=True, help='Speed of a servo.')
@click.option('--dead-band-us', default=4.0, show_default=True, help='Dead band of a servo.')
@click.option('--drop', default=0.0, type=PROBABILITY, help='Probability that a byte is lost.')
@click.option(
    '--corrupt',
    default=0.0,
    type=PROBABILITY,
    help='Probability that a byte has a bit turned over.',
)
@click.option('--stall', default=0.0, help='Stop reading once, for so many seconds.')
@click.option('--stall-at', default=100, show_default=True, help='Stall after so many frames.')
@click.option('--hang-up-after', default=0, help='Unplug once, after so many frames.')
@click.option('--hang-up-for', default=0.5, show_default=True, help='Seconds until plugged in.')
@click.option('--silent', is_flag=True, help='Never answer.')
@click.option(
    '--protocol',
    default=frames.PROTOCOL_VERSION,
    show_default=True,
    help='Version of the protocol to claim.',
)
@click.option('--supply', default=0.0, help='Servo supply in V; 0 is not measured.')
@click.option(
    '--low-voltage', default=0.0, help='Have the board watch for less than so many V; 0 for none.'
)
@click.option('--sag', default=0.0, help='Let the supply fall to so many V, once.')
@click.option('--sag-at', default=100, show_default=True, help='Sag after so many frames.')
@click.option('--sag-for', default=2.0, show_default=True, help='Seconds until it recovers.')
@click.option(
    '--memory',
    'memory_file',
    type=FILE,
    callback=_place,
    help='Keep what the board remembers in this file; without it a start begins afresh.',
)
@click.option(
    '--true-servos',
    'truth_file',
    type=FILE,
    callback=_place,
    help='Take servos that are not alike from this file; they are drawn where it is not there.',
)
@click.option(
    '--protractor',
    'protractor_file',
    type=FILE,
    callback=_place,
    help='Show the angles of their joints in this file, in degrees by channel.',
)
def main(
    *,
    link: Path | None,
    log_path: Path | None,
    speed_us_per_s: float,
    dead_band_us: float,
    drop: float,
    corrupt: float,
    stall: float,
    stall_at: int,
    hang_up_after: int,
    hang_up_for: float,
    silent: bool,
    protocol: int,
    supply: float,
    low_voltage: float,
    sag: float,
    sag_at: int,
    sag_for: float,
    memory_file: Path | None,
    truth_file: Path | None,
    protractor_file: Path | None,
) -> None:
    """Run a servo board without hardware behind a pty, until SIGINT or SIGTERM.

    Prints "ready PATH" once a host can open PATH.
    """
    stop, stopped = socket.socketpair()
    os.set_blocking(stopped.fileno(), False)
    signal.set_wakeup_fd(stopped.fileno())
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: None)
    with contextlib.ExitStack() as stack:
        log = None
        if log_path is not None:
            log = stack.enter_context(log_path.open('a', encoding='utf-8'))
        # The process number stands in for a count of boots: a restart changes it.
        memory = Memory(boots=os.getpid() & 0xFFFF)
        if memory_file is not None:
            try:
                memory = Memory.load(memory_file)
            except BoardError as error:
                raise click.BadParameter(str(error), param_hint='--memory') from error
        if low_voltage:
            settings = memory.settings or Settings()
            watched = replace(settings.supply, low_mv=round(1000.0 * low_voltage))
            memory.settings = replace(settings, supply=watched)
        if protractor_file is not None and truth_file is None:
            raise click.UsageError('--protractor needs --true-servos: nothing else has an angle')
        try:
            truths = {} if truth_file is None else load_true_servos(truth_file)
        except BoardError as error:
            raise click.BadParameter(str(error), param_hint='--true-servos') from error
        joints = {channel: TrueJoint(truth) for channel, truth in truths.items()}
        board = MockBoard(
            ServoDynamics(speed_us_per_s, dead_band_us),
            link=link,
            log=log,
            memory=memory,
            memory_file=memory_file,
            supply=supply,
            joints=joints,
            protractor=None if protractor_file is None else Protractor(protractor_file, joints),
            misbehaviour=Misbehaviour(
                drop=drop,
                corrupt=corrupt,
                stall=stall,
                stall_at=stall_at,
                hang_up_after=hang_up_after,
                hang_up_for=hang_up_for,
                silent=silent,
                protocol=protocol,
                sag=sag,
                sag_at=sag_at,
                sag_for=sag_for,
            ),
        )
        stack.callback(board.close)
        # What is there now stays: looking through it again took a good part of a tick.
        gc.collect()
        gc.freeze()
        # No program keeps a chip waiting; where the user may not have this priority, they do.
        with contextlib.suppress(PermissionError):
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
        click.echo(f'ready {board.path}')  # echo flushes
        board.run(stop)
        # At its end Python gives the signals back to their defaults; a second one is no error.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.SIG_IGN)


if __name__ == '__main__':
    main()
