# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a walking robot is: bodies, legs, links, servos and postures, as plain values.

Lengths in metres, angles in radians, masses in kilograms, torques in newton metres. Frames
follow REP 103: ``base_link`` has x forward, y left, z up, its origin at the centre of the plane
in which the legs are mounted. In the frame of its mount a leg points along +x when all its
joints are at zero; the coxa turns about +z, femur and tibia about -y.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property

from leg_kinematics.robot.document import Document

Vector = tuple[float, float, float]

SEGMENTS = ('coxa', 'femur', 'tibia')

#: Fewer feet carry no body: their support has no area.
FEWEST_STANDING = 3


@dataclass(frozen=True)
class ServoModel:
    """What the datasheet of a servo promises.

    Attributes
    ----------
    name
        The key under ``servos`` in the description.
    stall_torque
        N·m at the voltage of use.
    speed
        No-load speed, rad/s.
    dead_band_us
        Width of the pulse change that the servo ignores, µs.
    pulse_us
        Shortest and longest pulse that the servo answers to, µs.
    stall_current
        A, with the stall torque; None where the description does not tell.

    """

    name: str
    stall_torque: float
    speed: float
    dead_band_us: float
    pulse_us: tuple[float, float]
    stall_current: float | None = None


@dataclass(frozen=True)
class Link:
    """One segment of a leg and the joint at its inner end.

    Attributes
    ----------
    length
        From its joint axis to the next one, or to the foot, m.
    mass
        kg, the servo that it carries included.
    centre_of_mass
        Distance from its joint axis along the link, m.
    radius
        Of the capsule that encloses the link, m.
    lower, upper
        Limits of the joint, rad.
    servo
        The servo that turns the joint.

    """

    length: float
    mass: float
    centre_of_mass: float
    radius: float
    lower: float
    upper: float
    servo: ServoModel


@dataclass(frozen=True)
class Mount:
    """Where something is fastened: the pose of a coxa axis, or of an IMU, in ``base_link``.

    Attributes
    ----------
    position
        x, y, z in m.
    rpy
        Fixed-axis roll, pitch and yaw in rad (REP 103).

    """

    position: Vector
    rpy: Vector


@dataclass(frozen=True)
class Leg:
    """One leg of three joints."""

    name: str
    mount: Mount
    coxa: Link
    femur: Link
    tibia: Link

    @property
    def links(self) -> tuple[Link, Link, Link]:
        """Coxa, femur and tibia, from the body outwards."""
        return (self.coxa, self.femur, self.tibia)

    @property
    def joints(self) -> tuple[str, str, str]:
        """Names of the three joints, such as ``left_front_coxa``."""
        coxa, femur, tibia = (f'{self.name}_{segment}' for segment in SEGMENTS)
        return (coxa, femur, tibia)


@dataclass(frozen=True)
class Body:
    """The trunk that carries the legs.

    Attributes
    ----------
    mass
        kg, without the legs.
    size
        Extent along x, y, z of a box around the origin of ``base_link``, m.
    centre_of_mass
        In ``base_link``, m.

    """

    mass: float
    size: Vector
    centre_of_mass: Vector


@dataclass(frozen=True)
class Battery:
    """What feeds the servos.

    Attributes
    ----------
    capacity
        Charge when full, C.
    voltage
        Nominal, V.

    """

    capacity: float
    voltage: float


@dataclass(frozen=True)
class Posture:
    """A way to stand on level ground.

    Attributes
    ----------
    height
        Of the origin of ``base_link`` above the ground, m.
    feet
        One point a leg, in the order of the legs, in ``base_link``, m; z is ``-height``.

    """

    height: float
    feet: tuple[Vector, ...]


@dataclass(frozen=True)
class Robot:
    """A whole robot, as its description file says.

    ``imu`` is where an inertial measurement unit is fastened, if there is one. ``document`` is the
    file it came from, kept so that a later check can still name the line.
    """

    name: str
    body: Body
    legs: tuple[Leg, ...]
    resting: Posture
    standing: Posture
    document: Document = field(compare=False, repr=False)
    imu: Mount | None = None
    battery: Battery | None = None

    @cached_property
    def joints(self) -> tuple[str, ...]:
        """All joint names, leg by leg, from the body outwards."""
        return tuple(joint for leg in self.legs for joint in leg.joints)

    @cached_property
    def leg_names(self) -> tuple[str, ...]:
        """Leg names in the order of the description."""
        return tuple(leg.name for leg in self.legs)

    @property
    def stands(self) -> bool:
        """Tell whether it has the legs to stand on; otherwise something else carries it."""
        return len(self.legs) >= FEWEST_STANDING

    def part(self, names: Iterable[str]) -> 'Robot':
        """Return the robot with only these of its legs, in the order of the description.

        Raises
        ------
        KeyError
            It has no leg of such a name.

        """
        places = {name: place for place, name in enumerate(self.leg_names)}
        kept = sorted(places[name] for name in names)

        def taken(posture: Posture) -> Posture:
            return replace(posture, feet=tuple(posture.feet[index] for index in kept))

        return replace(
            self,
            legs=tuple(self.legs[index] for index in kept),
            resting=taken(self.resting),
            standing=taken(self.standing),
        )

    @property
    def mass(self) -> float:
        """Of the body and all links, kg."""
        return self.body.mass + sum(link.mass for leg in self.legs for link in leg.links)
