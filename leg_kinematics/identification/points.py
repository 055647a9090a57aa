# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where legs are to stand so that measuring their feet tells the most.

Of some hundreds of postures that are safe, those are chosen one after another by which the
determinant of the covariance of the unknowns falls most (`observability`), beginning with what is
known already. Safe is what is within limits and free pulses, with room for every joint to come from
its side, and clear of ground, body and other legs even if the maps are wrong (`room`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import radians

import numpy as np
from scipy.stats import qmc

from leg_kinematics.calibration import ServoMap
from leg_kinematics.calibration.foot_readings import AT_TIP, LegStand
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.identification.approach import RUN_UP_US, Point, way_home, way_to
from leg_kinematics.identification.fit import Identified
from leg_kinematics.identification.model import Model
from leg_kinematics.identification.observability import most_telling
from leg_kinematics.identification.room import OUTSTANDING, Floats, Room
from leg_kinematics.identification.tolerances import Tolerances
from leg_kinematics.robot import Vector
from leg_kinematics.solver import LegSolver

#: Postures that are drawn for each leg, as 2 to this power, by a sequence of low discrepancy.
DRAWN_POWER = 11

#: A foot higher above the ground is hard to measure with a ruler, and out of focus for a camera
#: that looks at the ground (common practice, no source), m.
HIGHEST = 0.120

#: A marker that looks straight up while its leg rests is seen from all around by a camera up to 30
#: degrees beside the vertical as long as its tibia has not turned by more than this, rad: found are
#: markers that are seen from up to some 70 degrees aside.
LEANS_MOST = radians(40.0)

#: A ruler and a hand need so much room beside the body (our own), m.
BESIDE_BODY = 0.015

#: A foot stays so far outwards of its femur axis or more, m: raising the femur then raises it.
OUTWARDS = 0.020

#: So much higher than it has to be a foot begins to be lowered, m.
ABOVE = 0.002

#: So many times a leg is looked at while its foot is lowered.
LOWERED_LOOKS = 9

#: On the last piece of the way down, joints turn as they do over so much of it, m.
LAST_OF_THE_WAY = 0.005

#: Standard deviation of the place of a marker by photographs, for the choice of poses (of feet that
#: two rendered photographs show, 95 % are within 0.12 mm; photographs of a kitchen are worse), m.
MARKER_SEEN = 0.1e-3

#: So many points of a leg are looked at together, when one is sought for a pose of all legs.
TOGETHER = 64


def ruler_points(
    room: Room,
    maps: Mapping[str, ServoMap],
    known: Identified,
    leg: str,
    count: int,
    *,
    placement: int = 1,
    tolerances: Tolerances = Tolerances(),  # noqa: B008 - frozen
) -> tuple[Point, ...]:
    """Choose where a foot is to be measured by ruler, the other legs resting.

    Parameters
    ----------
    room
        The robot and what is around it.
    maps
        The present ones, by joint.
    known
        What is known by now: without feet in the beginning, later with those that were measured.
    leg
        Its name.
    count
        How many points.
    placement
        Number of the placement in which they are measured.
    tolerances
        How well is measured.

    Returns
    -------
    tuple of Point
        In an order in which the way from the resting posture through all is short; fewer than
        `count` where not so many are safe.

    """
    candidates = [
        each
        for each in _candidates(room, maps, leg, room.resting)
        if each.foot[2] + room.height <= HIGHEST and _beside_body(room, each)
    ]
    knowledge = _Knowledge.of(known, placement, tolerances, markers=known.model.markers)
    rows = knowledge.rows([each.stand for each in candidates], marker=False) / tolerances.ruler
    return _chosen(room, candidates, rows, knowledge.covariance(leg), count)


def touch_points(
    room: Room,
    maps: Mapping[str, ServoMap],
    known: Identified,
    leg: str,
    count: int,
    *,
    placement: int = 1,
    tolerances: Tolerances = Tolerances(),  # noqa: B008 - frozen
) -> tuple[Point, ...]:
    """Choose from where a foot is to be lowered straight down until it touches the ground.

    The points are above the ground, so far that the foot is clear of it there. From each it can be
    lowered to the ground by the present maps, and as much farther as these may be wrong. What they
    tell is worked out for where the foot touches. Parameters as for `ruler_points`.
    """
    candidates = _lowerable(room, leg, _lifted(room, maps, leg))
    touching = [_touching(room, maps, each) for each in candidates]
    knowledge = _Knowledge.of(known, placement, tolerances, markers=known.model.markers)
    rows = knowledge.rows(touching, marker=False)[:, 2:] / tolerances.touch
    return _chosen(room, candidates, rows, knowledge.covariance(leg), count)


def poses(
    room: Room,
    maps: Mapping[str, ServoMap],
    known: Identified,
    count: int,
    *,
    placement: int = 1,
    tolerances: Tolerances = Tolerances(),  # noqa: B008 - frozen
) -> tuple[tuple[Point, ...], ...]:
    """Choose poses that all legs take together, to be photographed.

    In all of them the markers can be seen from above, if they look straight up while the legs rest.
    Parameters as for `ruler_points`. Legs that are not part of what is known stay where they rest.

    Returns
    -------
    tuple of tuple of Point
        For each pose a point a leg. From each pose the next can be gone to leg by leg
        (`way_to_pose`). Fewer than `count` where no more are safe.

    """
    knowledge = _Knowledge.of(known, placement, tolerances, markers=True)
    legs = [leg.name for leg in knowledge.model.legs]
    waiting = {leg: _by_telling(room, maps, knowledge, leg, 4 * count) for leg in legs}
    found: list[tuple[Point, ...]] = []
    here = dict(room.resting)
    for _ in range(count):
        pose = None
        # Where the legs that come last find no room, others come last.
        for first in range(len(legs)):
            order = legs[first:] + legs[:first]
            pose = pose or _pose(room, {leg: waiting[leg] for leg in order}, here)
        if pose is None:
            break
        found.append(pose)
        for point in pose:
            here[point.leg] = point.angles
            waiting[point.leg].remove(point)
    return tuple(found)


def _by_telling(
    room: Room, maps: Mapping[str, ServoMap], knowledge: '_Knowledge', leg: str, count: int
) -> list[Point]:
    """Put points of a leg for photographs in order: those that tell the most, then all others."""
    points = [
        each
        for each in _candidates(room, maps, leg, {})
        if each.foot[2] + room.height <= HIGHEST
        and _beside_body(room, each)
        and _marker_seen(room, each)
    ]
    rows = knowledge.rows([each.stand for each in points], marker=True) / MARKER_SEEN
    first = most_telling(rows, knowledge.covariance(leg), count)
    return [points[place] for place in dict.fromkeys((*first, *range(len(points))))]


def _pose(
    room: Room, waiting: Mapping[str, Sequence[Point]], here: Mapping[str, Vector]
) -> tuple[Point, ...] | None:
    """Take of each leg what tells the most and can be gone to from where the legs are."""
    pose: list[Point] = []
    now = dict(here)
    # Nor may a leg be in the way of those that have still to go, wherever these begin.
    resting = {**room.resting}
    for leg, points in waiting.items():
        point = _first_safe(room, points, now, resting)
        if point is None:
            return None
        pose.append(point)
        now[leg] = resting[leg] = point.angles
    return tuple(pose)


def _first_safe(room: Room, points: Sequence[Point], *around: Mapping[str, Vector]) -> Point | None:
    """Return the first point that a leg can go to, wherever of these the legs are."""
    for first in range(0, len(points), TOGETHER):
        some = points[first : first + TOGETHER]
        # Where it comes from, and where it goes.
        postures = np.array([posture for each in some for posture in (each.before, each.angles)])
        safe = np.all([room.clear(some[0].leg, postures, legs) for legs in around], axis=0)
        for point, clear in zip(some, safe[::2] & safe[1::2], strict=True):
            if clear and all(_goes(room, point, legs) for legs in around):
                return point
    return None


def _goes(room: Room, point: Point, postures: Mapping[str, Vector]) -> bool:
    try:
        way_to(room, point, postures)
    except CommandError:
        return False
    return True


# ---- what is safe


def _candidates(
    room: Room, maps: Mapping[str, ServoMap], leg: str, others: Mapping[str, Vector]
) -> list[Point]:
    """Draw points within all bounds, clear of all while the other legs are where they are."""
    solver = room.leg(leg)
    low, high = np.array(room.ranges(leg)).T
    drawn = qmc.Sobol(6, scramble=False).random_base2(DRAWN_POWER)
    angles = low + drawn[:, :3] * (high - low)
    sides = np.where(drawn[:, 3:] < 0.5, -1, 1)
    points = [
        point
        for row, side in zip(angles.tolist(), sides.tolist(), strict=True)
        if (point := _point(room, solver, maps, row, side)) is not None
    ]
    return _clear(room, leg, points, others)


def _lifted(room: Room, maps: Mapping[str, ServoMap], leg: str) -> list[Point]:
    """Draw points just so high above the ground that the foot is clear of it."""
    solver = room.leg(leg)
    reach = solver.geometry.stretched
    height = room.doubt + OUTSTANDING + ABOVE - room.height
    drawn = qmc.Sobol(5, scramble=False).random_base2(DRAWN_POWER)
    points = []
    for x, y, *sides in drawn.tolist():
        foot = (
            solver.mount.position[0] + reach * (2.0 * x - 1.0),
            solver.mount.position[1] + reach * (2.0 * y - 1.0),
            height,
        )
        try:
            angles = solver.angles(foot)
        except LegKinematicsError:
            continue
        side = [-1 if share < 0.5 else 1 for share in sides]
        point = _point(room, solver, maps, angles, side)
        if point is not None:
            points.append(point)
    return _clear(room, leg, points, room.resting)


def _point(
    room: Room,
    solver: LegSolver,
    maps: Mapping[str, ServoMap],
    angles: Sequence[float],
    sides: Sequence[int],
) -> Point | None:
    """Make a point of angles and sides; None where a joint could not come from there."""
    pulses, before = [], []
    ranges = room.ranges(solver.name)
    for joint, angle, side, (low, high) in zip(solver.joints, angles, sides, ranges, strict=True):
        servo_map = maps[joint]
        pulse = servo_map.pulse_us(angle)
        start = pulse - side * RUN_UP_US
        free = servo_map.curve.pulse_span_us
        lowest = max(servo_map.lowest_us, free[0])
        highest = min(servo_map.highest_us, free[1])
        if not lowest <= start <= highest or not low <= servo_map.angle(start) <= high:
            return None
        pulses.append(pulse)
        before.append(servo_map.angle(start))
    coxa, femur, tibia = angles
    one, two, last = sides
    return Point(
        stand=LegStand(solver.name, (pulses[0], pulses[1], pulses[2]), (one, two, last)),
        angles=(coxa, femur, tibia),
        before=(before[0], before[1], before[2]),
        foot=solver.foot((coxa, femur, tibia)),
    )


def _clear(
    room: Room, leg: str, points: Sequence[Point], others: Mapping[str, Vector]
) -> list[Point]:
    """Keep those at which a leg is clear, as it is where it comes from."""
    if not points:
        return []
    at = room.clear(leg, np.array([each.angles for each in points]), others)
    before = room.clear(leg, np.array([each.before for each in points]), others)
    outwards = np.array([_outwards(room.leg(leg), each) for each in points])
    safe = at & before & (outwards >= OUTWARDS)
    return [each for each, clear in zip(points, safe, strict=True) if clear]


def _beside_body(room: Room, point: Point) -> bool:
    """Tell whether a foot is where a hand with a ruler comes to it, and a camera sees it."""
    length, width, _ = room.robot.body.size
    x, y, _ = point.foot
    return abs(x) > 0.5 * length + BESIDE_BODY or abs(y) > 0.5 * width + BESIDE_BODY


def _marker_seen(room: Room, point: Point) -> bool:
    """Tell whether a marker that looks up while its leg rests is seen from above."""
    _, femur, tibia = room.resting[point.leg]
    return abs(point.angles[1] + point.angles[2] - femur - tibia) <= LEANS_MOST


def _outwards(solver: LegSolver, point: Point) -> float:
    """Return how far the foot is outwards of the femur axis, m."""
    x, y, _ = solver.mount.to_mount(point.foot)
    return float(np.hypot(x, y)) - solver.geometry.coxa


def _lowerable(room: Room, leg: str, points: Sequence[Point]) -> list[Point]:
    """Keep those from which a foot can be lowered, beyond the ground, clear of body and legs."""
    solver = room.leg(leg)
    kept: list[Point] = []
    ways: list[list[Vector]] = []
    for point in points:
        x, y, z = point.foot
        depths = np.linspace(z, -room.height - room.doubt, LOWERED_LOOKS).tolist()
        try:
            ways.append([solver.angles((x, y, depth)) for depth in depths])
        except LegKinematicsError:
            continue
        kept.append(point)
    if not kept:
        return []
    # The ground is where it goes.
    gaps = room.clearances(leg, np.array(ways).reshape(-1, 3), room.resting)[:, 1:]
    least = gaps.min(axis=1).reshape(len(kept), LOWERED_LOOKS).min(axis=1)
    return [point for point, gap in zip(kept, least, strict=True) if gap >= 0.0]


def _touching(room: Room, maps: Mapping[str, ServoMap], point: Point) -> LegStand:
    """Return how the servos stand where a lowered foot touches."""
    solver = room.leg(point.leg)
    x, y, _ = point.foot
    angles = solver.angles((x, y, -room.height))
    higher = solver.angles((x, y, -room.height + LAST_OF_THE_WAY))
    pulses = [
        maps[joint].pulse_us(angle) for joint, angle in zip(solver.joints, angles, strict=True)
    ]
    pulses_before = [
        maps[joint].pulse_us(angle) for joint, angle in zip(solver.joints, higher, strict=True)
    ]
    coxa, femur, tibia = (
        int(np.sign(now - was)) if abs(now - was) > 1e-6 else side
        for now, was, side in zip(pulses, pulses_before, point.stand.sides, strict=True)
    )
    return LegStand(point.leg, (pulses[0], pulses[1], pulses[2]), (coxa, femur, tibia))


# ---- what tells the most


@dataclass(frozen=True)
class _Knowledge:
    """What is known of a robot that stands in a placement.

    Attributes
    ----------
    model
        With this placement alone, and with markers where they are to be seen.
    values
        Of its unknowns.
    spread
        Their covariance.

    """

    model: Model
    values: Floats
    spread: Floats

    @classmethod
    def of(
        cls, known: Identified, placement: int, tolerances: Tolerances, *, markers: bool
    ) -> '_Knowledge':
        """Take over what is known, and expect of all else what the tolerances say."""
        marker = (known.model.marker or AT_TIP) if markers else None
        model = replace(known.model, placements=(placement,), marker=marker)
        values, deviations = model.expected(tolerances)
        spread = np.diag(deviations**2)
        old = [place for place, name in enumerate(known.names) if name in model.places]
        new = [model.places[known.names[place]] for place in old]
        values[new] = known.values[old]
        spread[np.ix_(new, new)] = known.covariance[np.ix_(old, old)]
        return cls(model, values, spread)

    def rows(self, stands: Sequence[LegStand], *, marker: bool) -> Floats:
        """Return derivatives of positions by the unknowns of leg and placement, m, (n, 3, k)."""
        taken = self.model.stands(stands)
        count = len(stands)
        placements = np.zeros(count, dtype=np.intp)
        _, rows = self.model.on_ground(
            self.values, taken, placements, np.full(count, float(marker))
        )
        return rows

    def covariance(self, leg: str) -> Floats:
        """Return that of the unknowns of a leg and the placement, shape (k, k)."""
        stand = LegStand(leg, (0.0, 0.0, 0.0), (0, 0, 0))
        (columns,) = self.model.columns(self.model.stands([stand]), np.zeros(1, dtype=np.intp))
        found: Floats = self.spread[np.ix_(columns, columns)]
        return found


def _chosen(
    room: Room, candidates: Sequence[Point], rows: Floats, covariance: Floats, count: int
) -> tuple[Point, ...]:
    """Choose what tells the most and can be gone to."""
    if not candidates:
        return ()
    chosen: list[Point] = []
    for place in most_telling(rows, covariance, 2 * count):
        if len(chosen) < count and _comes_and_goes(room, candidates[place]):
            chosen.append(candidates[place])
    return _in_short_order(chosen, room.resting[candidates[0].leg])


def _comes_and_goes(room: Room, point: Point) -> bool:
    """Tell whether a leg can go there from where it rests, and back."""
    there = {**room.resting, point.leg: point.angles}
    try:
        way_home(room, point.leg, there)
    except CommandError:
        return False
    return _goes(room, point, room.resting)


def _in_short_order(points: Sequence[Point], start: Vector) -> tuple[Point, ...]:
    """Go on to the nearest one each time, by the joint that turns the farthest."""
    waiting, ordered, here = list(points), [], start
    while waiting:
        nearest = min(waiting, key=lambda point: np.abs(np.subtract(point.before, here)).max())
        waiting.remove(nearest)
        ordered.append(nearest)
        here = nearest.angles
    return tuple(ordered)
