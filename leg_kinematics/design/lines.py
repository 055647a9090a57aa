# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Straight lines: how straight a foot draws them through pulses and dead bands."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import dist, sqrt

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.board.framed.frames import to_half_us, to_us
from leg_kinematics.calibration import ServoMap, ServoMaps
from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import Leg, Vector
from leg_kinematics.solver import LegSolver, Trajectory, joint_points, straight_move

Array = NDArray[np.float64]

# The grid fills the square that the leg can use, so that its cost does not grow with the robot, and
# what is asked of a leg grows with its reach.

#: Lines on either side of the middle one, along and across.
STEPS = 3

#: Lines closer than this, m, are not drawn (our own).
CLOSEST = 0.0005

#: As shares of the distance of two lines, which touch when each strays by half of it; how far they
#: may stray to look parallel is our own rule of thumb.
STRAYING = Bounds(good=0.2, bound=0.5)

#: How far a foot may leave its line before there are pulses, as a share of that distance.
TOLERANCE = 0.01

#: Time that a line takes if the servos allow it, and between two pulses, s.
DURATION = 2.0
TICK = 0.01


@dataclass(frozen=True)
class DrawnLine:
    """A line and where the foot went, in `base_link`, m.

    Attributes
    ----------
    leg
        Name of the leg that draws.
    start, goal
        Ends of the ideal line.
    exact
        The foot if servos took any pulse, shape (n, 3).
    rounded
        The same with pulses as they go over the line, in half microseconds.
    rested
        The same with servos that rest within their dead band.

    """

    leg: str
    start: Vector
    goal: Vector
    exact: Array
    rounded: Array
    rested: Array

    def straying(self, feet: Array) -> float:
        """Tell the largest distance of feet, shape (n, 3), from the line, m."""
        way = np.subtract(self.goal, self.start) / dist(self.goal, self.start)
        off = feet - self.start
        off -= np.outer(off @ way, way)
        return float(np.sqrt((off * off).sum(axis=1)).max())


def spacing(radius: float) -> float:
    """Distance of two lines of the grid in a circle, m."""
    return radius / (sqrt(2.0) * STEPS)


def grid(centre: Vector, radius: float) -> list[tuple[Vector, Vector]]:
    """Lay lines along and across the body in a square on the ground, each there and back.

    Parameters
    ----------
    centre
        Of the square, in `base_link`, m.
    radius
        How far its corners may be from there, m.

    Returns
    -------
    list
        Starts and goals, m; none where not even the smallest square fits.

    """
    x, y, z = centre
    apart = spacing(radius)
    side = STEPS * apart
    lines: list[tuple[Vector, Vector]] = []
    for step in range(-STEPS, STEPS + 1) if apart >= CLOSEST else ():
        offset = step * apart
        for start, goal in (
            ((x - side, y + offset, z), (x + side, y + offset, z)),
            ((x + offset, y - side, z), (x + offset, y + side, z)),
        ):
            lines += [(start, goal), (goal, start)]
    return lines


def draw_grid(
    leg: Leg, solver: LegSolver, maps: ServoMaps, centre: Vector, radius: float
) -> tuple[DrawnLine, ...]:
    """Draw the grid with one foot, by the moves that the kinematics node makes.

    The servos are as fast as need be and carry no load: what is seen comes from pulses alone.

    Parameters
    ----------
    leg, solver
        Description and solver of the leg that draws.
    maps
        Of the servos of the robot.
    centre, radius
        Of the grid, as for `grid`.

    Raises
    ------
    ReachError, JointLimitError, MapRangeError
        The foot cannot follow a line.

    """
    joints = [maps.by_joint[joint] for joint in leg.joints]
    speeds = [link.servo.speed for link in leg.links]
    half_bands_us = np.array([0.5 * link.servo.dead_band_us for link in leg.links])
    tolerance = TOLERANCE * spacing(radius)
    rest_us: Array | None = None
    drawn = []
    for start, goal in grid(centre, radius):
        move = straight_move(
            [solver], [start], [goal], DURATION, tolerance=tolerance, speeds=speeds
        )
        pulses_us = pulses_of(joints, move)
        told_us = as_told(pulses_us)
        # Where it last stood is known of a servo from line to line.
        rests_us = rests(told_us[0] if rest_us is None else rest_us, told_us, half_bands_us)
        rest_us = rests_us[-1]
        feet = (feet_at(solver, joints, each) for each in (pulses_us, told_us, rests_us))
        drawn.append(DrawnLine(leg.name, start, goal, *feet))
    return tuple(drawn)


def pulses_of(joints: Sequence[ServoMap], move: Trajectory) -> Array:
    """Give the pulses of a leg on a move, µs, one row a tick, shape (n, 3)."""
    times = np.arange(0.0, move.end + TICK, TICK).tolist()
    return np.array(
        [
            [each.pulse_us(angle) for each, angle in zip(joints, move.sample(time), strict=True)]
            for time in times
        ]
    )


def as_told(pulses_us: Array) -> Array:
    """Round pulses to what goes over the line, half microseconds; both in µs."""
    return np.array([[to_us(to_half_us(pulse)) for pulse in row] for row in pulses_us.tolist()])


def rests(before_us: Array, told_us: Array, half_bands_us: Array) -> Array:
    """Tell where servos stand that are told one row of pulses after another, µs, shape (n, 3).

    Parameters
    ----------
    before_us
        Where they stood before, shape (3,).
    told_us
        Shape (n, 3).
    half_bands_us
        How far from what it is told a servo may stay, shape (3,).

    """
    rows = []
    for row in told_us:
        before_us = rest(before_us, row, half_bands_us)
        rows.append(before_us)
    return np.array(rows)


def feet_at(solver: LegSolver, joints: Sequence[ServoMap], pulses_us: Array) -> Array:
    """Place the foot in `base_link`, m, for pulses by the servo maps, both of shape (n, 3)."""
    angles = [
        [each.angle(pulse) for each, pulse in zip(joints, row, strict=True)]
        for row in pulses_us.tolist()
    ]
    feet: Array = joint_points(solver, np.array(angles))[:, -1]
    return feet


def rest(stands_us: Array, told_us: Array, half_bands_us: Array) -> Array:
    """Tell where servos come to rest that stood somewhere and are told another pulse, µs.

    As `leg_kinematics.board.simulated.servo.SimulatedServo` does when nothing slows it.
    """
    rests: Array = np.clip(stands_us, told_us - half_bands_us, told_us + half_bands_us)
    return rests


def lines_finding(
    leg: Leg, solver: LegSolver, maps: ServoMaps, centre: Vector, radius: float
) -> tuple[Finding, tuple[DrawnLine, ...]]:
    """How far the foot of a leg strays from straight lines on the ground, and the lines.

    Parameters
    ----------
    leg, solver, maps, centre, radius
        As for `draw_grid`.

    """
    value, lines = None, tuple[DrawnLine, ...]()
    try:
        lines = draw_grid(leg, solver, maps, centre, radius)
    except LegKinematicsError as error:
        detail = str(error)
    else:
        detail = f'{leg.name}: no room for lines {CLOSEST * 1e3:g} mm apart'
    if lines:
        value = max(line.straying(line.rested) for line in lines)
        rounded = max(line.straying(line.rounded) for line in lines)
        detail = f'{leg.name}; without dead bands {rounded * 1e3:.2g} mm'
    apart = spacing(radius)
    finding = Finding(
        'straight lines',
        'one foot strays',
        value,
        'm',
        Bounds(good=STRAYING.good * apart, bound=STRAYING.bound * apart),
        detail=detail,
        remedy='servos with a smaller dead band, or geared so that a radian takes more '
        'microseconds; shorter legs',
    )
    return finding, lines
