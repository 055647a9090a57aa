# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The file of what was done and read at the bench, from which every fit can be made again.

One line of JSON an entry, which is only ever added at the end, so that no interruption can harm
what was there before; of a line that was cut while it was written nothing is taken. The first line
names the robot. What was taken back stays, with a line behind it that says so.
"""

import json
import os
from dataclasses import dataclass
from datetime import date
from math import degrees, radians
from pathlib import Path
from typing import Literal

from leg_kinematics.calibration.measured import Approach, Reading
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Robot, did_you_mean
from leg_kinematics.robot.text_file import MOST_BYTES, read_text
from leg_kinematics.robot.units import shown

#: Of a line, which is far longer than any entry (our own).
MOST_CHARACTERS = 400

#: Of a pulse, µs; the schema of servo maps has the same bounds, and their source.
PLAUSIBLE_PULSE = (200.0, 4000.0)

#: An angle beyond a full turn is none that was read off, deg.
MOST_DEGREES = 360.0


@dataclass(frozen=True)
class OutputFound:
    """A joint was seen to move when this output was driven.

    Attributes
    ----------
    joint
        Which.
    board, channel
        The output.

    """

    joint: str
    board: str
    channel: int


@dataclass(frozen=True)
class HornFitted:
    """The horn of a joint was fitted with the servo at this pulse.

    Attributes
    ----------
    joint
        Which.
    pulse_us
        Meanwhile, µs.
    angle
        Of the joint, as it was wanted, rad.

    """

    joint: str
    pulse_us: float
    angle: float


@dataclass(frozen=True)
class SignSeen:
    """Which way a joint turned when its pulse was made longer.

    Attributes
    ----------
    joint
        Which.
    sign
        1 for the positive way, otherwise -1.

    """

    joint: str
    sign: Literal[1, -1]


@dataclass(frozen=True)
class AngleRead:
    """An angle was read off.

    Attributes
    ----------
    joint
        Which.
    reading
        Pulse, angle and approach.

    """

    joint: str
    reading: Reading


@dataclass(frozen=True)
class EndFound:
    """The pulse beyond which a servo is not to be driven was found.

    Attributes
    ----------
    joint
        Which.
    end
        Whether it is the lowest or the highest one.
    pulse_us
        Still allowed, µs.

    """

    joint: str
    end: Literal['lowest', 'highest']
    pulse_us: float


Entry = OutputFound | HornFitted | SignSeen | AngleRead | EndFound

#: What stands in a line.
Content = dict[str, object]

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

    def _since_horn(self, joint: str) -> list[Entry]:
        """Return what was found out about a joint since its horn was fitted last."""
        of_joint = [each for each in self._entries if each.joint == joint]
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
        content = _content(entry)
        try:
            again = _entry(content, self._robot)
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
                self._take(_parse(line), first=number == 1)
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
            self._entries.append(_entry(content, self._robot))

    def _append(self, content: Content) -> None:
        lines = [content]
        if not self._whole:
            lines.insert(0, {HEAD: self._robot.name, 'began': self.began.isoformat()})
        data = ''.join(f'{json.dumps(line)}\n' for line in lines).encode()
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


def _parse(line: str) -> Content:
    """Return the mapping in a line."""
    if len(line) > MOST_CHARACTERS:
        raise ValueError(f'longer than {MOST_CHARACTERS} characters, which no entry is')
    try:
        content = json.loads(line, object_pairs_hook=_unrepeated)
    except json.JSONDecodeError as error:
        raise ValueError(
            f'no entry ({error.msg}): restore this line, or take it out with all that depends on it'
        ) from error
    if not isinstance(content, dict):
        # Of a value in a file, as everywhere here.
        raise ValueError(  # noqa: TRY004
            f'{shown(content)} is no entry: expected a mapping in braces'
        )
    return content


def _unrepeated(pairs: list[tuple[str, object]]) -> Content:
    content = dict(pairs)
    if len(content) < len(pairs):
        raise ValueError('a key stands here twice')
    return content


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


def _content(entry: Entry) -> Content:
    """Return an entry as it is written."""
    match entry:
        case OutputFound(joint, board, channel):
            return {'joint': joint, 'board': board, 'channel': channel}
        case HornFitted(joint, pulse_us, angle):
            return {'joint': joint, 'horn_us': pulse_us, 'horn_deg': _degrees(angle)}
        case SignSeen(joint, sign):
            return {'joint': joint, 'sign': sign}
        case AngleRead(joint, Reading(pulse_us, angle, approached)):
            angle_deg = _degrees(angle)
            return {'joint': joint, 'us': pulse_us, 'deg': angle_deg, 'approached': approached}
        case EndFound(joint, end, pulse_us):
            return {'joint': joint, f'{end}_us': pulse_us}


def _degrees(angle: float) -> float:
    # A millionth of a degree: what was typed in degrees is written as it was typed.
    return round(degrees(angle), 6)


def _entry(content: Content, robot: Robot) -> Entry:
    """Return an entry from what is written."""
    joint = content.get('joint')
    if joint not in robot.joints:
        raise ValueError(
            f'{robot.name} has no joint {shown(joint)}{did_you_mean(str(joint), robot.joints)}'
        )
    name = str(joint)
    match sorted(set(content) - {'joint'}):
        case ['board', 'channel']:
            return OutputFound(name, _name(content['board']), _channel(content['channel']))
        case ['horn_deg', 'horn_us']:
            return HornFitted(name, _pulse(content['horn_us']), _angle(content['horn_deg']))
        case ['approached', 'deg', 'us']:
            pulse_us, angle = _pulse(content['us']), _angle(content['deg'])
            return AngleRead(name, Reading(pulse_us, angle, _approach(content['approached'])))
        case ['sign']:
            return SignSeen(name, _sign(content['sign']))
        case ['lowest_us']:
            return EndFound(name, 'lowest', _pulse(content['lowest_us']))
        case ['highest_us']:
            return EndFound(name, 'highest', _pulse(content['highest_us']))
    raise ValueError(
        f'no entry has the keys {", ".join(content)}: expected joint and one of: board and '
        'channel; horn_us and horn_deg; sign; lowest_us; highest_us; us, deg and approached'
    )


def _number(value: object, name: str, least: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise ValueError(f'{shown(value)} is no {name}: expected a number of {least:g} … {most:g}')
    return float(value)


def _pulse(value: object) -> float:
    return _number(value, 'pulse in µs', *PLAUSIBLE_PULSE)


def _angle(value: object) -> float:
    return radians(_number(value, 'angle in degrees', -MOST_DEGREES, MOST_DEGREES))


def _approach(value: object) -> Approach:
    match value:
        case 'up' | 'down':
            return value
    raise ValueError(f"{shown(value)} is no approach: expected 'up' or 'down'")


def _sign(value: object) -> Literal[1, -1]:
    match value:
        case bool():
            pass
        case 1:
            return 1
        case -1:
            return -1
    raise ValueError(f'{shown(value)} is no sign: expected 1 or -1')


def _name(value: object) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError(f'{shown(value)} is no name of a board')
    return value


def _channel(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError(f'{shown(value)} is no channel: expected a whole number from 0')
    return value
