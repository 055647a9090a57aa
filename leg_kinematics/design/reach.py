# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Reach: the postures, standing up, and how far the body can move above its feet."""

from collections.abc import Callable, Sequence
from math import cos, degrees, pi, radians, sin

import numpy as np
from numpy.typing import NDArray
from transforms3d.axangles import axangle2mat

from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.errors import JointLimitError, LegKinematicsError, MapRangeError, ReachError
from leg_kinematics.gait import Walker
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegReach, LegSolver, posture_angles

Array = NDArray[np.float64]

#: Where the body is: rotation, shape (3, 3), and position, m, both seen from where it stands.
Place = tuple[Array, Vector]

# The bounds are our own rules of thumb: play of joints and errors of assembly of a printed leg
# take some millimetres and degrees, uneven ground and a useful step take the rest.
MARGIN = Bounds(good=0.015, bound=0.003)
STRIDE = Bounds(good=0.025, bound=0.008)
SHIFT = Bounds(good=0.020, bound=0.005)
HEIGHT = Bounds(good=0.015, bound=0.004)
TILT = Bounds(good=radians(8.0), bound=radians(2.0))
TWIST = Bounds(good=radians(10.0), bound=radians(3.0))

#: Heights at which standing up is looked at.
HEIGHTS = 12

#: What ends a motion, in a word.
STOPS = {
    ReachError: 'stretched or folded',
    JointLimitError: 'joint limit',
    MapRangeError: 'servo map',
}

DIRECTIONS = 16
STEP = 0.0005
TURN = 0.004

#: Where the search for the end of a motion ends: half a metre, or more than half a turn.
MOST_STEPS = 1000

GROUP = 'reach'


def reach_findings(
    robot: Robot, legs: Sequence[LegSolver]
) -> tuple[list[Finding], tuple[tuple[Vector, ...], ...]]:
    """Check the postures and the way between them.

    Returns
    -------
    tuple
        The lines, and the angles of resting, standing and standing up, rad; no angles when one
        of these is out of reach.

    """
    findings = []
    reached = True
    postures: list[tuple[Vector, ...]] = []
    rise = np.linspace(robot.resting.height, robot.standing.height, HEIGHTS).tolist()
    ways: dict[str, list[Sequence[Vector]]] = {
        'resting': [robot.resting.feet],
        'standing up': [[(x, y, -height) for x, y, _ in robot.standing.feet] for height in rise],
        'standing': [robot.standing.feet],
    }
    for name, way in ways.items():
        value, detail = None, ''
        try:
            value, detail = min(
                (LegReach(solver).margin(foot), solver.name)
                for feet in way
                for solver, foot in zip(legs, feet, strict=True)
            )
            if name != 'standing up':
                posture_angles(robot, tuple(legs), name)
            postures += [_angles(legs, feet) for feet in way]
        except LegKinematicsError as error:
            detail = str(error)
            reached = False
        findings.append(
            Finding(
                GROUP,
                f'margin {name}',
                value,
                'm',
                MARGIN,
                detail=detail,
                remedy='change height or reach of the posture, lengths of the links or limits',
            )
        )
    return findings, tuple(postures) if reached else ()


def _angles(legs: Sequence[LegSolver], feet: Sequence[Vector]) -> tuple[Vector, ...]:
    return tuple(leg.angles(foot) for leg, foot in zip(legs, feet, strict=True))


def stride_finding(walker: Walker, names: Sequence[str]) -> Finding:
    """How far the gait lets the worst foot stray from where it stands, on the ground and lifted."""
    radius, leg = min(zip(walker.radii, names, strict=True))
    return Finding(
        GROUP,
        'stride radius',
        radius,
        'm',
        STRIDE,
        detail=walker.hindrance or leg,
        remedy='longer femur and tibia, feet farther apart, wider limits, another height; where '
        'support binds, the centre of mass nearer to the middle or a higher duty factor',
    )


def freedom_findings(robot: Robot, legs: Sequence[LegSolver]) -> list[Finding]:
    """How far the standing body can shift, rise, tilt and twist while the feet stay."""
    level = np.eye(3)
    circle = [2.0 * pi * step / DIRECTIONS for step in range(DIRECTIONS)]

    def shift(angle: float) -> Callable[[float], Place]:
        return lambda way: (level, (way * cos(angle), way * sin(angle), 0.0))

    def tilt(angle: float) -> Callable[[float], Place]:
        axis = (-sin(angle), cos(angle), 0.0)
        return lambda turn: (axangle2mat(axis, turn), (0.0, 0.0, 0.0))

    def climb(sign: float) -> Callable[[float], Place]:
        return lambda way: (level, (0.0, 0.0, sign * way))

    def twist(sign: float) -> Callable[[float], Place]:
        return lambda turn: (axangle2mat((0.0, 0.0, 1.0), sign * turn), (0.0, 0.0, 0.0))

    towards = [f'towards {degrees(angle):.4g} deg' for angle in circle]
    kinds = (
        ('level shift', 'm', STEP, SHIFT, zip(towards, map(shift, circle), strict=True)),
        ('up or down', 'm', STEP, HEIGHT, (('up', climb(1.0)), ('down', climb(-1.0)))),
        ('tilt', 'rad', TURN, TILT, zip(towards, map(tilt, circle), strict=True)),
        ('twist', 'rad', TURN, TWIST, (('left', twist(1.0)), ('right', twist(-1.0)))),
    )
    findings = []
    for name, unit, step, bounds, ways in kinds:
        value, detail = min(
            (amount, f'{where}: {reason}')
            for where, way in ways
            for amount, reason in (_farthest(robot, legs, way, step),)
        )
        findings.append(
            Finding(
                'body over its feet',
                name,
                value,
                unit,
                bounds,
                detail=detail,
                remedy='stand lower or higher, with bent knees; longer links; wider limits',
            )
        )
    return findings


def _farthest(
    robot: Robot, legs: Sequence[LegSolver], way: Callable[[float], Place], step: float
) -> tuple[float, str]:
    """Last amount, in steps from zero, that all legs allow, and what stops the next."""
    feet = np.array(robot.standing.feet)
    for steps in range(MOST_STEPS):
        rotation, position = way(steps * step)
        seen = (feet - position) @ rotation
        for leg, (x, y, z) in zip(legs, seen.tolist(), strict=True):
            try:
                leg.angles((x, y, z))
            except LegKinematicsError as error:
                return max(0, steps - 1) * step, f'{leg.name}, {STOPS[type(error)]}'
    return MOST_STEPS * step, 'no end within the search'
