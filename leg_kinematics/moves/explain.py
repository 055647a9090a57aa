# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Why a straight line is cut into sub-moves: where a foot goes when its servos simply run.

A foot whose joints go straight from their first to their last angle does not go straight. Two such
ways are worked out, beside the one in sub-moves:

- together: every joint turns evenly, and all arrive at the same time, that of the move;
- each alone: every servo is told its last pulse at once, as by a program that only knows pulses,
  runs at its no-load speed, and stands once it is there.

Servos are taken to carry no load and to have no inertia; what loads and dead bands add is not here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import dist

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.moves.paths import StraightLines, sample
from leg_kinematics.moves.plan import ROUNDING, Move, Plan
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import (
    LegSolver,
    joint_points,
    peak_speeds,
    polyline_move,
    solve_batch,
)

Floats = NDArray[np.float64]

#: Instants at which a way is looked at, and within each sub-move.
SAMPLES = 201
SAMPLES_A_SUB_MOVE = 8

#: A joint that turns no farther stands, rad.
STANDS = 1e-9


@dataclass(frozen=True)
class Way:
    """Where a foot goes, instant by instant.

    Attributes
    ----------
    times
        s, shape (n,).
    angles
        Coxa, femur, tibia, rad, shape (n, 3).
    feet
        In `base_link`, m, shape (n, 3).
    along
        How far it is along its straight line, m, shape (n,).
    off
        How far it is from its straight line, beyond an end from that end, m, shape (n,).
    speeds
        Highest speed of coxa, femur and tibia, rad/s.

    """

    times: Floats
    angles: Floats
    feet: Floats
    along: Floats
    off: Floats
    speeds: Vector

    @property
    def duration(self) -> float:
        """Until the last joint has arrived, s."""
        return float(self.times[-1])

    @property
    def worst(self) -> int:
        """Index of the instant at which the foot is farthest from its line."""
        return int(self.off.argmax())

    @property
    def deviation(self) -> float:
        """Largest distance of the foot from its line, m."""
        return float(self.off[self.worst])


@dataclass(frozen=True)
class ExplainedLine:
    """One foot on one straight line, and the ways that it could take.

    Attributes
    ----------
    number
        Of the step, from 0.
    leg
        Its solver.
    start, goal
        Of the foot in `base_link`, m.
    sub_moves
        Of the move in which the foot goes.
    tolerance
        That the sub-moves keep, m.
    alone, together, ours
        Each servo by itself; all joints evenly; joints evenly from point to point of the sub-moves.

    """

    number: int
    leg: LegSolver
    start: Vector
    goal: Vector
    sub_moves: int
    tolerance: float
    alone: Way
    together: Way
    ours: Way

    @property
    def length(self) -> float:
        """Of the line, m."""
        return dist(self.start, self.goal)


def explain(
    plan: Plan,
    robot: Robot,
    legs: Sequence[LegSolver],
    *,
    tolerance: float,
    speeds: Mapping[str, float],
) -> tuple[ExplainedLine, ...]:
    """Work out the ways of every foot that goes in a straight line.

    Parameters
    ----------
    plan
        What shall be done.
    robot, legs, tolerance, speeds
        Those that it was planned with.

    Returns
    -------
    tuple of ExplainedLine
        Move by move, and leg by leg.

    """
    no_load = {leg.name: [link.servo.speed for link in leg.links] for leg in robot.legs}
    return tuple(
        line
        for move in plan.moves
        if isinstance(move.path, StraightLines)
        for line in _lines(move, legs, no_load, tolerance, speeds)
    )


def _lines(
    move: Move,
    legs: Sequence[LegSolver],
    no_load: dict[str, list[float]],
    tolerance: float,
    speeds: Mapping[str, float],
) -> list[ExplainedLine]:
    """Explain the lines of one move."""
    ends = zip(legs, move.path.feet(0.0), move.path.feet(1.0), strict=True)
    moving = [(leg, start, goal) for leg, start, goal in ends if dist(start, goal) > ROUNDING]
    if not moving:
        return []
    movers = [leg for leg, _, _ in moving]
    trajectory = polyline_move(
        movers,
        [[start for _, start, _ in moving], [goal for _, _, goal in moving]],
        [move.duration],
        tolerance=tolerance,
        speeds=[speeds[joint] for leg in movers for joint in leg.joints],
    )
    knots = np.array(trajectory.times)
    times = _refined(knots, SAMPLES_A_SUB_MOVE)
    peaks = peak_speeds(trajectory)
    lines = []
    for index, (leg, start, goal) in enumerate(moving):
        own = slice(3 * index, 3 * index + 3)
        points = np.array(trajectory.positions)[:, own]
        first, last = points[0], points[-1]
        turns = np.abs(last - first)
        arrivals = turns / no_load[leg.name]
        evenly = np.linspace(0.0, move.duration, SAMPLES)
        at_once = np.union1d(np.linspace(0.0, arrivals.max(), SAMPLES), arrivals)
        lines.append(
            ExplainedLine(
                move.number,
                leg,
                start,
                goal,
                len(knots) - 1,
                tolerance,
                alone=_way(
                    leg,
                    (start, goal),
                    at_once,
                    _turned(first, last, at_once, arrivals),
                    np.where(turns > STANDS, no_load[leg.name], 0.0),
                ),
                together=_way(
                    leg,
                    (start, goal),
                    evenly,
                    _turned(first, last, evenly, np.full(3, move.duration)),
                    turns / move.duration,
                ),
                ours=_way(
                    leg,
                    (start, goal),
                    times,
                    np.stack([np.interp(times, knots, joint) for joint in points.T], axis=1),
                    np.array(peaks[own]),
                ),
            )
        )
    return lines


def _refined(knots: Floats, parts: int) -> Floats:
    """Give times so many to an interval, s, the knots among them."""
    return np.interp(np.arange(parts * (len(knots) - 1) + 1) / parts, np.arange(len(knots)), knots)


def _turned(first: Floats, last: Floats, times: Floats, arrivals: Floats) -> Floats:
    """Angles of joints that turn evenly until each has arrived, rad, shape (n, 3)."""
    shares = np.ones((len(times), len(arrivals)))
    np.divide(times[:, np.newaxis], arrivals, out=shares, where=arrivals > 0.0)
    shares = np.minimum(shares, 1.0)
    angles: Floats = (1.0 - shares) * first + shares * last
    return angles


def _way(
    leg: LegSolver, ends: tuple[Vector, Vector], times: Floats, angles: Floats, speeds: Floats
) -> Way:
    feet = joint_points(leg, angles)[:, -1]
    start, goal = np.array(ends)
    length = dist(*ends)
    direction = (goal - start) / length
    along = (feet - start) @ direction
    nearest = start + np.outer(np.clip(along, 0.0, length), direction)
    coxa, femur, tibia = speeds.tolist()
    return Way(
        times, angles, feet, along, np.linalg.norm(feet - nearest, axis=1), (coxa, femur, tibia)
    )


def alike(lines: Sequence[ExplainedLine]) -> tuple[tuple[ExplainedLine, ...], ...]:
    """Put lines of one step together that differ by no more than a hundredth of a millimetre.

    So six legs that stand up are told, and drawn, once.
    """
    groups: dict[tuple[int, ...], list[ExplainedLine]] = {}
    for line in lines:
        ways = (line.alone, line.together, line.ours)
        lengths = (line.length, *(way.deviation for way in ways))
        key = (line.number, line.sub_moves, *(round(1e5 * each) for each in lengths))
        groups.setdefault(key, []).append(line)
    return tuple(map(tuple, groups.values()))


@dataclass(frozen=True)
class Effort:
    """What a move asks of the robot.

    Attributes
    ----------
    legs
        Names of those whose feet move as seen from the body.
    way
        Longest way of a foot as seen from the body, m.
    joint
        That comes closest to its highest speed; None where no joint turns.
    share
        Of that speed.

    """

    legs: tuple[str, ...]
    way: float
    joint: str | None
    share: float


def effort(move: Move, legs: Sequence[LegSolver], speeds: Mapping[str, float]) -> Effort:
    """Tell which legs a move takes, how far, and which joint is the busiest.

    Parameters
    ----------
    move
        Of a plan.
    legs, speeds
        Those that it was planned with.

    """
    times = np.linspace(0.0, move.duration, SAMPLES)
    feet = np.array([sample(move.path, move.duration, time).feet for time in times.tolist()])
    ways = np.linalg.norm(np.diff(feet, axis=0), axis=2).sum(axis=0)
    moving = [index for index, way in enumerate(ways) if way > ROUNDING]
    shares = {}
    for index in moving:
        leg = legs[index]
        turned = np.abs(np.diff(solve_batch(leg, feet[:, index]).angles, axis=0)).max(axis=0)
        for joint, turn in zip(leg.joints, turned.tolist(), strict=True):
            shares[joint] = turn * (SAMPLES - 1) / (move.duration * speeds[joint])
    busiest = max(shares, key=lambda joint: shares[joint], default=None)
    return Effort(
        tuple(legs[index].name for index in moving),
        float(ways.max()),
        busiest,
        shares[busiest] if busiest else 0.0,
    )
