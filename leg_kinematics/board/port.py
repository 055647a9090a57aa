# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Opening a serial port for one board, and saying what is wrong when that fails."""

import errno
import termios
from pathlib import Path

import serial
from serial.tools import list_ports

from leg_kinematics.errors import PortError


def open_port(name: str, baud_rate: int) -> serial.Serial:
    """Open a port for us alone, read without waiting.

    On many boards a fall or a rise of DTR restarts the chip, and its servos drop what they carry.
    So nothing moves the lines that need not: DTR and RTS are up while the port is open, as the
    kernel raises them, and stay up when it is closed, however the process ends. The next opening
    then finds them up. What remains is the first opening after the adapter was plugged in, or after
    another program hung up.

    Raises
    ------
    PortError
        It is missing, busy or not ours to open; says what to do.

    """
    port = serial.Serial(baudrate=baud_rate, timeout=0, exclusive=True)
    port.dtr = port.rts = True  # a port without such lines, as a pty, is passed over
    port.port = name
    try:
        port.open()
        try:
            _keep_from_hanging_up(port.fileno())
        except BaseException:
            port.close()
            raise
    except OSError as error:  # SerialException is one
        raise PortError(f'serial port {name} {_trouble(name, error)}') from error
    return port


def is_pseudo_terminal(name: str) -> bool:
    """Tell whether behind a port there is a program, such as the mock, and no hardware (pts(4))."""
    return Path(name).resolve().is_relative_to('/dev/pts')


def _keep_from_hanging_up(descriptor: int) -> None:
    """Let closing leave the lines alone: clear HUPCL (termios(3)), which the port remembers."""
    try:
        settings = termios.tcgetattr(descriptor)
        settings[2] &= ~termios.HUPCL  # c_cflag
        termios.tcsetattr(descriptor, termios.TCSANOW, settings)
    except termios.error as error:  # unplugged just now; not an OSError
        raise OSError(*error.args) from error


def _trouble(name: str, error: OSError) -> str:
    if error.errno in (errno.EAGAIN, errno.EBUSY):
        return 'is in use by another program; close that program or name another port'
    if error.errno in (errno.EACCES, errno.EPERM):
        return 'may not be opened by this user; join the group that owns it (often dialout)'
    if error.errno in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        present = ', '.join(sorted(found.device for found in list_ports.comports())) or 'none'
        return f'does not exist; plug the board in or name another port (present: {present})'
    for kind, is_that in (('a folder', Path.is_dir), ('an ordinary file', Path.is_file)):
        if is_that(Path(name)):
            return f'is {kind}, and no port; name that of the board, such as /dev/ttyUSB0'
    return f'cannot be opened as a serial port: {error}'
