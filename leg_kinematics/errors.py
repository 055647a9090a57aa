# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Every error that the package raises on purpose.

The tree, so that a caller can catch as much or as little as it can handle::

    LegKinematicsError
    ├── DescriptionError    a file that a person wrote is wrong; says file, line and path
    ├── ReachError          a foot target no posture of the leg can meet
    ├── JointLimitError     a joint angle beyond the limits of its description
    ├── MapRangeError       a joint angle that a servo map cannot express
    ├── CalibrationError    readings of a servo of which no map can be made
    ├── BalanceError        feet that cannot carry the body without pulling or slipping
    ├── CommandError        a command (velocity, target, trajectory) that cannot be obeyed
    │   └── CannotWalkError     a robot lacks what a walk needs, whatever is asked of it
    ├── BagError            a recording that cannot be written or read
    └── BoardError          something between us and a servo board
        ├── PortError       the serial port does not exist, is busy or is not ours to open
        ├── LinkLostError   the board was there and is gone, or does not answer
        │   └── NotSentError    nothing could be sent to it
        ├── FrameError      bytes that are not a frame of the protocol
        ├── RefusedError    the board understood a frame and refused it
        └── SettingsDifferError  the board keeps other pulse limits than it is to be given
"""

from pathlib import Path


class LegKinematicsError(Exception):
    """The root of every error that this package raises on purpose."""


class DescriptionError(LegKinematicsError):
    """A file that a person wrote is wrong.

    Parameters
    ----------
    message
        What is wrong, what was expected and what to do.
    file
        The file, as the user named it.
    line
        Line in that file, counted from 1, or None when no line can be named.
    path
        The place inside the document, such as ``legs.left_front.mount``.

    """

    def __init__(
        self, message: str, *, file: Path | str, line: int | None = None, path: str = ''
    ) -> None:
        """Keep the place beside the text."""
        self.message = message
        self.file = Path(file)
        self.line = line
        self.path = path
        place = str(file) if line is None else f'{file}:{line}'
        super().__init__(f'{place}: {path}: {message}' if path else f'{place}: {message}')


class ReachError(LegKinematicsError):
    """A foot target that no posture of the leg can meet."""


class JointLimitError(LegKinematicsError):
    """A joint angle beyond the limits of its description."""


class MapRangeError(LegKinematicsError):
    """A joint angle that a servo map cannot express within its pulse limits."""


class CalibrationError(LegKinematicsError):
    """Readings of a servo of which no map can be made."""


class BalanceError(LegKinematicsError):
    """Feet that cannot carry the body without pulling at the ground or slipping."""


class CommandError(LegKinematicsError):
    """A command that cannot be obeyed: not finite, wrong names, wrong shape."""


class CannotWalkError(CommandError):
    """A robot lacks what a walk needs: legs, or an order in which they step."""


class BagError(LegKinematicsError):
    """A recording that cannot be written or read."""


class BoardError(LegKinematicsError):
    """Something between us and a servo board went wrong."""


class PortError(BoardError):
    """The serial port does not exist, is busy, or may not be opened."""


class LinkLostError(BoardError):
    """The board was there and is gone, or does not answer in time."""


class NotSentError(LinkLostError):
    """Nothing was sent, because no board is there or its line is broken."""


class FrameError(BoardError):
    """Bytes that are not a frame of the protocol."""


class RefusedError(BoardError):
    """The board understood a frame and refused it."""


class SettingsDifferError(BoardError):
    """The board keeps other pulse limits than it is to be given."""
