# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a leg can reach on its normal branch, within its joint limits and its servo maps.

In the half-plane through the coxa axis that the foot stands in, femur and tibia sweep a patch
whose edge is four arcs: two about the femur axis, where the tibia is at an end of its range, and
two about a knee, where the femur is. The coxa turns the part of the patch in front of its axis
through a sector. A point of that body is therefore nearest to a target when the coxa stands as
close to the target's direction as it can, and the rest is planar and exact.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from math import acos, atan2, cos, dist, hypot, isfinite, pi, remainder, sin, tau

from leg_kinematics.errors import CommandError, LegKinematicsError, MapRangeError, ReachError
from leg_kinematics.robot import Vector
from leg_kinematics.solver.kinematics.leg import inverse
from leg_kinematics.solver.kinematics.leg_solver import LIMIT_TOLERANCE, LegSolver, Range

Planar = tuple[float, float]

#: The normal branch is left out this near to the straight and to the folded knee, rad. Nearer,
#: the rounding of a foot shows in its angles as a root, and a joint at its limit seems beyond it.
#: It costs the reach of a leg 2e-12 m, or 1e-6 m where femur and tibia are equal and fold flat.
STRAIGHT_KNEE = 1e-5


@dataclass(frozen=True, slots=True)
class Arc:
    """A piece of a circle in the half-plane of a leg: distance from the coxa axis, and height.

    Attributes
    ----------
    centre
        m.
    radius
        m.
    first, last
        Directions of its ends seen from the centre, rad, first <= last.

    """

    centre: Planar
    radius: float
    first: float
    last: float

    def point(self, direction: float) -> Planar:
        """Return the point in a direction, m."""
        return (
            self.centre[0] + self.radius * cos(direction),
            self.centre[1] + self.radius * sin(direction),
        )

    def nearest(self, point: Planar) -> Planar:
        """Return the point of the arc that is nearest to another, m."""
        direction = atan2(point[1] - self.centre[1], point[0] - self.centre[0])
        turned = self.first + (direction - self.first) % tau
        if turned <= self.last:
            return self.point(turned)
        ends = (self.point(self.first), self.point(self.last))
        return min(ends, key=lambda end: dist(end, point))

    def in_front(self) -> Iterator['Arc']:
        """Give the pieces of the arc in front of the coxa axis."""
        cuts = [self.first, self.last]
        if abs(self.centre[0]) < self.radius:
            half = acos(-self.centre[0] / self.radius)
            turned = (self.first + (cut - self.first) % tau for cut in (half, -half))
            cuts += (cut for cut in turned if cut < self.last)
        for first, last in pairwise(sorted(cuts)):
            if self.point(0.5 * (first + last))[0] > 0.0:
                yield replace(self, first=first, last=last)

    @property
    def moment(self) -> float:
        """Integral of r²/2 dz from the first end to the last, m³."""

        def primitive(direction: float) -> float:
            centre, radius, sine = self.centre[0], self.radius, sin(direction)
            return (
                centre * centre * sine
                + centre * radius * (direction + sine * cos(direction))
                + radius * radius * (sine - sine**3 / 3.0)
            )

        return 0.5 * self.radius * (primitive(self.last) - primitive(self.first))


@dataclass(frozen=True)
class LegReach:
    """The body of points that the foot of one leg can take.

    Attributes
    ----------
    leg
        The solver, with the limits of its joints and the ranges of its servo maps.

    Raises
    ------
    MapRangeError
        Limits and servo map of a joint have no angle in common.
    ReachError
        The angles in common leave the leg no point on its normal branch.

    """

    leg: LegSolver

    def __post_init__(self) -> None:
        """Refuse a leg that has no reach at all."""
        for joint, limit, expressible in zip(
            self.leg.joints, self.leg.limits, self.leg.expressible, strict=True
        ):
            if max(limit[0], expressible[0]) > min(limit[1], expressible[1]):
                raise MapRangeError(
                    f'{joint} has no angle to stand at: its limits are {limit[0]:.4f} to '
                    f'{limit[1]:.4f} rad, its servo map expresses {expressible[0]:.4f} to '
                    f'{expressible[1]:.4f} rad; calibrate the joint or change its limits'
                )
        if self.ranges[2][0] > self.ranges[2][1] or not self._edge:
            raise ReachError(
                f'{self.leg.name} reaches no point with its knee up and its foot in front of the '
                'coxa axis; change the limits of femur and tibia'
            )

    @cached_property
    def ranges(self) -> tuple[Range, Range, Range]:
        """Angles of coxa, femur and tibia that limits, servo map and normal branch allow, rad."""
        branch = ((-pi, pi), (-pi, pi), (STRAIGHT_KNEE - pi, -STRAIGHT_KNEE))
        coxa, femur, tibia = (
            (max(low for low, _ in bounds), min(high for _, high in bounds))
            for bounds in zip(self.leg.limits, self.leg.expressible, branch, strict=True)
        )
        return (coxa, femur, tibia)

    def nearest(self, foot: Vector) -> Vector:
        """Return the reachable point that is nearest to a foot, both in `base_link`, m.

        A foot that can be taken is its own nearest point.

        Raises
        ------
        CommandError
            A coordinate is not finite.

        """
        if not all(map(isfinite, foot)):
            raise CommandError(f'{self.leg.name}: a foot must be finite (got {foot})')
        if self._takes(foot):
            return foot
        x, y, z = self.leg.mount.to_mount(foot)
        coxa = self._nearest_coxa(atan2(y, x))
        r, z = self._planar_nearest((x * cos(coxa) + y * sin(coxa), z))
        return self.leg.mount.to_body((r * cos(coxa), r * sin(coxa), z))

    def margin(self, foot: Vector) -> float:
        """Distance of a foot in `base_link` from the edge of the reach, m.

        Returns
        -------
        float
            Positive inside: every foot nearer than that can be taken. Negative outside: the way
            to the nearest one that can.

        Raises
        ------
        CommandError
            A coordinate is not finite.

        """
        nearest = self.nearest(foot)
        if nearest is not foot:
            return -dist(nearest, foot)
        x, y, z = self.leg.mount.to_mount(foot)
        point = (hypot(x, y), z)
        margin = min(dist(arc.nearest(point), point) for _, arc in self._edge)
        low, high = self.ranges[0]
        if high - low >= tau - 2.0 * LIMIT_TOLERANCE:
            return margin
        for coxa in (low, high):
            beside = (x * cos(coxa) + y * sin(coxa), z)
            away = y * cos(coxa) - x * sin(coxa)
            margin = min(margin, hypot(away, dist(self._planar_nearest(beside), beside)))
        return margin

    @property
    def volume(self) -> float:
        """Of the body of reachable points, m³ (Pappus, and Green along the four arcs)."""
        low, high = self.ranges[0]
        return (high - low) * sum(sign * arc.moment for sign, arc in self._edge)

    @cached_property
    def _edge(self) -> tuple[tuple[int, Arc], ...]:
        """The arcs in front of the coxa axis, signed so that the patch lies to their left."""
        return tuple((sign, piece) for sign, arc in self._arcs() for piece in arc.in_front())

    def _arcs(self) -> Iterator[tuple[int, Arc]]:
        geometry = self.leg.geometry
        _, femur, tibia = self.ranges
        for sign, angle in zip((-1, 1), tibia, strict=True):
            r, z = geometry.femur + geometry.tibia * cos(angle), geometry.tibia * sin(angle)
            turn = atan2(z, r)
            yield sign, Arc((geometry.coxa, 0.0), hypot(r, z), femur[0] + turn, femur[1] + turn)
        if femur[1] - femur[0] >= tau:
            return
        for sign, angle in zip((1, -1), femur, strict=True):
            knee = (geometry.coxa + geometry.femur * cos(angle), geometry.femur * sin(angle))
            yield sign, Arc(knee, geometry.tibia, angle + tibia[0], angle + tibia[1])

    def _takes(self, foot: Vector) -> bool:
        low, high = self.ranges[0]
        try:
            self.leg.angles(foot, free_coxa=min(max(0.0, low), high))
        except LegKinematicsError:
            return False
        return True

    def _nearest_coxa(self, direction: float) -> float:
        low, high = self.ranges[0]
        if low <= direction <= high:
            return direction
        return min((low, high), key=lambda coxa: abs(remainder(coxa - direction, tau)))

    def _planar_nearest(self, point: Planar) -> Planar:
        """Nearest point of the patch in front of the axis, which may be the point itself."""
        if point[0] >= 0.0 and self._in_patch(point):
            return point
        candidates = [arc.nearest(point) for _, arc in self._edge]
        on_axis = (0.0, point[1])
        if self._in_patch(on_axis):
            candidates.append(on_axis)
        return min(candidates, key=lambda candidate: dist(candidate, point))

    def _in_patch(self, point: Planar) -> bool:
        """Tell of a point that is not behind the coxa axis."""
        try:
            _, *angles = inverse(self.leg.geometry, (point[0], 0.0, point[1]))
        except ReachError:
            return False
        return all(
            low - LIMIT_TOLERANCE <= angle <= high + LIMIT_TOLERANCE
            for angle, (low, high) in zip(angles, self.ranges[1:], strict=True)
        )
