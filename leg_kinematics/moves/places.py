# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Places of feet, in the frame in which a person thinks of them."""

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import MountTransform

#: A foot that rests closer than this to below its mount has no way outwards, m.
BELOW = 1e-6


class Frame(enum.StrEnum):
    """From where, and along which axes, the coordinates of a foot count."""

    RESTING = 'resting'
    """From where the foot rests: x level outwards, away from its mount; y to the left of that; z
    up."""
    LEG = 'leg'
    """The mount frame of the leg: x where the leg points with its joints at zero."""
    BODY = 'body'
    """`base_link`: x forward, y left, z up."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a foot shall be.

    Attributes
    ----------
    frame
        Of the coordinates.
    x, y, z
        m; None for a coordinate that the foot shall keep.

    """

    frame: Frame
    x: float | None = None
    y: float | None = None
    z: float | None = None


class LegFrames:
    """Turns places into points of `base_link`, and back.

    Parameters
    ----------
    robot
        The description.

    """

    def __init__(self, robot: Robot) -> None:
        """Work out where each foot rests and which way is outwards."""
        self._mounts = {leg.name: MountTransform.of(leg.mount) for leg in robot.legs}
        self._resting = {
            leg.name: _Resting.of(leg.mount.position, foot)
            for leg, foot in zip(robot.legs, robot.resting.feet, strict=True)
        }

    def coordinates(self, leg: str, frame: Frame, foot: Vector) -> Vector:
        """Give the coordinates (m) in a frame of a foot in `base_link`, m."""
        match frame:
            case Frame.RESTING:
                return self._resting[leg].coordinates(foot)
            case Frame.LEG:
                return self._mounts[leg].to_mount(foot)
            case Frame.BODY:
                return foot

    def point(self, leg: str, frame: Frame, coordinates: Vector) -> Vector:
        """Give the point of `base_link` (m) that has these coordinates in a frame, m."""
        match frame:
            case Frame.RESTING:
                return self._resting[leg].point(coordinates)
            case Frame.LEG:
                return self._mounts[leg].to_body(coordinates)
            case Frame.BODY:
                return coordinates

    def goal(self, leg: str, place: Place, foot: Vector) -> Vector:
        """Give the point of `base_link` for a place, m, of a foot that is somewhere now, m."""
        if place.x is None and place.y is None and place.z is None:
            return foot
        now = self.coordinates(leg, place.frame, foot)
        x, y, z = (
            have if want is None else want
            for want, have in zip((place.x, place.y, place.z), now, strict=True)
        )
        return self.point(leg, place.frame, (x, y, z))


@dataclass(frozen=True, slots=True)
class _Resting:
    """Where a foot rests in `base_link`, m, and the level unit vector outwards."""

    foot: Vector
    outwards: tuple[float, float]

    @classmethod
    def of(cls, mount: Sequence[float], foot: Vector) -> '_Resting':
        x, y = foot[0] - mount[0], foot[1] - mount[1]
        way = hypot(x, y)
        return cls(foot, (x / way, y / way) if way > BELOW else (1.0, 0.0))

    def coordinates(self, foot: Vector) -> Vector:
        (x, y, z), (c, s) = self.foot, self.outwards
        dx, dy = foot[0] - x, foot[1] - y
        return (c * dx + s * dy, c * dy - s * dx, foot[2] - z)

    def point(self, coordinates: Vector) -> Vector:
        (x, y, z), (c, s) = self.foot, self.outwards
        u, v, w = coordinates
        return (x + c * u - s * v, y + s * u + c * v, z + w)
