# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What one foot holds up and how hard it presses down, before the first of its servos stalls.

The body is held fast, as in a clamp or by the other legs; links carry their own weight.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from math import cos, hypot, inf

import numpy as np

from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.robot import STANDARD_GRAVITY, Leg, Robot, Vector
from leg_kinematics.solver import LegReach, LegSolver
from leg_kinematics.solver.kinematics.leg_solver import Range
from leg_kinematics.solver.statics.load import joint_torques

GROUP = 'load at one foot'

REMEDY = 'stronger servos, a lighter or shorter leg'

NOTHING: Vector = (0.0, 0.0, 0.0)
UP: Vector = (0.0, 0.0, 1.0)
DOWN: Vector = (0.0, 0.0, -1.0)

#: A coxa axis whose direction has a smaller level part than this is upright: wherever the coxa
#: turns, weight pulls alike.
UPRIGHT = 1e-9

#: Angles of femur and tibia, and of a coxa that is not upright, among which the worst place is
#: looked for; then as many between the neighbours of the worst, so often.
ANGLES = 21
COXA_ANGLES = 7
ZOOMS = 3


@dataclass(frozen=True)
class FootForce:
    """The largest force on a foot that its servos hold.

    Attributes
    ----------
    force
        N; minus infinity where the weight of the leg alone stalls a servo, infinite where no servo
        feels the force.
    joint
        Which stalls first.
    foot
        Where the foot is, in `base_link`, m.

    """

    force: float
    joint: str
    foot: Vector


def largest_force(leg: Leg, solver: LegSolver, angles: Vector, direction: Vector) -> FootForce:
    """Tell how large a force on the foot may become, besides the weight of the links.

    Parameters
    ----------
    leg, solver
        Description and solver.
    angles
        Coxa, femur, tibia, rad.
    direction
        Of the force, a unit vector in `base_link`, whose z is up.

    """
    own = joint_torques(leg, solver, angles, NOTHING)
    with_newton = joint_torques(leg, solver, angles, direction)
    found = []
    for joint, link, torque, more in zip(leg.joints, leg.links, own, with_newton, strict=True):
        stall, change = link.servo.stall_torque, more - torque
        if abs(torque) > stall:
            found.append((-inf, joint))
        elif change:
            found.append(
                ((stall - torque if change > 0.0 else stall + torque) / abs(change), joint)
            )
        else:
            found.append((inf, joint))
    force, joint = min(found)
    return FootForce(force, joint, solver.foot(angles))


def smallest_force(leg: Leg, solver: LegSolver, direction: Vector) -> FootForce:
    """Tell what `largest_force` is in the worst place that the foot can take.

    Angles are tried in even steps over all that the joints can take, both ends among them, then
    finer around the worst.
    """
    ranges = LegReach(solver).ranges
    x, y, _ = solver.mount.turn_to_mount(UP)
    counts = (1 if hypot(x, y) < UPRIGHT else COXA_ANGLES, ANGLES, ANGLES)
    around: tuple[Range, ...] = ranges
    found: list[tuple[FootForce, Vector]] = []
    for _ in range(1 + ZOOMS):
        found += [
            (largest_force(leg, solver, angles, direction), angles)
            for angles in _grid(solver, around, counts)
        ]
        _, worst = min(found, key=lambda each: each[0].force)
        around = _neighbours(worst, around, ranges, counts)
    return min((force for force, _ in found), key=lambda each: each.force)


def _grid(solver: LegSolver, ranges: Sequence[Range], counts: Sequence[int]) -> Iterator[Vector]:
    """Give even steps through ranges of the joints, rad, the foot in front of the coxa axis."""
    steps = [
        np.linspace(low, high, count).tolist() if count > 1 else [0.5 * (low + high)]
        for (low, high), count in zip(ranges, counts, strict=True)
    ]
    lengths = solver.geometry
    for coxa, femur, tibia in product(*steps):
        if lengths.coxa + lengths.femur * cos(femur) + lengths.tibia * cos(femur + tibia) >= 0.0:
            yield coxa, femur, tibia


def _neighbours(
    place: Vector, around: Sequence[Range], ranges: Sequence[Range], counts: Sequence[int]
) -> tuple[Range, ...]:
    """Angles between the neighbours of a place in its grid, and within the ranges, rad."""
    found = []
    for angle, (low, high), (lowest, highest), count in zip(
        place, around, ranges, counts, strict=True
    ):
        step = (high - low) / max(1, count - 1)
        found.append((max(lowest, angle - step), min(highest, angle + step)))
    return tuple(found)


def one_foot_findings(
    robot: Robot, legs: Sequence[LegSolver], standing: Sequence[Vector]
) -> list[Finding]:
    """Tell what the weakest foot holds up and presses down, as it stands and wherever it can be.

    To pass, it is as much as the leg weighs: then the leg alone takes half of it at most (our own
    rule of thumb).

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers.
    standing
        Angles of the standing posture, rad.

    """
    weight = STANDARD_GRAVITY * min(sum(link.mass for link in leg.links) for leg in robot.legs)
    findings = []
    for name, direction in (('holds up', DOWN), ('presses down', UP)):
        stands = [
            largest_force(leg, solver, angles, direction)
            for leg, solver, angles in zip(robot.legs, legs, standing, strict=True)
        ]
        anywhere = [
            smallest_force(leg, solver, direction)
            for leg, solver in zip(robot.legs, legs, strict=True)
        ]
        for where, forces in (('standing', stands), ('anywhere', anywhere)):
            worst = min(forces, key=lambda each: each.force)
            # A load is told by its mass.
            unit, newtons = ('kg', STANDARD_GRAVITY) if direction == DOWN else ('N', 1.0)
            findings.append(
                Finding(
                    GROUP,
                    f'{name}, {where}',
                    None if worst.force == -inf else worst.force / newtons,
                    unit,
                    Bounds(good=weight / newtons, bound=0.0),
                    detail=_in_words(worst, told=where == 'anywhere'),
                    remedy=REMEDY,
                )
            )
    return findings


def _in_words(worst: FootForce, *, told: bool) -> str:
    """Say what stalls first and, unless everybody knows, where the foot is."""
    # Whole millimetres, without a sign before zero.
    x, y, z = (round(1e3 * each) for each in worst.foot)
    place = f', the foot at {x}, {y}, {z} mm' if told else ''
    if worst.force == -inf:
        return f'{worst.joint} stalls under the weight of the leg alone{place}'
    if worst.force == inf:
        return f'no servo feels it{place}'
    return f'{worst.joint} stalls first{place}'
