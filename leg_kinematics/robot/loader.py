# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From the description file of a robot to the robot.

The schema has checked the shape of the file; here the values are checked against each other.
Whether the postures are within reach and joint limits is the business of the solver.
"""

import math
from importlib.resources import files
from pathlib import Path

import numpy as np
from transforms3d.euler import euler2mat

from leg_kinematics.robot.description import (
    SEGMENTS,
    Battery,
    Body,
    Leg,
    Link,
    Mount,
    Posture,
    Robot,
    ServoModel,
    Vector,
)
from leg_kinematics.robot.document import Document
from leg_kinematics.robot.near import did_you_mean
from leg_kinematics.robot.plausible import suggestions
from leg_kinematics.robot.units import STANDARD_GRAVITY, UNITS, Dimension, split_quantity

#: A leg whose direction, a unit vector, has a smaller horizontal part than this is upright: that
#: part is only what is missing when somebody writes 1.57 rad for 90 deg.
UPRIGHT = 1e-3

#: What body and links weigh on average, kg/m³: more than a cage of thin rods, less than four times
#: the heaviest metal (osmium, 22 600 from memory), since not all of it is in the box or capsule.
DENSITIES = (2.0, 1e5)


def load_robot(path: Path | str) -> Robot:
    """Read the description of a robot.

    Parameters
    ----------
    path
        The YAML file, in the layout of ``robot.schema.json``.

    Returns
    -------
    Robot
        In SI.

    Raises
    ------
    DescriptionError
        When the file is wrong; the message names file, line and place.

    """
    return robot_of(Document(path, files('leg_kinematics.robot') / 'robot.schema.json'))


def robot_of(document: Document) -> Robot:
    """Read the description of a robot from a document that is open already.

    Raises
    ------
    DescriptionError
        As in `load_robot`.

    """
    servos = {name: _servo(document, name) for name in document.keys('servos')}
    links = {segment: _link(document, f'links.{segment}', servos) for segment in SEGMENTS}
    legs = tuple(_leg(document, name, links, servos) for name in document.keys('legs'))
    size = _triple(document, 'body.size', 'length')
    robot = Robot(
        name=document.text('name'),
        body=Body(
            mass=_mass(document, 'body.mass', math.prod(size)),
            size=size,
            centre_of_mass=_triple(document, 'body.centre_of_mass', 'length'),
        ),
        legs=legs,
        resting=_posture(document, 'resting', legs),
        standing=_posture(document, 'standing', legs),
        document=document,
        imu=_mount(document, 'imu') if document.keys('imu') else None,
        battery=_battery(document),
    )
    _check_torque(robot)
    return robot


def _triple(document: Document, path: str, dimension: Dimension) -> Vector:
    x, y, z = (document.quantity(f'{path}[{index}]', dimension) for index in range(3))
    return (x, y, z)


def _ascending(document: Document, path: str, dimension: Dimension) -> tuple[float, float]:
    low, high = (document.quantity(f'{path}[{index}]', dimension) for index in range(2))
    if not low < high:
        raise document.error(
            path,
            f'the lower value {document.value(f"{path}[0]")} must be below the upper value '
            f'{document.value(f"{path}[1]")}',
        )
    return (low, high)


def _servo(document: Document, name: str) -> ServoModel:
    path = f'servos.{name}'
    return ServoModel(
        name=name,
        stall_torque=document.quantity(f'{path}.stall_torque', 'torque'),
        speed=document.quantity(f'{path}.speed', 'angular speed'),
        dead_band_us=document.quantity(f'{path}.dead_band', 'pulse'),
        pulse_us=_ascending(document, f'{path}.pulse', 'pulse'),
        stall_current=(
            document.quantity(f'{path}.stall_current', 'current')
            if 'stall_current' in document.keys(path)
            else None
        ),
    )


def _battery(document: Document) -> Battery | None:
    if not document.keys('battery'):
        return None
    return Battery(
        capacity=document.quantity('battery.capacity', 'charge'),
        voltage=document.quantity('battery.voltage', 'voltage'),
    )


def _link(document: Document, path: str, servos: dict[str, ServoModel]) -> Link:
    length = document.quantity(f'{path}.length', 'length')
    radius = document.quantity(f'{path}.radius', 'length')
    centre_of_mass = length / 2.0
    if 'centre_of_mass' in document.keys(path):
        centre_of_mass = document.quantity(f'{path}.centre_of_mass', 'length')
        if not 0.0 <= centre_of_mass <= length:
            raise document.error(
                f'{path}.centre_of_mass',
                f'{document.value(f"{path}.centre_of_mass")} is outside the link, whose length '
                f'is {document.value(f"{path}.length")}',
            )
    servo = document.text(f'{path}.servo')
    if servo not in servos:
        raise document.error(
            f'{path}.servo',
            f'no servo {servo!r}; under servos there are: {", ".join(servos)}'
            f'{did_you_mean(servo, servos)}',
        )
    lower, upper = _ascending(document, f'{path}.limits', 'angle')
    return Link(
        length=length,
        mass=_mass(
            document,
            f'{path}.mass',
            math.pi * radius * radius * (length + 4.0 / 3.0 * radius),
        ),
        centre_of_mass=centre_of_mass,
        radius=radius,
        lower=lower,
        upper=upper,
        servo=servos[servo],
    )


def _mass(document: Document, path: str, volume: float) -> float:
    """Return the mass at a place, in kg, if it can be that of so many m³."""
    mass = document.quantity(path, 'mass')
    least, most = DENSITIES
    if least <= mass / volume <= most:
        return mass
    written = document.value(path)
    number, _ = split_quantity(written, 'mass')
    usual = f'{volume * 1e6:.9f} g'  # of water
    others = suggestions(number, 'mass', usual, lambda each: least <= each / volume <= most)
    raise document.error(
        path,
        f'{written} in {volume * 1e6:.3g} cm³, as size or length and radius say, is '
        f'{mass / volume * 1e-3:.3g} g/cm³'
        + (f': did you mean {others[0]}?' if others else ': check mass, lengths and units'),
    )


def _leg(
    document: Document, name: str, links: dict[str, Link], servos: dict[str, ServoModel]
) -> Leg:
    path = f'legs.{name}'
    own = {
        segment: _link(document, f'{path}.{segment}', servos)
        for segment in document.keys(path)
        if segment in SEGMENTS
    }
    return Leg(name=name, mount=_mount(document, f'{path}.mount'), **(links | own))


def _mount(document: Document, path: str) -> Mount:
    return Mount(
        position=_triple(document, f'{path}.position', 'length'),
        rpy=_triple(document, f'{path}.rpy', 'angle'),
    )


def _posture(document: Document, path: str, legs: tuple[Leg, ...]) -> Posture:
    height = document.quantity(f'{path}.height', 'length')
    reach = document.quantity(f'{path}.reach', 'length')
    own = document.keys(f'{path}.feet')
    names = tuple(leg.name for leg in legs)
    for name in own:
        if name not in names:
            raise document.error(
                f'{path}.feet.{name}',
                f'no leg {name!r}; the legs are: {", ".join(names)}{did_you_mean(name, names)}',
            )
    feet = []
    for leg in legs:
        if leg.name in own:
            x, y = (
                document.quantity(f'{path}.feet.{leg.name}[{index}]', 'length')
                for index in range(2)
            )
        else:
            forward, left, _ = euler2mat(*leg.mount.rpy, 'sxyz')[:, 0].tolist()
            across = math.hypot(forward, left)
            if across < UPRIGHT:
                raise document.error(
                    path,
                    f'leg {leg.name!r} points straight up or down, so that reach has no '
                    f'direction: give its foot under {path}.feet',
                )
            x = leg.mount.position[0] + reach * forward / across
            y = leg.mount.position[1] + reach * left / across
        feet.append((x, y, -height))
    return Posture(height=height, feet=tuple(feet))


def _check_torque(robot: Robot) -> None:
    """Refuse a robot whose servos cannot hold it while half of the legs are in the air.

    Coxa and femur are asked, with the weight as it pulls at their axes in the standing posture,
    however the mounts are tilted; links and friction are left out. A robot of fewer legs than it
    could stand on carries no body, something else does; what its feet can hold is told by `check`.
    """
    if not robot.stands:
        return
    load = robot.mass * STANDARD_GRAVITY / (len(robot.legs) / 2.0)
    for leg, foot in zip(robot.legs, robot.standing.feet, strict=True):
        levers = _levers(leg, foot)
        for segment, link, lever in zip(SEGMENTS, leg.links, levers, strict=False):
            torque, stall = load * lever, link.servo.stall_torque
            if torque >= stall:
                kgf_cm = float(UNITS['torque']['kgf.cm'])
                raise robot.document.error(
                    'standing',
                    f'standing on half of the legs asks {torque:.3g} N·m ({torque / kgf_cm:.3g} '
                    f'kgf.cm) of the {segment} servo of {leg.name!r}, but servo '
                    f'{link.servo.name!r} stalls at {stall:.3g} N·m ({stall / kgf_cm:.3g} '
                    f'kgf.cm): bring the feet closer, save mass or take a stronger servo',
                )


def _levers(leg: Leg, foot: Vector) -> tuple[float, float]:
    """Levers of an upward force at a foot about the axes of coxa and femur, m."""
    turned = euler2mat(*leg.mount.rpy, 'sxyz').T
    x, y, z = (turned @ np.subtract(foot, leg.mount.position)).tolist()
    up_x, up_y, up_z = turned[:, 2].tolist()
    reach = math.hypot(x, y)
    along = (x * up_x + y * up_y) / reach if reach > 0.0 else math.hypot(up_x, up_y)
    return abs(x * up_y - y * up_x), abs((reach - leg.coxa.length) * up_z - z * along)
