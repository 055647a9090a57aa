# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The file of what was done and read at the bench, from which every fit can be made again.

One line of JSON an entry, which is only ever added at the end, so that no interruption can harm
what was there before; of a line that was cut while it was written nothing is taken. The first line
names the robot. What was taken back stays, with a line behind it that says so.
"""

import os
from datetime import date
from pathlib import Path
from typing import Literal

from leg_kinematics.calibration.entry_lines import (
    Content,
    Entry,
    content_of,
    entry_of,
    line_of,
    written,
)
from leg_kinematics.calibration.foot_readings import (
    FootEntry,
    FootOnGround,
    FootRead,
    LegPosed,
)
from leg_kinematics.calibration.joint_readings import (
    AngleRead,
    EndFound,
    HornFitted,
    JointEntry,
    OutputFound,
    SignSeen,
)
from leg_kinematics.calibration.measured import Reading
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Robot
from leg_kinematics.robot.text_file import MOST_BYTES, read_text
from leg_kinematics.robot.units import shown

#: The key of the first line, with the name of the robot.
HEAD = 'readings_of'

#: What says that the last entry which still counted was taken back.
TAKEN_BACK: Content = {'taken_back': True}


class ReadingsFile:
    """What was done and read at one robot, in its order.

    Parameters
    ----------
    path
        The file. A new one is written with the first entry.
    robot
        Whose joints are calibrated.
    today
        The date to begin a new file with.

    Attributes
    ----------
    path
        As given.
    began
        The date on which the file was begun.
    cut
        What stood in a last line that was cut while it was written, and is left out; otherwise
        empty.

    Raises
    ------
    DescriptionError
        The file cannot be read, is of another robot, or holds what is no entry; names the line.

    """

    def __init__(self, path: Path, robot: Robot, today: date) -> None:
        """Read what is there; write nothing."""
        self.path = path
        self.cut = ''
        self.began = today
        self._robot = robot
        self._entries: list[Entry] = []
        # How much of the file is whole, and how long it is; None as long as it is not there.
        self._whole = 0
        self._length: int | None = None
        if path.exists():
            self._read()

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All that was not taken back, the oldest first."""
        return tuple(self._entries)

    @property
    def joints(self) -> frozenset[str]:
        """The joints about which something was found out."""
        return frozenset(each.joint for each in self._entries if isinstance(each, JointEntry))

    def readings(self, joint: str) -> tuple[Reading, ...]:
        """Return the angles read off a joint since its horn was fitted, the oldest first."""
        return tuple(
            each.reading for each in self._since_horn(joint) if isinstance(each, AngleRead)
        )

    def ends_us(self, joint: str) -> tuple[float | None, float | None]:
        """Return the lowest and the highest pulse of a joint, µs; None where not found yet.

        They count since its horn was fitted.
        """
        ends = {
            each.end: each.pulse_us
            for each in self._since_horn(joint)
            if isinstance(each, EndFound)
        }
        return (ends.get('lowest'), ends.get('highest'))

    def output(self, joint: str) -> tuple[str, int] | None:
        """Return board and channel by which a joint was last seen to move; None where not yet."""
        outputs = [
            (each.board, each.channel)
            for each in self._entries
            if isinstance(each, OutputFound) and each.joint == joint
        ]
        return outputs[-1] if outputs else None

    def sign(self, joint: str) -> Literal[1, -1] | None:
        """Return which way a joint was last seen to turn; None where not yet."""
        signs = [
            each.sign
            for each in self._entries
            if isinstance(each, SignSeen) and each.joint == joint
        ]
        return signs[-1] if signs else None

    def horn_fitted(self, joint: str) -> bool:
        """Tell whether the horn of a joint was fitted."""
        return any(isinstance(each, HornFitted) and each.joint == joint for each in self._entries)

    @property
    def feet(self) -> tuple[FootEntry, ...]:
        """What was noted about feet, the oldest first.

        A leg whose horn was fitted anew has its foot elsewhere since: what was noted of it before
        counts no more.
        """
        kept: list[FootEntry] = []
        for each in self._entries:
            if isinstance(each, HornFitted):
                kept = [noted for noted in kept if each.joint not in self._joints_of(noted)]
            elif not isinstance(each, JointEntry):
                kept.append(each)
        return tuple(kept)

    def _joints_of(self, noted: FootEntry) -> tuple[str, ...]:
        """Return the joints on whose horns it depends what was noted."""
        if not isinstance(noted, FootRead | FootOnGround | LegPosed):
            return ()
        return self._robot.legs[self._robot.leg_names.index(noted.stand.leg)].joints

    def _since_horn(self, joint: str) -> list[JointEntry]:
        """Return what was found out about a joint since its horn was fitted last."""
        of_joint = [
            each for each in self._entries if isinstance(each, JointEntry) and each.joint == joint
        ]
        fittings = [at for at, each in enumerate(of_joint) if isinstance(each, HornFitted)]
        return of_joint[fittings[-1] :] if fittings else of_joint

    def add(self, entry: Entry) -> None:
        """Write an entry behind all others; once this returns, it is on the disk.

        Raises
        ------
        DescriptionError
            It is no entry that could be read again, somebody else has changed the file, or it
            cannot be written; then the file is as it was.

        """
        content = written(entry)
        try:
            again = entry_of(content_of(line_of(content).rstrip()), self._robot)
        except ValueError as error:
            raise DescriptionError(str(error), file=self.path) from error
        self._append(content)
        self._entries.append(again)

    def take_back(self) -> Entry | None:
        """Take the last entry back.

        Returns
        -------
        Entry or None
            Which that was; None when there is none.

        Raises
        ------
        DescriptionError
            As in `add`.

        """
        if not self._entries:
            return None
        self._append(TAKEN_BACK)
        return self._entries.pop()

    def _read(self) -> None:
        text = read_text(self.path)
        self._length = len(text.encode())
        *lines, tail = text.split('\n')
        for number, line in enumerate(lines, start=1):
            try:
                self._take(content_of(line), first=number == 1)
            except ValueError as error:
                raise self._error(str(error), number) from error
        self._whole = self._length - len(tail.encode())
        # Entries are written with the end of their line: what lacks it was cut.
        self.cut = tail

    def _take(self, content: Content, *, first: bool) -> None:
        if first:
            self.began = _head(content, self._robot)
        elif content == TAKEN_BACK:
            if not self._entries:
                raise ValueError('nothing is left here that could be taken back')
            self._entries.pop()
        else:
            self._entries.append(entry_of(content, self._robot))

    def _append(self, content: Content) -> None:
        lines = [content]
        if not self._whole:
            lines.insert(0, {HEAD: self._robot.name, 'began': self.began.isoformat()})
        data = ''.join(map(line_of, lines)).encode()
        if self._whole + len(data) > MOST_BYTES:
            raise self._error(f'full, at {MOST_BYTES // 1024} kB: go on with another file', None)
        try:
            self._write(data)
        except OSError as error:
            reason = error.strerror or str(error)
            raise self._error(f'cannot be written: {reason}', None) from error
        self._whole += len(data)
        self._length = self._whole
        self.cut = ''

    def _write(self, data: bytes) -> None:
        """Write behind what is whole, and see it on the disk."""
        with self.path.open('xb' if self._length is None else 'r+b', buffering=0) as file:
            if os.fstat(file.fileno()).st_size != (self._length or 0):
                raise self._error('somebody else has changed this file: read it again', None)
            try:
                file.truncate(self._whole)
                file.seek(self._whole)
                while data:
                    data = data[file.write(data) :]
                os.fsync(file.fileno())
            except OSError:
                file.truncate(self._whole)
                self._length = self._whole
                raise

    def _error(self, message: str, line: int | None) -> DescriptionError:
        return DescriptionError(message, file=self.path, line=line)


def _head(content: Content, robot: Robot) -> date:
    """Return the date in the first line."""
    if set(content) != {HEAD, 'began'}:
        raise ValueError(
            f'this is no file of readings: expected {HEAD} and began in its first line'
        )
    if content[HEAD] != robot.name:
        raise ValueError(
            f'these readings are of {shown(content[HEAD])}, the robot is {robot.name!r}: name '
            'the file of its own readings, or a new one'
        )
    return date.fromisoformat(str(content['began']))
