# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Ways of a leg from posture to posture, clear of ground, body and other legs.

Femur and tibia raise the foot first, then the coxa turns while it is up, then they lower it: to the
ground, and to whatever is near it, a foot comes from above. On the last piece of the way every
joint comes from the side that is wanted of it.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from leg_kinematics.calibration.foot_readings import LegStand
from leg_kinematics.errors import CommandError
from leg_kinematics.identification.room import Floats, Room
from leg_kinematics.robot import Vector
from leg_kinematics.solver import joint_points

#: So far every pulse comes from its side, µs: more than slack and dead band of cheap servos, some
#: 20 µs together (common practice, no source).
RUN_UP_US = 40.0

#: Ways are looked at every so many rad of the joint that turns the farthest: 3 degrees, in which a
#: foot of bracken goes 10 mm.
LOOK_EVERY = np.radians(3.0)

#: So many angles of the femur, and of the tibia, are tried at which the coxa turns.
LIFTS, FOLDS = 7, 5


@dataclass(frozen=True)
class Point:
    """Where a leg is to stand, by the present maps.

    Attributes
    ----------
    stand
        How its servos shall stand, and from which sides they shall come.
    angles
        Of its joints there, rad.
    before
        From where they come on the last piece of the way, rad: each by `RUN_UP_US` from its side.
    foot
        Where the maps have the foot then, in `base_link`, m.

    """

    stand: LegStand
    angles: Vector
    before: Vector
    foot: Vector

    @property
    def leg(self) -> str:
        """Name of the leg."""
        return self.stand.leg


def way_to(
    room: Room, point: Point, postures: Mapping[str, Vector]
) -> tuple[Mapping[str, float], ...]:
    """Lead a leg to a point.

    Parameters
    ----------
    room
        The robot and what is around it.
    point
        Where to.
    postures
        Where all legs are now, rad, by name.

    Returns
    -------
    tuple of mapping
        Waypoints by joint, rad, without where it is now; between them all joints turn evenly. The
        last two are `before` and `angles` of the point.

    Raises
    ------
    CommandError
        No way is clear.

    """
    return _named(
        room, point.leg, _whole_way(room, point.leg, (point.before, point.angles), postures)
    )


def way_home(
    room: Room, leg: str, postures: Mapping[str, Vector]
) -> tuple[Mapping[str, float], ...]:
    """Lead a leg to its resting posture; for the rest as `way_to`."""
    return _named(room, leg, _whole_way(room, leg, (room.resting[leg],), postures))


def way_to_pose(
    room: Room, points: Sequence[Point], postures: Mapping[str, Vector]
) -> tuple[Mapping[str, float], ...]:
    """Lead several legs to points, one after another, each where its way is clear.

    Legs whose way is not clear wait for the others. Where none can go on, those that have still to
    go rest first.

    Parameters
    ----------
    room, postures
        As for `way_to`.
    points
        Where to, one a leg.

    Raises
    ------
    CommandError
        Some leg has no clear way, in whatever order.

    """
    here = dict(postures)
    way: list[Mapping[str, float]] = []

    def led(leg: str, ends: Sequence[Vector]) -> bool:
        try:
            found = _whole_way(room, leg, ends, here)
        except CommandError:
            return False
        way.extend(_named(room, leg, found))
        here[leg] = ends[-1]
        return True

    waiting, rested = list(points), False
    while waiting:
        left = [point for point in waiting if not led(point.leg, (point.before, point.angles))]
        if len(left) == len(waiting):
            if rested:
                raise _no_way(left[0].leg)
            for point in left:
                led(point.leg, (room.resting[point.leg],))
            rested = True
        waiting = left
    return tuple(way)


def is_clear(room: Room, leg: str, way: Sequence[Vector], others: Mapping[str, Vector]) -> bool:
    """Tell whether a leg is clear of all on a whole way; nearer to nothing than where it began.

    Parameters
    ----------
    room
        The robot and what is around it.
    leg
        Its name.
    way
        Postures between which all joints turn evenly, rad; the first is where it is.
    others
        Where the other legs are.

    """
    postures, first = _sampled(way)
    clearances = room.clearances(leg, postures, others)
    # Whoever begins too near to something, as a foot on the ground, may leave it.
    enough = np.zeros_like(clearances)
    enough[:first] = np.minimum(0.0, clearances[0] - 1e-9)
    return bool(np.all(clearances >= enough))


def _whole_way(
    room: Room, leg: str, ends: Sequence[Vector], postures: Mapping[str, Vector]
) -> list[Vector]:
    """Go straight there, or by way of the resting posture."""
    found = _clear_way(room, leg, ends, postures)
    if found is not None:
        return found
    resting = room.resting[leg]
    first = _clear_way(room, leg, (resting,), postures)
    second = _clear_way(room, leg, ends, {**postures, leg: resting})
    if first is None or second is None:
        raise _no_way(leg)
    return [*first, *second]


def _no_way(leg: str) -> CommandError:
    return CommandError(
        f'{leg} has no way there on which it would be clear of ground, body and the other legs, '
        'if the maps are as wrong as they may be: leave this point out, or let the legs go and '
        'begin from their resting posture'
    )


def _clear_way(
    room: Room, leg: str, ends: Sequence[Vector], postures: Mapping[str, Vector]
) -> list[Vector] | None:
    """Return the shortest of the ways that are tried and clear, without where it begins."""
    start = postures[leg]
    ways = sorted(_ways(room, leg, ends, postures), key=lambda way: _effort([start, *way]))
    for way in ways:
        if is_clear(room, leg, [start, *way], postures):
            return way
    return None


def _ways(
    room: Room, leg: str, ends: Sequence[Vector], postures: Mapping[str, Vector]
) -> Iterator[list[Vector]]:
    """Give ways on which the coxa turns with the foot at least as high as at both ends."""
    start, first = postures[leg], ends[0]
    _, femur_range, tibia_range = room.ranges(leg)
    femora = [start[1], first[1], *np.linspace(*femur_range, LIFTS).tolist()]
    tibiae = [start[2], first[2], *np.linspace(*tibia_range, FOLDS).tolist()]
    folded = list(product(femora, tibiae))
    turned = [(coxa, femur, tibia) for femur, tibia in folded for coxa in (start[0], first[0])]
    clear = room.clear(leg, np.array(turned), postures).reshape(-1, 2).all(axis=1)
    heights = joint_points(room.leg(leg), np.array([start, first, *turned[1::2]]))[:, 3, 2]
    high = heights[2:] >= heights[:2].max() - 1e-9
    for (femur, tibia), usable in zip(folded, (clear & high).tolist(), strict=True):
        if usable:
            over = [(start[0], femur, tibia), (first[0], femur, tibia), *ends]
            yield _distinct(start, over)
            if femur > start[1]:
                yield _distinct(start, [(start[0], femur, start[2]), *over])


def _distinct(start: Vector, way: Sequence[Vector]) -> list[Vector]:
    """Leave out waypoints at which nothing moves."""
    return [here for before, here in pairwise([start, *way]) if here != before]


def _effort(way: Sequence[Vector]) -> float:
    """Return how long a way takes, as what the joint turns that turns the farthest, rad."""
    return sum(
        max(abs(a - b) for a, b in zip(before, here, strict=True)) for before, here in pairwise(way)
    )


def _sampled(way: Sequence[Vector]) -> tuple[Floats, int]:
    """Return postures along a way, shape (n, 3), and how many are on its first piece."""
    rows = [np.array([way[0]])]
    for before, here in pairwise(np.array(way)):
        count = max(1, int(np.ceil(np.abs(here - before).max() / LOOK_EVERY)))
        rows.append(before + np.linspace(0.0, 1.0, count + 1)[1:, np.newaxis] * (here - before))
    first = 1 + len(rows[1]) if len(rows) > 1 else 1
    return np.concatenate(rows), first


def _named(room: Room, leg: str, way: Sequence[Vector]) -> tuple[Mapping[str, float], ...]:
    joints = room.leg(leg).joints
    return tuple(dict(zip(joints, posture, strict=True)) for posture in way)
