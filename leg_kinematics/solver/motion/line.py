# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Feet that move on straight lines, cut into joint moves that stay within a tolerance of them.

Between two points of a line, joints that turn evenly carry the foot on an arc. Its distance from
the line is at most `h^2 / 8 * M`, with h the time between the points and M the acceleration of
the foot normal to the line that joints give it which turn evenly at the speeds of this place: the
error bound of linear interpolation. From the largest M follows how many points a line needs;
forward kinematics then verify the path that is played, the cubics between them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, cos, hypot, isfinite, sin, sqrt

from leg_kinematics.errors import CommandError, JointLimitError, MapRangeError, ReachError
from leg_kinematics.robot import Vector
from leg_kinematics.solver.kinematics.leg_solver import LegSolver
from leg_kinematics.solver.motion.extremes import peak_speeds, position_ranges
from leg_kinematics.solver.motion.minimum_jerk import State, minimum_jerk
from leg_kinematics.solver.motion.trajectory import Trajectory

#: Times at which M is sought; fewer miss its peak near full stretch.
SAMPLES = 200

#: With fewer sub-moves the cubics between them no longer follow the minimum-jerk law.
FEWEST_SUB_MOVES = 8

#: A line that needs more than these goes through a singular posture.
MOST_SUB_MOVES = 2048

#: So many times sub-moves are halved where a joint leaves its bounds between two points. What is
#: left then, less than a 60 000th, is not the cubic's fault but the line's.
CUTS = 4

#: Shares of a sub-move at which the played path is verified.
VERIFIED_AT = (0.25, 0.5, 0.75)


def straight_move(
    legs: Sequence[LegSolver],
    start: Sequence[Vector],
    goal: Sequence[Vector],
    duration: float,
    *,
    tolerance: float,
    speeds: Sequence[float],
) -> Trajectory:
    """Move feet on straight lines from rest to rest, all joints arriving together.

    The feet share one progress along their lines, the minimum-jerk law. The points are so close
    that a foot stays within the tolerance whether the joints are interpolated linearly or, as
    `Trajectory.sample` does, by cubics with the velocities of the points.

    Parameters
    ----------
    legs
        The legs that move.
    start, goal
        Their feet in `base_link`, m, one a leg.
    duration
        Of the move, s; longer where a joint would exceed its speed.
    tolerance
        Largest distance of a foot from its line, m.
    speeds
        Highest speed of each joint, coxa, femur, tibia leg by leg, rad/s.

    Returns
    -------
    Trajectory
        Of the joints of these legs in their order; it begins at time 0.

    Raises
    ------
    ReachError, JointLimitError, MapRangeError
        A foot cannot follow its line; the message names leg or joint, value and bound.
    CommandError
        Not one foot a leg or one speed a joint, or a duration, tolerance or speed that is not
        finite and positive.

    """
    return polyline_move(legs, (start, goal), (duration,), tolerance=tolerance, speeds=speeds)


def polyline_move(
    legs: Sequence[LegSolver],
    waypoints: Sequence[Sequence[Vector]],
    durations: Sequence[float],
    *,
    tolerance: float,
    speeds: Sequence[float],
) -> Trajectory:
    """Move feet along polylines, a straight move from each waypoint to the next.

    The feet come to rest at every waypoint: no servo can turn a corner at speed.

    Parameters
    ----------
    legs
        The legs that move.
    waypoints
        Feet in `base_link`, m, shape (n, legs, 3); the first are where the feet are.
    durations
        Of the n - 1 straight moves, s; each longer where a joint would exceed its speed.
    tolerance, speeds
        As for `straight_move`.

    Returns
    -------
    Trajectory
        As of `straight_move`.

    Raises
    ------
    ReachError, JointLimitError, MapRangeError, CommandError
        As `straight_move` does; the whole polyline is refused then.

    """
    _check(legs, waypoints, durations, tolerance, speeds)
    times: list[float] = []
    positions: list[tuple[float, ...]] = []
    velocities: list[tuple[float, ...]] = []
    begin = 0.0
    for (start, goal), duration in zip(pairwise(waypoints), durations, strict=True):
        lines = [_Line(*ends) for ends in zip(legs, start, goal, strict=True)]
        unit = _unit_move(lines, tolerance)
        peaks = peak_speeds(unit)
        time = max(duration, *(peak / speed for peak, speed in zip(peaks, speeds, strict=True)))
        first = 1 if times else 0
        times += [begin + time * share for share in unit.times[first:]]
        positions += unit.positions[first:]
        velocities += [tuple(rate / time for rate in row) for row in unit.velocities[first:]]
        begin += time
    return Trajectory(tuple(times), tuple(positions), tuple(velocities))


def _check(
    legs: Sequence[LegSolver],
    waypoints: Sequence[Sequence[Vector]],
    durations: Sequence[float],
    tolerance: float,
    speeds: Sequence[float],
) -> None:
    if len(waypoints) < 2 or len(durations) != len(waypoints) - 1:
        raise CommandError(
            f'a move needs two waypoints or more and one duration less, got {len(waypoints)} '
            f'waypoints and {len(durations)} durations'
        )
    if not legs or any(len(feet) != len(legs) for feet in waypoints):
        raise CommandError(
            f'every waypoint needs one foot a leg, got {len(legs)} legs and waypoints of '
            f'{sorted({len(feet) for feet in waypoints})} feet'
        )
    if len(speeds) != 3 * len(legs):
        raise CommandError(
            f'a move of {len(legs)} legs needs {3 * len(legs)} joint speeds, got {len(speeds)}'
        )
    for what, values in (('duration', durations), ('tolerance', [tolerance]), ('speed', speeds)):
        for value in values:
            if not (isfinite(value) and value > 0.0):
                raise CommandError(f'a {what} must be finite and above zero, got {value:g}')


def _progress(time: float) -> State:
    """Share of the line that is made, with its rate, at a share of the duration."""
    return minimum_jerk(State(0.0), 1.0, 1.0, time)


@dataclass(frozen=True, slots=True)
class _Line:
    """The line of one foot in `base_link`, m; a share of 0 is its start, of 1 its goal."""

    leg: LegSolver
    start: Vector
    goal: Vector

    def point(self, share: float) -> Vector:
        """Place on the line, m; the ends exactly."""
        rest = 1.0 - share
        (a, b, c), (x, y, z) = self.start, self.goal
        return (rest * a + share * x, rest * b + share * y, rest * c + share * z)

    def direction(self) -> Vector:
        """From start to goal, m."""
        (a, b, c), (x, y, z) = self.start, self.goal
        return (x - a, y - b, z - c)

    def rates(self, angles: Vector) -> Vector:
        """Joint angles per share of the line, rad; a foot that stays has none, even singular."""
        if self.start == self.goal:
            return (0.0, 0.0, 0.0)
        return self.leg.velocity(angles, self.direction())

    def bending(self) -> float:
        """Largest M of the module's text, m per duration squared."""
        x, y, z = self.leg.mount.turn_to_mount(self.direction())
        length = sqrt(x * x + y * y + z * z)
        if length == 0.0:
            return 0.0
        largest = 0.0
        # At both ends the foot rests, and M is zero whatever the posture.
        for sample in range(1, SAMPLES):
            progress = _progress(sample / SAMPLES)
            angles = self.leg.angles(self.point(progress.position))
            u, v, w = _acceleration(self.leg, angles, self.rates(angles))
            normal = hypot(v * z - w * y, w * x - u * z, u * y - v * x) / length
            largest = max(largest, normal * progress.velocity * progress.velocity)
        return largest

    def distance(self, foot: Vector) -> float:
        """Distance of a foot in `base_link` from the line, m."""
        x, y, z = self.direction()
        square = x * x + y * y + z * z
        (a, b, c), (u, v, w) = self.start, foot
        along = 0.0
        if square > 0.0:
            along = ((u - a) * x + (v - b) * y + (w - c) * z) / square
        a, b, c = self.point(along)
        return hypot(u - a, v - b, w - c)


def _acceleration(leg: LegSolver, angles: Vector, rates: Vector) -> Vector:
    """Acceleration of the foot in the mount frame while its joints turn evenly, per share^2."""
    q1, q2, q3 = angles
    turn, femur_rate, knee_rate = rates
    tibia_rate = femur_rate + knee_rate
    femur_r, femur_z = leg.geometry.femur * cos(q2), leg.geometry.femur * sin(q2)
    tibia_r, tibia_z = leg.geometry.tibia * cos(q2 + q3), leg.geometry.tibia * sin(q2 + q3)
    femur_square, tibia_square = femur_rate * femur_rate, tibia_rate * tibia_rate
    rho = leg.geometry.coxa + femur_r + tibia_r
    rho_rate = -femur_z * femur_rate - tibia_z * tibia_rate
    radial = -femur_r * femur_square - tibia_r * tibia_square - rho * turn * turn
    across = 2.0 * rho_rate * turn
    s1, c1 = sin(q1), cos(q1)
    return (
        radial * c1 - across * s1,
        radial * s1 + across * c1,
        -femur_z * femur_square - tibia_z * tibia_square,
    )


def _unit_move(lines: Sequence[_Line], tolerance: float) -> Trajectory:
    """Cut the lines into sub-moves, as a move of one second."""
    bending = max(line.bending() for line in lines)
    sub_moves = max(FEWEST_SUB_MOVES, ceil(sqrt(bending / (8.0 * tolerance))))
    cuts = 0
    while sub_moves <= MOST_SUB_MOVES:
        move = _sampled(lines, sub_moves)
        # Near a singular posture the samples may have missed the peak of M.
        if _follows(lines, move, tolerance):
            try:
                _check_limits(lines, move)
            except (JointLimitError, MapRangeError):
                # Where a joint comes to rest on its bound, the cubic between two points swings
                # beyond it, by the sixth power of the time between them; where it turns back at
                # its bound, by the fourth.
                if cuts == CUTS or 2 * sub_moves > MOST_SUB_MOVES:
                    raise
                cuts += 1
            else:
                return move
        sub_moves *= 2
    names = ', '.join(line.leg.name for line in lines)
    raise ReachError(
        f'{names}: {MOST_SUB_MOVES} sub-moves do not hold a foot within {tolerance * 1e3:.3g} mm '
        'of its line, which passes full stretch or the coxa axis too closely; move the line or '
        'allow a larger tolerance'
    )


def _sampled(lines: Sequence[_Line], sub_moves: int) -> Trajectory:
    times, positions, velocities = [], [], []
    for index in range(sub_moves + 1):
        time = index / sub_moves
        progress = _progress(time)
        angles = [line.leg.angles(line.point(progress.position)) for line in lines]
        rates = len(lines) * [(0.0, 0.0, 0.0)]
        # At rest a foot may even be where the rates of its joints have no bound.
        if 0 < index < sub_moves:
            rates = [line.rates(three) for line, three in zip(lines, angles, strict=True)]
        times.append(time)
        positions.append(tuple(angle for three in angles for angle in three))
        velocities.append(tuple(progress.velocity * rate for three in rates for rate in three))
    return Trajectory(tuple(times), tuple(positions), tuple(velocities))


def _follows(lines: Sequence[_Line], move: Trajectory, tolerance: float) -> bool:
    for before, after in pairwise(move.times):
        for share in VERIFIED_AT:
            angles = move.sample(before + share * (after - before))
            for index, line in enumerate(lines):
                q1, q2, q3 = angles[3 * index : 3 * index + 3]
                if line.distance(line.leg.foot((q1, q2, q3))) > tolerance:
                    return False
    return True


def _check_limits(lines: Sequence[_Line], move: Trajectory) -> None:
    """Raise what `LegSolver.check` raises where a joint leaves its bounds between the points."""
    ranges = position_ranges(move)
    for index, line in enumerate(lines):
        coxa, femur, tibia = ranges[3 * index : 3 * index + 3]
        for angles in zip(coxa, femur, tibia, strict=True):
            line.leg.check(angles)
