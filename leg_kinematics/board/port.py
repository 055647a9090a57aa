# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Opening a serial port for one board, and saying what is wrong when that fails."""

import errno

import serial
from serial.tools import list_ports

from leg_kinematics.errors import PortError


def open_port(name: str, baud_rate: int) -> serial.Serial:
    """Open a port for us alone, read without waiting.

    Raises
    ------
    PortError
        It is missing, busy or not ours to open; says what to do.

    """
    try:
        return serial.Serial(name, baud_rate, timeout=0, exclusive=True)
    except OSError as error:  # SerialException is one
        raise PortError(f'serial port {name} {_trouble(error)}') from error


def _trouble(error: OSError) -> str:
    if error.errno in (errno.EAGAIN, errno.EBUSY):
        return 'is in use by another program; close that program or name another port'
    if error.errno in (errno.EACCES, errno.EPERM):
        return 'may not be opened by this user; join the group that owns it (often dialout)'
    if error.errno in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        present = ', '.join(sorted(found.device for found in list_ports.comports())) or 'none'
        return f'does not exist; plug the board in or name another port (present: {present})'
    return f'cannot be opened as a serial port: {error}'
