# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One leg in the frame of its mount: forward, inverse, Jacobian, in plain `math` code.

The leg points along +x at zero. The coxa turns about +z, femur and tibia about -y, so that a
positive angle raises the foot::

    rho  = c + f cos q2 + t cos(q2 + q3)
    foot = (rho cos q1, rho sin q1, f sin q2 + t sin(q2 + q3))

Plain floats and tuples beat numpy four times at six legs a tick.
"""

from dataclasses import dataclass
from math import atan2, cos, hypot, sin, sqrt

from leg_kinematics.errors import ReachError
from leg_kinematics.robot import Leg, Vector

Matrix = tuple[Vector, Vector, Vector]

#: How far the squares that bound the reach may be exceeded by rounding alone, relative.
ROUNDING = 8.0 * 2.0**-52

#: A foot closer to the coxa axis than this leaves the coxa angle free, m.
COXA_AXIS_RADIUS = 1e-6

#: Below this |sin q3| femur and tibia are in line and joint velocities have no bound.
SINGULAR_SINE = 1e-9


@dataclass(frozen=True, slots=True)
class LegGeometry:
    """Lengths of coxa, femur and tibia, m."""

    coxa: float
    femur: float
    tibia: float

    @classmethod
    def of(cls, leg: Leg) -> 'LegGeometry':
        """Take the lengths from the description of a leg."""
        return cls(leg.coxa.length, leg.femur.length, leg.tibia.length)


def forward(geometry: LegGeometry, angles: Vector) -> Vector:
    """Place the foot.

    Parameters
    ----------
    geometry
        Lengths, m.
    angles
        Coxa, femur, tibia, rad.

    Returns
    -------
    Vector
        The foot in the mount frame, m.

    """
    q1, q2, q3 = angles
    rho = geometry.coxa + geometry.femur * cos(q2) + geometry.tibia * cos(q2 + q3)
    z = geometry.femur * sin(q2) + geometry.tibia * sin(q2 + q3)
    return (rho * cos(q1), rho * sin(q1), z)


def two_link_inverse(
    femur: float, tibia: float, r: float, z: float, *, knee_up: bool = True
) -> tuple[float, float]:
    """Angles of a planar arm of two links whose tip is at (r, z).

    Written with two square roots and arctangents: arccosines lose half the digits where the arm
    is stretched or folded.

    Parameters
    ----------
    femur, tibia
        Lengths of the inner and the outer link, m.
    r, z
        The tip seen from the inner joint, m.
    knee_up
        True for the branch with the outer angle <= 0, False for the other.

    Returns
    -------
    tuple of float
        Inner angle from the r axis and outer angle from the inner link, rad.

    Raises
    ------
    ReachError
        The tip is too far or too near, by more than rounding explains.

    """
    total, difference = femur + tibia, femur - tibia
    square = r * r + z * z
    outer = total * total - square
    inner = square - difference * difference
    # Written so that a NaN is refused as well.
    if not outer >= -ROUNDING * total * total:
        excess = sqrt(square) - total
        message = (
            f'{excess * 1e3:.3g} mm out of reach: the foot is {sqrt(square) * 1e3:.4g} mm from '
            f'the femur axis, femur and tibia together span {total * 1e3:.4g} mm'
        )
        raise ReachError(message)
    if inner < -ROUNDING * total * abs(difference):
        excess = abs(difference) - sqrt(square)
        message = (
            f'{excess * 1e3:.3g} mm too close: the foot is {sqrt(square) * 1e3:.4g} mm from '
            f'the femur axis, the folded leg needs {abs(difference) * 1e3:.4g} mm'
        )
        raise ReachError(message)
    a = sqrt(outer) if outer > 0.0 else 0.0
    b = sqrt(inner) if inner > 0.0 else 0.0
    s = a * b if knee_up else -a * b
    k = square + difference * total
    q3 = 2.0 * atan2(a, b)
    return (atan2(z * k + r * s, r * k - z * s), -q3 if knee_up else q3)


def inverse(
    geometry: LegGeometry,
    foot: Vector,
    *,
    knee_up: bool = True,
    in_front: bool = True,
    free_coxa: float = 0.0,
) -> Vector:
    """Angles that put the foot at a point.

    Parameters
    ----------
    geometry
        Lengths, m.
    foot
        In the mount frame, m.
    knee_up
        The normal branch, with the tibia angle <= 0.
    in_front
        The normal branch, with the coxa turned towards the foot; False turns it away.
    free_coxa
        The coxa angle to keep when the foot is on the coxa axis (within 1 um), where every
        angle serves, rad.

    Returns
    -------
    Vector
        Coxa, femur, tibia, rad; each within [-pi, pi].

    Raises
    ------
    ReachError
        Femur and tibia cannot span the distance.

    """
    x, y, z = foot
    distance = hypot(x, y)
    if distance < COXA_AXIS_RADIUS:
        q1 = free_coxa
    elif in_front:
        q1 = atan2(y, x)
    else:
        q1 = atan2(-y, -x)
    r = (distance if in_front else -distance) - geometry.coxa
    q2, q3 = two_link_inverse(geometry.femur, geometry.tibia, r, z, knee_up=knee_up)
    return (q1, q2, q3)


def jacobian(geometry: LegGeometry, angles: Vector) -> Matrix:
    """Rows of d foot / d angles in the mount frame, m/rad, shape (3, 3)."""
    q1, q2, q3 = angles
    s1, c1 = sin(q1), cos(q1)
    tibia_r, tibia_z = geometry.tibia * cos(q2 + q3), geometry.tibia * sin(q2 + q3)
    r, z = geometry.femur * cos(q2) + tibia_r, geometry.femur * sin(q2) + tibia_z
    rho = geometry.coxa + r
    return (
        (-rho * s1, -z * c1, -tibia_z * c1),
        (rho * c1, -z * s1, -tibia_z * s1),
        (0.0, r, tibia_r),
    )


def joint_velocity(geometry: LegGeometry, angles: Vector, foot_velocity: Vector) -> Vector:
    """Solve the Jacobian for the joint velocities of a moving foot, in closed form.

    Parameters
    ----------
    geometry
        Lengths, m.
    angles
        Coxa, femur, tibia, rad.
    foot_velocity
        In the mount frame, m/s.

    Returns
    -------
    Vector
        rad/s.

    Raises
    ------
    ReachError
        The leg is singular: stretched, folded, or with its foot on the coxa axis.

    """
    q1, q2, q3 = angles
    vx, vy, vz = foot_velocity
    s1, c1, s2, c2 = sin(q1), cos(q1), sin(q2), cos(q2)
    s23, c23, s3 = sin(q2 + q3), cos(q2 + q3), sin(q3)
    rho = geometry.coxa + geometry.femur * c2 + geometry.tibia * c23
    if abs(s3) < SINGULAR_SINE or abs(rho) < COXA_AXIS_RADIUS:
        message = (
            f'singular: sin(tibia angle) is {s3:.3g} and the foot is {abs(rho) * 1e3:.3g} mm '
            'from the coxa axis; bend the leg or move the foot outwards'
        )
        raise ReachError(message)
    radial = c1 * vx + s1 * vy
    femur_rate = (radial * c23 + vz * s23) / (geometry.femur * s3)
    tibia_rate = -(radial * c2 + vz * s2) / (geometry.tibia * s3)
    return ((c1 * vy - s1 * vx) / rho, femur_rate, tibia_rate - femur_rate)
