# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How an entry of the file of readings is written in its line, and read again."""

import json
from math import degrees, radians
from typing import Literal

from leg_kinematics.calibration.foot_readings import (
    BarMeasured,
    FootEntry,
    FootOnGround,
    FootRead,
    LegPosed,
    LegStand,
    MarkersPlaced,
    PhotographTaken,
    Triple,
)
from leg_kinematics.calibration.joint_readings import (
    AngleRead,
    EndFound,
    HornFitted,
    JointEntry,
    OutputFound,
    SignSeen,
)
from leg_kinematics.calibration.measured import Approach, Reading
from leg_kinematics.robot import Robot, did_you_mean
from leg_kinematics.robot.units import shown

Entry = JointEntry | FootEntry

#: What stands in a line.
Content = dict[str, object]

#: Of a line, which is far longer than any entry (our own).
MOST_CHARACTERS = 400

#: Of a pulse, µs; the schema of servo maps has the same bounds, and their source.
PLAUSIBLE_PULSE = (200.0, 4000.0)

#: An angle beyond a full turn is none that was read off, deg.
MOST_DEGREES = 360.0

#: No foot of such a robot is farther from the origin of its sheet, mm (our own).
MOST_MM = 2000.0

#: Between these is the bar on a sheet of paper, mm (our own; A4 is 297 mm long).
PLAUSIBLE_BAR = (20.0, 300.0)

#: No marker is farther from the tip of its foot, along each axis, mm (our own).
MOST_BESIDE_MM = 150.0

#: Nobody has more placements or poses (our own).
MOST_NUMBER = 10_000.0

KEYS = (
    'joint and one of: board and channel; horn_us and horn_deg; sign; lowest_us; highest_us; us, '
    'deg and approached; or leg, us, sides, placement and one of: mm; touched; pose; or photograph '
    'and pose; or bar_mm; or marker_mm'
)


def line_of(content: Content) -> str:
    """Return the line in which something is written, with its end."""
    return f'{json.dumps(content)}\n'


def content_of(line: str) -> Content:
    """Return the mapping in a line.

    Raises
    ------
    ValueError
        There is none, or it is none that was written by us.

    """
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


def written(entry: Entry) -> Content:
    """Return an entry as it is written."""
    return _of_joint(entry) if isinstance(entry, JointEntry) else _of_foot(entry)


def _of_joint(entry: JointEntry) -> Content:
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


def _of_foot(entry: FootEntry) -> Content:
    match entry:
        case FootRead(stand, placement, position):
            return {**_stand(stand, placement), 'mm': [_mm(each) for each in position]}
        case FootOnGround(stand, placement):
            return {**_stand(stand, placement), 'touched': True}
        case LegPosed(stand, placement, pose):
            return {**_stand(stand, placement), 'pose': pose}
        case PhotographTaken(pose, file):
            return {'photograph': file, 'pose': pose}
        case BarMeasured(length):
            return {'bar_mm': _mm(length)}
        case MarkersPlaced(position):
            return {'marker_mm': [_mm(each) for each in position]}


def _stand(stand: LegStand, placement: int) -> Content:
    return {
        'leg': stand.leg,
        'us': list(stand.pulses_us),
        'sides': list(stand.sides),
        'placement': placement,
    }


def _degrees(angle: float) -> float:
    # A millionth of a degree: what was typed in degrees is written as it was typed.
    return round(degrees(angle), 6)


def _mm(length: float) -> float:
    return round(1e3 * length, 6)


def entry_of(content: Content, robot: Robot) -> Entry:
    """Return an entry from what is written.

    Raises
    ------
    ValueError
        It is none of this robot.

    """
    keys = sorted(content)
    if keys == ['bar_mm']:
        return BarMeasured(_number(content['bar_mm'], 'length in mm', *PLAUSIBLE_BAR) / 1e3)
    if keys == ['marker_mm']:
        return MarkersPlaced(_position(content['marker_mm'], MOST_BESIDE_MM))
    if keys == ['photograph', 'pose']:
        return PhotographTaken(_count(content['pose'], 'pose'), _file(content['photograph']))
    if 'leg' in content:
        return _foot_entry(content, robot)
    return _joint_entry(content, robot)


def _joint_entry(content: Content, robot: Robot) -> JointEntry:
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
    raise _unknown(content)


def _foot_entry(content: Content, robot: Robot) -> FootEntry:
    leg = content['leg']
    if leg not in robot.leg_names:
        raise ValueError(
            f'{robot.name} has no leg {shown(leg)}{did_you_mean(str(leg), robot.leg_names)}'
        )
    match sorted(set(content) - {'leg', 'us', 'sides', 'placement'}):
        case [('mm' | 'touched' | 'pose') as what] if len(content) == len(_STAND_KEYS) + 1:
            pass
        case _:
            raise _unknown(content)
    first, second, third = _three(content['us'], 'pulses in µs')
    pulses = (_pulse(first), _pulse(second), _pulse(third))
    first, second, third = _three(content['sides'], 'sides')
    stand = LegStand(str(leg), pulses, (_side(first), _side(second), _side(third)))
    placement = _count(content['placement'], 'placement')
    if what == 'mm':
        return FootRead(stand, placement, _position(content['mm'], MOST_MM))
    if what == 'pose':
        return LegPosed(stand, placement, _count(content['pose'], 'pose'))
    if content['touched'] is not True:
        raise ValueError(f'{shown(content["touched"])} is no touch: expected true')
    return FootOnGround(stand, placement)


_STAND_KEYS = ('leg', 'us', 'sides', 'placement')


def _unknown(content: Content) -> ValueError:
    return ValueError(f'no entry has the keys {", ".join(content)}: expected {KEYS}')


def _number(value: object, name: str, least: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise ValueError(f'{shown(value)} is no {name}: expected a number of {least:g} … {most:g}')
    return float(value)


def _count(value: object, name: str) -> int:
    number = _number(value, f'number of a {name}', 1.0, MOST_NUMBER)
    if not isinstance(value, int):
        raise ValueError(  # noqa: TRY004
            f'{shown(value)} is no number of a {name}: expected a whole number'
        )
    return int(number)


def _three(value: object, what: str) -> tuple[object, object, object]:
    match value:
        case [first, second, third]:
            return (first, second, third)
    raise ValueError(f'{shown(value)} are no {what}: expected three in brackets')


def _position(value: object, most: float) -> Triple:
    x, y, z = (_number(each, 'coordinate in mm', -most, most) / 1e3
               for each in _three(value, 'coordinates in mm'))  # fmt: skip
    return (x, y, z)


def _pulse(value: object) -> float:
    return _number(value, 'pulse in µs', *PLAUSIBLE_PULSE)


def _angle(value: object) -> float:
    return radians(_number(value, 'angle in degrees', -MOST_DEGREES, MOST_DEGREES))


def _approach(value: object) -> Approach:
    match value:
        case 'up' | 'down':
            return value
    raise ValueError(f"{shown(value)} is no approach: expected 'up' or 'down'")


def _side(value: object) -> Literal[1, 0, -1]:
    if isinstance(value, int) and not isinstance(value, bool) and value in {-1, 0, 1}:
        return 0 if value == 0 else _sign(value)
    raise ValueError(f'{shown(value)} is no side: expected 1, 0 or -1')


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


def _file(value: object) -> str:
    if not isinstance(value, str) or value in {'', '.', '..'} or set(value) & {'/', '\\', '\0'}:
        raise ValueError(f'{shown(value)} is no name of a file in a folder')
    return value


def _channel(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError(f'{shown(value)} is no channel: expected a whole number from 0')
    return value
