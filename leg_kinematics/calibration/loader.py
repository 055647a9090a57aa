# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From the servo map file of a robot to its servo maps."""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from leg_kinematics.calibration.curves import Curve, LinearCurve, TableCurve
from leg_kinematics.calibration.servo_map import Measured, ServoMap, ServoMaps
from leg_kinematics.robot import SEGMENTS, Document, Robot, ServoModel, did_you_mean


def load_servo_maps(path: Path | str, robot: Robot) -> ServoMaps:
    """Read the servo maps of a robot.

    Parameters
    ----------
    path
        The YAML file, in the layout of ``servo_maps.schema.json``.
    robot
        The robot whose joints they turn.

    Returns
    -------
    ServoMaps
        One map a joint, in the order of ``robot.joints``; none of legs that are not wired.

    Raises
    ------
    DescriptionError
        When the file is wrong or does not fit the robot; the message names file, line and place.

    """
    return servo_maps_of(Document(path, maps_schema()), robot)


def maps_schema() -> Traversable:
    """Return the schema of servo map files."""
    return files('leg_kinematics.calibration') / 'servo_maps.schema.json'


def servo_maps_of(document: Document, robot: Robot) -> ServoMaps:
    """Read the servo maps of a robot from a document that is open already.

    Raises
    ------
    DescriptionError
        As in `load_servo_maps`.

    """
    maps = joint_maps_of(document, robot)
    not_wired = _not_wired(document, robot)
    _check_missing(document, robot, not_wired)
    return ServoMaps(
        name=robot.name,
        measured=Measured(when=document.text('measured.when'), how=document.text('measured.how')),
        maps=maps,
        document=document,
        not_wired=not_wired,
    )


def joint_maps_of(document: Document, robot: Robot) -> tuple[ServoMap, ...]:
    """Read the maps of those joints that have one, in the order of the robot.

    Raises
    ------
    DescriptionError
        As in `load_servo_maps`, but for joints that are missing.

    """
    name = document.text('robot')
    if name != robot.name:
        raise document.error(
            'robot',
            f'these maps are of {name!r}, the robot is {robot.name!r}; take the maps that were '
            'measured on it, or write its name here if these were',
        )
    _check_known(document, robot)
    mapped = document.keys('joints')
    maps = tuple(
        _servo_map(document, joint, link.servo)
        for leg in robot.legs
        for joint, link in zip(leg.joints, leg.links, strict=True)
        if joint in mapped
    )
    _check_channels(document, maps)
    return maps


def _not_wired(document: Document, robot: Robot) -> tuple[str, ...]:
    """Legs that are listed as not wired, in the order of the description."""
    listed = []
    for index in range(document.length('not_wired') if 'not_wired' in document.keys('') else 0):
        path = f'not_wired[{index}]'
        name = document.text(path)
        if name not in robot.leg_names:
            raise document.error(
                path,
                f'{robot.name} has no leg {name!r}; its legs are: {", ".join(robot.leg_names)}'
                f'{did_you_mean(name, robot.leg_names)}',
            )
        listed.append(name)
    if len(listed) == len(robot.legs):
        raise document.error(
            'not_wired', 'every leg is listed, so that there is nothing to drive: wire one first'
        )
    return tuple(name for name in robot.leg_names if name in listed)


def _check_known(document: Document, robot: Robot) -> None:
    for joint in document.keys('joints'):
        if joint not in robot.joints:
            raise document.error(
                f'joints.{joint}',
                f'{robot.name} has no joint {joint!r}: take this entry out or correct its name; '
                f'its legs are: {", ".join(robot.leg_names)}, and a joint is a leg with '
                f'{", ".join(f"_{each}" for each in SEGMENTS)}'
                f'{did_you_mean(joint, robot.joints)}',
            )


def _check_missing(document: Document, robot: Robot, not_wired: tuple[str, ...]) -> None:
    off = {joint: leg.name for leg in robot.legs if leg.name in not_wired for joint in leg.joints}
    mapped = document.keys('joints')
    for joint in mapped:
        if joint in off:
            raise document.error(
                f'joints.{joint}',
                f'{off[joint]} is listed under not_wired, and has a map here: take it off that '
                f'list if its servos are connected, else take this map out',
            )
    missing = [joint for joint in robot.joints if joint not in mapped and joint not in off]
    if missing:
        bare = [leg.name for leg in robot.legs if set(leg.joints) <= set(missing)]
        hint = f'; legs without servos yet go under not_wired: [{", ".join(bare)}]' if bare else ''
        raise document.error('joints', f'missing here: {", ".join(missing)}{hint}')


def _check_channels(document: Document, maps: tuple[ServoMap, ...]) -> None:
    first: dict[tuple[str, int], str] = {}
    in_file_order = sorted(maps, key=lambda item: document.line(f'joints.{item.joint}') or 0)
    for servo_map in in_file_order:
        other = first.setdefault((servo_map.board, servo_map.channel), servo_map.joint)
        if other != servo_map.joint:
            path = f'joints.{servo_map.joint}.channel'
            raise document.error(
                path,
                f'channel {servo_map.channel} of board {servo_map.board!r} belongs to {other!r} '
                f'already (line {document.line(f"joints.{other}.channel")}): every joint needs '
                f'its own',
            )


def _servo_map(document: Document, joint: str, servo: ServoModel) -> ServoMap:
    path = f'joints.{joint}'
    lowest = document.quantity(f'{path}.lowest', 'pulse')
    highest = document.quantity(f'{path}.highest', 'pulse')
    if not lowest < highest:
        raise document.error(
            f'{path}.lowest',
            f'the lowest pulse, {lowest:g} µs, must be below the highest, {highest:g} µs',
        )
    shortest, longest = servo.pulse_us
    for key, value in (('lowest', lowest), ('highest', highest)):
        if not shortest <= value <= longest:
            raise document.error(
                f'{path}.{key}',
                f'{value:g} µs is beyond the {shortest:g} … {longest:g} µs that servo '
                f'{servo.name!r} answers to',
            )
    curve = _curve(document, path)
    first, last = curve.pulse_span_us
    if not max(first, lowest) < min(last, highest):
        raise document.error(
            f'{path}.table',
            f'the table runs from {first:g} to {last:g} µs, all of it outside {lowest:g} … '
            f'{highest:g} µs: the joint could not move',
        )
    return ServoMap(
        joint=joint,
        board=document.text(f'{path}.board'),
        channel=document.integer(f'{path}.channel'),
        curve=curve,
        lowest_us=lowest,
        highest_us=highest,
    )


def _curve(document: Document, path: str) -> Curve:
    if 'table' not in document.keys(path):
        return LinearCurve(
            centre_us=document.quantity(f'{path}.centre', 'pulse'),
            gain_us_per_rad=document.quantity(f'{path}.gain', 'pulse gain'),
            horn_offset=document.quantity(f'{path}.horn_offset', 'angle'),
        )
    rows = range(document.length(f'{path}.table'))
    angles = tuple(document.quantity(f'{path}.table[{row}][0]', 'angle') for row in rows)
    pulses = tuple(document.quantity(f'{path}.table[{row}][1]', 'pulse') for row in rows)
    try:
        return TableCurve(angles, pulses)
    except ValueError as error:
        raise document.error(f'{path}.table', str(error)) from error
