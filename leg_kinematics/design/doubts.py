# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Doubts: what is most often a mistake, though it may be meant, with cause and cure."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, permutations
from math import atan2, copysign, degrees, dist, hypot, pi, radians, sqrt

import numpy as np
from transforms3d.euler import euler2mat

from leg_kinematics.board.framed import frames
from leg_kinematics.calibration import Curve, LinearCurve, ServoMap, ServoMaps
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import SEGMENTS, Document, Leg, Link, Robot, Vector
from leg_kinematics.robot.loader import UPRIGHT
from leg_kinematics.solver import leg_solvers

# All of these bounds are our own.

#: Two mounts are one, or mirror images, when they are so close, as a share of the leg's length.
CLOSE = 0.05

#: A leg points inwards when it points less than 60 degrees from the middle of the body.
INWARDS = -0.5

#: Of legs whose coxa axis leans more than 60 degrees nobody can say where they point.
UPWARDS = 0.5

#: Mirrored legs point so far at most from where the mirror says.
ASKEW = radians(20.0)

#: A tibia is seldom shorter than so much of its femur.
SHORT = 0.9

#: A servo map that fits covers so much of the range of its joint, and is turned no more than this.
COVERED = 0.5
TURNED = radians(45.0)

EXCHANGED = 'femur and tibia exchanged?'


@dataclass(frozen=True)
class Doubt:
    """Something that may be meant, but seldom is.

    Attributes
    ----------
    seen
        Place in the file, and what stands there.
    cure
        What to look at, and what to write if it was not meant.
    label
        The slip in a few words, for a picture.
    legs
        Names of the legs that it is about.

    """

    seen: str
    cure: str
    label: str
    legs: tuple[str, ...]


def find_doubts(robot: Robot, maps: ServoMaps | None) -> tuple[Doubt, ...]:
    """Look for slips in the description of a robot and, if there are any, in its servo maps."""
    found = [*_mounts(robot), *_links(robot), *_bare_angles(robot.document, _angles_of(robot))]
    if maps is not None:
        horns = [
            (f'joints.{each.joint}.horn_offset', (_leg_of(each.joint),))
            for each in maps.maps
            if isinstance(each.curve, LinearCurve)
        ]
        wired = maps.wired(robot)
        found += [
            *_signs(wired, maps),
            *_horns(wired, maps),
            *_channels(maps),
            *_bare_angles(maps.document, horns),
        ]
    return tuple(found)


def _leg_of(joint: str) -> str:
    """Name of the leg of a joint."""
    return joint.rpartition('_')[0]


def _mounts(robot: Robot) -> Iterator[Doubt]:
    """Legs on the wrong side, that point into the body, or unlike their mirror image."""
    doubted: set[str] = set()
    for leg in robot.legs:
        wrong = _wrong_side(leg)
        if wrong is not None:
            doubted.add(leg.name)
            seen, cure, label = wrong
            error = robot.document.error(f'legs.{leg.name}.mount', seen)
            yield Doubt(str(error), cure, label, (leg.name,))
    for one, other in combinations(robot.legs, 2):
        if doubted & {one.name, other.name}:
            continue
        place, expected = f'legs.{other.name}.mount', _mirrored(_direction(one))
        both = (one.name, other.name)
        if dist(one.mount.position, other.mount.position) < CLOSE * _length(one):
            seen = f'{one.name} and {other.name} are fastened in the same place'
            yield Doubt(
                str(robot.document.error(place, seen)),
                'if one of them belongs to the other side, the sign of its y is missing',
                'two in one place?',
                both,
            )
        elif _are_mirrored(one, other) and _angle(expected, _direction(other)) > ASKEW:
            seen = (
                f'{other.name} points {_heading(_direction(other))}, its mirror image {one.name} '
                f'{_heading(_direction(one))}'
            )
            yield Doubt(
                str(robot.document.error(place, seen)),
                'legs on both sides that are built alike have the same pitch and opposite roll '
                'and yaw: look at the signs of both',
                'no mirror images?',
                both,
            )


def _wrong_side(leg: Leg) -> tuple[str, str, str] | None:
    """Tell what is wrong with the side that a leg is fastened on or points to, cure and label."""
    x, y, _ = leg.mount.position
    sides = (('left', y, 'y'), ('right', -y, 'y'), ('front', x, 'x'), ('rear', -x, 'x'))
    for side, amount, axis in sides:
        if side in leg.name.split('_') and amount < -CLOSE * _length(leg):
            return (
                f'{leg.name} is by its name {side}, but fastened on the opposite side',
                f'x is forward and y to the left: look at the sign of {axis}, or rename the leg',
                'on the wrong side?',
            )
    along_x, along_y, _ = _direction(leg)
    out, level = hypot(x, y), hypot(along_x, along_y)
    axis_up = abs(float(euler2mat(*leg.mount.rpy, 'sxyz')[2, 2]))
    if out < CLOSE * _length(leg) or level < UPRIGHT or axis_up < UPWARDS:
        return None
    if (x * along_x + y * along_y) / (out * level) > INWARDS:
        return None
    cure = 'yaw is the way that a leg points, 0 forward and 90 deg to the left: look at its sign'
    seen = f'{leg.name} points {_heading(_direction(leg))}, from its mount into the body'
    return seen, f'{cure}, or add 180 deg', 'points inwards?'


def _links(robot: Robot) -> Iterator[Doubt]:
    """Femur and tibia that look exchanged, once for all legs that share them."""
    seen: set[tuple[str, str]] = set()
    for index, leg in enumerate(robot.legs):
        paths = _femur_and_tibia(robot.document, leg)
        if paths in seen:
            continue
        seen.add(paths)
        alike = tuple(
            each.name for each in robot.legs if _femur_and_tibia(robot.document, each) == paths
        )
        femur, tibia = leg.femur, leg.tibia
        if _stands(robot, index, femur, tibia):
            if tibia.length < SHORT * femur.length:
                shorter = (
                    f'the tibia, {tibia.length * 1e3:.3g} mm, is shorter than the femur, '
                    f'{femur.length * 1e3:.3g} mm; most are longer'
                )
                yield Doubt(
                    str(robot.document.error(f'{paths[1]}.length', shorter)),
                    'if the two were exchanged, exchange their lengths; the femur is the link '
                    'between coxa and knee',
                    EXCHANGED,
                    alike,
                )
            continue
        exchanges = [
            ('the limits of femur and tibia', _limited(femur, tibia), _limited(tibia, femur)),
            ('the lengths of femur and tibia', _long(femur, tibia), _long(tibia, femur)),
        ]
        # With the usual lengths only the limits are wrong.
        whole = ('femur and tibia', tibia, femur)
        exchanges.insert(0 if tibia.length < femur.length else 2, whole)
        for what, upper, lower in exchanges:
            if _stands(robot, index, upper, lower):
                stands = (
                    f'{leg.name} cannot stand as the posture asks, but could with {what} exchanged'
                )
                yield Doubt(
                    str(robot.document.error(paths[0], stands)),
                    f'if it was not meant, exchange {what}; the femur is the link between coxa and '
                    f'knee',
                    EXCHANGED,
                    alike,
                )
                break


def _limited(link: Link, other: Link) -> Link:
    return replace(link, lower=other.lower, upper=other.upper)


def _long(link: Link, other: Link) -> Link:
    return replace(link, length=other.length)


def _stands(robot: Robot, index: int, femur: Link, tibia: Link) -> bool:
    """Whether a leg could stand with other links."""
    leg = replace(robot.legs[index], femur=femur, tibia=tibia)
    (solver,) = leg_solvers(replace(robot, legs=(leg,)))
    try:
        solver.angles(robot.standing.feet[index])
    except LegKinematicsError:
        return False
    return True


def _femur_and_tibia(document: Document, leg: Leg) -> tuple[str, str]:
    """Places of the two links of a leg."""
    return _link_path(document, leg, 'femur'), _link_path(document, leg, 'tibia')


def _link_path(document: Document, leg: Leg, segment: str) -> str:
    own = f'legs.{leg.name}'
    return f'{own}.{segment}' if segment in document.keys(own) else f'links.{segment}'


def _angles_of(robot: Robot) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Give the places of the angles of a description, with the legs that they are of."""
    links: dict[str, tuple[str, ...]] = {}
    for leg in robot.legs:
        for segment in SEGMENTS:
            path = _link_path(robot.document, leg, segment)
            links[path] = (*links.get(path, ()), leg.name)
    for path, legs in links.items():
        yield from ((f'{path}.limits[{end}]', legs) for end in range(2))
    for leg in robot.legs:
        yield from ((f'legs.{leg.name}.mount.rpy[{axis}]', (leg.name,)) for axis in range(3))


def _bare_angles(
    document: Document, places: Iterable[tuple[str, tuple[str, ...]]]
) -> Iterator[Doubt]:
    """Whole numbers without a unit: hardly anybody means 2 rad."""
    for path, legs in places:
        value = document.value(path)
        if isinstance(value, int) and value != 0:
            seen = f'{value} without a unit is {value} rad, {degrees(value):.0f} deg'
            yield Doubt(
                str(document.error(path, seen)),
                f'write {value} deg, or {value} rad if it was meant',
                'angle without a unit?',
                legs,
            )


def _signs(robot: Robot, maps: ServoMaps) -> Iterator[Doubt]:
    """Servos that turn the other way than those of the other legs let expect.

    Legs on two sides may mirror their servos or not, and a pair may be built unlike the others;
    but all pairs do the same with left and right.
    """
    pairs = [
        (left, right)
        for left, right in permutations(range(len(robot.legs)), 2)
        if robot.legs[left].mount.position[1] > 0.0
        and _are_mirrored(robot.legs[left], robot.legs[right])
    ]
    for segment in range(len(SEGMENTS)):
        signs = [_sign(maps.by_joint[leg.joints[segment]].curve) for leg in robot.legs]
        for suspects in _odd_legs(pairs, signs):
            joints = [robot.legs[leg].joints[segment] for leg in suspects]
            others = [
                robot.legs[leg].joints[segment]
                for leg in sorted({leg for pair in pairs for leg in pair} - set(suspects))
            ]
            which = joints[0] if len(joints) == 1 else f'one of {" and ".join(joints)}'
            seen = f'{which} turns the other way than {", ".join(others)} let expect'
            yield Doubt(
                str(maps.document.error(f'joints.{joints[0]}', seen)),
                'with the robot off the ground, move the joint alone: positive turns a coxa to the '
                'left and raises the foot at femur and tibia; if it goes the other way, change the '
                'sign of gain (in a table: of all angles)',
                f'{SEGMENTS[segment]} turns the wrong way?',
                tuple(robot.legs[leg].name for leg in suspects),
            )


def _odd_legs(pairs: Sequence[tuple[int, int]], signs: Sequence[int]) -> Iterator[tuple[int, ...]]:
    """Give the legs of which one has the wrong sign, for each odd one out."""
    alike = [pair for pair in pairs if signs[pair[0]] == signs[pair[1]]]
    unlike = [pair for pair in pairs if pair not in alike]
    if len(pairs) == 2 and len(alike) == 1:
        # The side whose two legs differ has the wrong one.
        (a, b), (c, d) = pairs
        yield (a, c) if signs[a] != signs[c] else (b, d)
    few = min(alike, unlike, key=len)
    if len(pairs) < 3 or len(few) != 1:
        return
    others = [pair for pair in pairs if pair not in few]
    lonely = tuple(
        leg for side, leg in enumerate(few[0])
        if all(signs[pair[side]] != signs[leg] for pair in others)
    )  # fmt: skip
    yield lonely if len(lonely) == 1 else few[0]


def _sign(curve: Curve) -> int:
    """Whether the pulse rises with the angle (1) or falls (-1)."""
    if isinstance(curve, LinearCurve):
        return 1 if curve.gain_us_per_rad > 0.0 else -1
    low, high = curve.pulse_span_us
    return 1 if curve.angle(high) > curve.angle(low) else -1


def _horns(robot: Robot, maps: ServoMaps) -> Iterator[Doubt]:
    """Find maps that would fit the range of their joint if they were turned."""
    for leg in robot.legs:
        for segment, joint, link in zip(SEGMENTS, leg.joints, leg.links, strict=True):
            servo_map = maps.by_joint[joint]
            low, high = servo_map.angle_range
            needed = link.upper - link.lower
            turn = 0.5 * (link.lower + link.upper - low - high)
            covered = max(0.0, min(high, link.upper) - max(low, link.lower)) / needed
            could = min(1.0, (high - low) / needed)
            if covered >= COVERED or could < COVERED or abs(turn) < TURNED:
                continue
            how_far = f'{degrees(abs(turn)):.0f} deg'
            if abs(abs(turn) - pi) < TURNED:
                turn, how_far = copysign(pi, turn), 'half a turn'
            seen = (
                f'the pulses of {joint} turn it from {degrees(low):.0f} to {degrees(high):.0f} '
                f'deg, its limits are {degrees(link.lower):.0f} and {degrees(link.upper):.0f} '
                f'deg: as if the horn sat {how_far} off'
            )
            yield Doubt(
                str(maps.document.error(f'joints.{joint}', seen)),
                _turned_back(servo_map, turn),
                f'horn of the {segment} {how_far} off?',
                (leg.name,),
            )


def _turned_back(servo_map: ServoMap, turn: float) -> str:
    if not isinstance(servo_map.curve, LinearCurve):
        return f'if the horn sits right, add {degrees(turn):.0f} deg to the angles of the table'
    offset = servo_map.curve.horn_offset + turn
    return (
        f'if the horn sits right, horn_offset is about {degrees(offset):.0f} deg; else put it on '
        'its spline again'
    )


def _channels(maps: ServoMaps) -> Iterator[Doubt]:
    """Channels that the servo board of this package lacks."""
    for servo_map in maps.maps:
        if servo_map.channel < frames.CHANNELS:
            continue
        used = {each.channel for each in maps.maps if each.board == servo_map.board}
        free = [str(channel) for channel in range(frames.CHANNELS) if channel not in used]
        seen = (
            f'channel {servo_map.channel} of board {servo_map.board!r}: our own servo board has '
            f'{frames.CHANNELS} channels, 0 to {frames.CHANNELS - 1}'
        )
        yield Doubt(
            str(maps.document.error(f'joints.{servo_map.joint}.channel', seen)),
            f'on our board take a free channel ({", ".join(free) or "there is none"}) or a second '
            'board; on a Firmata board the number is that of the pin, and may be right',
            f'channel {servo_map.channel}?',
            (_leg_of(servo_map.joint),),
        )


def _direction(leg: Leg) -> Vector:
    """Which way a leg points, in `base_link`, as a unit vector."""
    x, y, z = euler2mat(*leg.mount.rpy, 'sxyz')[:, 0].tolist()
    return (x, y, z)


def _mirrored(vector: Vector) -> Vector:
    """Mirror between left and right."""
    x, y, z = vector
    return (x, -y, z)


def _are_mirrored(one: Leg, other: Leg) -> bool:
    """Whether one leg is fastened on the left where the other is on the right, or the reverse."""
    close = CLOSE * _length(one)
    apart = dist(_mirrored(one.mount.position), other.mount.position)
    return apart < close < abs(one.mount.position[1])


def _length(leg: Leg) -> float:
    return sum(link.length for link in leg.links)


def _angle(one: Vector, other: Vector) -> float:
    """Between two unit vectors, rad."""
    return atan2(float(np.linalg.norm(np.cross(one, other))), float(np.dot(one, other)))


def _heading(direction: Vector) -> str:
    x, y, z = direction
    if hypot(x, y) < sqrt(0.5):
        return f'{"up" if z > 0.0 else "down"}wards'
    return f'to {degrees(atan2(y, x)):.0f} deg'
