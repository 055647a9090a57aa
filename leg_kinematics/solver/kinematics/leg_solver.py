# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The legs of a robot in `base_link`, with the limits that their joints must keep."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import degrees

from leg_kinematics.errors import JointLimitError, LegKinematicsError, MapRangeError, ReachError
from leg_kinematics.robot import Leg, Posture, Robot, Vector
from leg_kinematics.solver.kinematics.leg import LegGeometry, forward, inverse, joint_velocity
from leg_kinematics.solver.kinematics.mount import MountTransform

Range = tuple[float, float]

#: Rounding that a joint may stand beyond its limit, rad.
LIMIT_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True)
class LegSolver:
    """One leg of a robot.

    Attributes
    ----------
    name
        Of the leg.
    joints
        Names of coxa, femur and tibia joint.
    geometry
        Lengths, m.
    mount
        Its place in `base_link`.
    limits
        Lower and upper limit of each joint, rad.
    expressible
        Lowest and highest angle that the servo map of each joint can express, rad.

    """

    name: str
    joints: tuple[str, str, str]
    geometry: LegGeometry
    mount: MountTransform
    limits: tuple[Range, Range, Range]
    expressible: tuple[Range, Range, Range]
    _bounds: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Join limits and servo maps, for one comparison a joint."""
        bounds: list[float] = []
        for (lower, upper), (lowest, highest) in zip(self.limits, self.expressible, strict=True):
            bounds += [max(lower, lowest) - LIMIT_TOLERANCE, min(upper, highest) + LIMIT_TOLERANCE]
        object.__setattr__(self, '_bounds', tuple(bounds))

    def foot(self, angles: Vector) -> Vector:
        """Place the foot in `base_link`, m, for angles in rad."""
        return self.mount.to_body(forward(self.geometry, angles))

    def angles(self, foot: Vector, free_coxa: float = 0.0) -> Vector:
        """Joint angles for a foot in `base_link`.

        Parameters
        ----------
        foot
            In `base_link`, m.
        free_coxa
            The coxa angle to keep when the foot is on the coxa axis, rad.

        Returns
        -------
        Vector
            Coxa, femur, tibia of the normal branch, rad.

        Raises
        ------
        ReachError, JointLimitError, MapRangeError
            The foot cannot go there; the message names leg or joint, value and bound.

        """
        try:
            angles = inverse(self.geometry, self.mount.to_mount(foot), free_coxa)
        except ReachError as error:
            raise ReachError(f'{self.name}: {error}') from None
        self.check(angles)
        return angles

    def check(self, angles: Vector) -> None:
        """Raise JointLimitError or MapRangeError when an angle (rad) is beyond its bounds."""
        q1, q2, q3 = angles
        a, b, c, d, e, f = self._bounds
        # Written so that a NaN is refused as well.
        if a <= q1 <= b and c <= q2 <= d and e <= q3 <= f:
            return
        for joint, angle, limit, expressible in zip(
            self.joints, angles, self.limits, self.expressible, strict=True
        ):
            if not limit[0] - LIMIT_TOLERANCE <= angle <= limit[1] + LIMIT_TOLERANCE:
                raise JointLimitError(_beyond(joint, angle, limit, 'its limits'))
            if not expressible[0] - LIMIT_TOLERANCE <= angle <= expressible[1] + LIMIT_TOLERANCE:
                what = 'what its servo map can express'
                raise MapRangeError(_beyond(joint, angle, expressible, what))

    def velocity(self, angles: Vector, foot_velocity: Vector) -> Vector:
        """Joint velocities, rad/s, of a foot that moves in `base_link`, m/s.

        Raises
        ------
        ReachError
            The leg is singular.

        """
        try:
            return joint_velocity(self.geometry, angles, self.mount.turn_to_mount(foot_velocity))
        except ReachError as error:
            raise ReachError(f'{self.name}: {error}') from None


def _beyond(joint: str, angle: float, bounds: Range, what: str) -> str:
    low, high = bounds
    excess = degrees(max(low - angle, angle - high))
    return (
        f'{joint} would stand at {degrees(angle):.2f} deg, {excess:.3g} deg beyond {what}, '
        f'{degrees(low):.2f} to {degrees(high):.2f} deg'
    )


def leg_solvers(
    robot: Robot, expressible: Mapping[str, Range] | None = None
) -> tuple[LegSolver, ...]:
    """Solvers of all legs, in the order of the description.

    Parameters
    ----------
    robot
        The description.
    expressible
        The angle range that the servo map of each joint can express, rad, by joint name; without
        it only the limits of the description bind.

    """
    return tuple(_leg_solver(leg, expressible) for leg in robot.legs)


def _leg_solver(leg: Leg, expressible: Mapping[str, Range] | None) -> LegSolver:
    coxa, femur, tibia = ((link.lower, link.upper) for link in leg.links)
    limits = (coxa, femur, tibia)
    if expressible is None:
        ranges = limits
    else:
        first, second, third = leg.joints
        ranges = (expressible[first], expressible[second], expressible[third])
    return LegSolver(
        leg.name,
        leg.joints,
        LegGeometry.of(leg),
        MountTransform.of(leg.mount),
        limits,
        ranges,
    )


def posture_angles(robot: Robot, legs: tuple[LegSolver, ...], which: str) -> tuple[Vector, ...]:
    """Joint angles of the `resting` or the `standing` posture.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers.
    which
        `resting` or `standing`.

    Returns
    -------
    tuple of Vector
        Coxa, femur, tibia of each leg, rad.

    Raises
    ------
    DescriptionError
        A leg cannot take the posture; names file, line, leg, value and bound.

    """
    posture: Posture = {'resting': robot.resting, 'standing': robot.standing}[which]
    angles = []
    for leg, foot in zip(legs, posture.feet, strict=True):
        try:
            angles.append(leg.angles(foot))
        except LegKinematicsError as error:
            raise robot.document.error(
                which,
                f'this posture cannot be taken: {error}; change height or reach of the posture, '
                'the lengths, the limits or the servo map',
            ) from error
    return tuple(angles)
