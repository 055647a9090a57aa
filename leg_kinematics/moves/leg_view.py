# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where one leg stands, and how far its foot and its joints can still go."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.moves.places import Frame, LegFrames
from leg_kinematics.robot import SEGMENTS, Vector
from leg_kinematics.solver import LegSolver, Range

#: How far a foot can go is looked for in strides of this, m, and settled to within the next one.
STRIDE = 0.002
SETTLED = 1e-6


@dataclass(frozen=True, slots=True)
class Room:
    """How far something can still go, down and up, m or rad."""

    down: float
    up: float


@dataclass(frozen=True, slots=True)
class JointView:
    """One joint.

    Attributes
    ----------
    name
        Of its segment.
    angle
        rad.
    pulse_us
        µs.
    room
        To the nearer of its limit and the end of its servo map, rad.
    down_by_map, up_by_map
        Whether that is the end of the map.

    """

    name: str
    angle: float
    pulse_us: float
    room: Room
    down_by_map: bool
    up_by_map: bool


@dataclass(frozen=True, slots=True)
class LegView:
    """One leg.

    Attributes
    ----------
    place
        Of its foot, in a frame, m.
    rooms
        How far the foot can go along x, y and z of that frame, m.
    joints
        Coxa, femur and tibia.

    """

    place: Vector
    rooms: tuple[Room, ...]
    joints: tuple[JointView, ...]

    @classmethod
    def of(
        cls,
        leg: LegSolver,
        frames: LegFrames,
        frame: Frame,
        angles: Vector,
        pulses_us: Sequence[float],
    ) -> 'LegView':
        """Look at a leg whose joints stand at angles, rad, by pulses, µs."""
        foot = leg.foot(angles)
        place = frames.coordinates(leg.name, frame, foot)
        rooms = []
        for axis in range(3):
            there = frames.point(leg.name, frame, along(place, axis, 1.0))
            x, y, z = (end - begin for end, begin in zip(there, foot, strict=True))
            rooms.append(Room(_way(leg, foot, (-x, -y, -z)), _way(leg, foot, (x, y, z))))
        joints = zip(SEGMENTS, angles, pulses_us, leg.limits, leg.expressible, strict=True)
        return cls(place, tuple(rooms), tuple(_joint_view(*each) for each in joints))


def along(vector: Vector, axis: int, change: float) -> Vector:
    """Change one component."""
    x, y, z = (each + change if index == axis else each for index, each in enumerate(vector))
    return (x, y, z)


def can_stand(leg: LegSolver, foot: Vector) -> bool:
    """Whether a leg can bring its foot to a point of `base_link`, m."""
    try:
        leg.angles(foot)
    except LegKinematicsError:
        return False
    return True


def _joint_view(
    segment: str, angle: float, pulse_us: float, limits: Range, expressible: Range
) -> JointView:
    (lower, upper), (lowest, highest) = limits, expressible
    return JointView(
        name=segment,
        angle=angle,
        pulse_us=pulse_us,
        room=Room(angle - max(lower, lowest), min(upper, highest) - angle),
        down_by_map=lowest > lower,
        up_by_map=highest < upper,
    )


def _way(leg: LegSolver, foot: Vector, direction: Vector) -> float:
    """How far a foot can go from where it is in a direction of length 1, m; 0 where it cannot.

    A gap in what the leg can reach that is shorter than a stride is not seen.
    """
    (x, y, z), (u, v, w) = foot, direction

    def can(way: float) -> bool:
        return can_stand(leg, (x + way * u, y + way * v, z + way * w))

    if not can(0.0):
        return 0.0
    good = STRIDE * next(number for number in count() if not can(STRIDE * (number + 1)))
    bad = good + STRIDE
    while bad - good > SETTLED:
        middle = 0.5 * (good + bad)
        if can(middle):
            good = middle
        else:
            bad = middle
    return good
