# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What standing costs: forces at the feet and torques in the joints."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag, null_space
from scipy.optimize import nnls

from leg_kinematics.errors import BalanceError
from leg_kinematics.robot import STANDARD_GRAVITY, Leg, Robot, Vector
from leg_kinematics.solver.kinematics.leg import LegGeometry, jacobian
from leg_kinematics.solver.kinematics.leg_solver import LegSolver
from leg_kinematics.solver.statics.balance import (
    centre_of_mass,
    static_margin,
)

Array = NDArray[np.float64]

#: Faces of the pyramid within the friction cone; it gives up 2 % of the friction.
FACES = 16

#: Share of the weight, or of its moment, that rounding may leave unbalanced.
ROUNDING = 1e-9

ZERO = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Loads:
    """What a posture asks of the feet and of the servos.

    Attributes
    ----------
    forces
        Of the ground on each foot in `base_link`, N; zero for a foot in the air.
    torques
        That hold coxa, femur and tibia of each leg, N·m.
    margins
        Share of the stall torque that is left to each of these servos; below zero it gives way.

    """

    forces: tuple[Vector, ...]
    torques: tuple[Vector, ...]
    margins: tuple[Vector, ...]


def standing_loads(
    robot: Robot,
    legs: Sequence[LegSolver],
    angles: Sequence[Vector],
    standing: Sequence[bool],
    friction: float,
) -> Loads:
    """Find the loads of a posture held on level ground with the body level.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers.
    angles
        Coxa, femur, tibia of each leg, rad.
    standing
        Whether each foot is on the ground.
    friction
        Coefficient between foot and ground.

    Raises
    ------
    BalanceError
        The standing feet cannot carry the robot.

    """
    feet = [solver.foot(q) for solver, q, on in zip(legs, angles, standing, strict=True) if on]
    weight = (0.0, 0.0, -robot.mass * STANDARD_GRAVITY)
    carrying = iter(foot_forces(feet, centre_of_mass(robot, legs, angles), weight, friction))
    forces = tuple(next(carrying) if on else ZERO for on in standing)
    torques = tuple(
        joint_torques(leg, solver, q, force)
        for leg, solver, q, force in zip(robot.legs, legs, angles, forces, strict=True)
    )
    margins = tuple(
        torque_margins(leg, torque) for leg, torque in zip(robot.legs, torques, strict=True)
    )
    return Loads(forces, torques, margins)


def joint_torques(leg: Leg, solver: LegSolver, angles: Vector, force: Vector) -> Vector:
    """Torques that hold a leg still, g(q) - J^T F, while the body is level.

    Parameters
    ----------
    leg
        Its links, each with its mass at a distance along its length.
    solver
        Of the same leg.
    angles
        Coxa, femur, tibia, rad.
    force
        Of the ground on the foot in `base_link`, N.

    Returns
    -------
    Vector
        Coxa, femur, tibia, N·m, in the sense of the angles.

    """
    coxa, femur, tibia = leg.links
    # The centre of mass of a link is the foot of a shorter leg.
    places = (
        LegGeometry(coxa.centre_of_mass, 0.0, 0.0),
        LegGeometry(coxa.length, femur.centre_of_mass, 0.0),
        LegGeometry(coxa.length, femur.length, tibia.centre_of_mass),
    )
    held = [0.0, 0.0, 0.0]
    pulls = [(solver.geometry, force)]
    for place, link in zip(places, leg.links, strict=True):
        pulls.append((place, (0.0, 0.0, -link.mass * STANDARD_GRAVITY)))
    for place, pull in pulls:
        row_x, row_y, row_z = jacobian(place, angles)
        x, y, z = solver.mount.turn_to_mount(pull)
        for joint in range(3):
            held[joint] -= row_x[joint] * x + row_y[joint] * y + row_z[joint] * z
    return (held[0], held[1], held[2])


def torque_margins(leg: Leg, torques: Vector) -> Vector:
    """Share of the stall torque that holding torques (N·m) leave to coxa, femur and tibia."""
    coxa, femur, tibia = (
        1.0 - abs(torque) / link.servo.stall_torque
        for torque, link in zip(torques, leg.links, strict=True)
    )
    return (coxa, femur, tibia)


def foot_forces(
    feet: Sequence[Vector],
    centre_of_mass: Vector,
    weight: Vector,
    friction: float,
    normal: Vector = (0.0, 0.0, 1.0),
) -> tuple[Vector, ...]:
    """Find the forces of the ground that carry a body, those of the least sum of squares.

    Among all forces that balance the weight, push, and stay within the friction cone, which is
    replaced by a pyramid inside it. Legs can also press against each other; of such inner forces
    the least squares hold none that balance and friction do not need.

    Parameters
    ----------
    feet
        The feet that stand, m.
    centre_of_mass
        In the same frame, m.
    weight
        Force of gravity in that frame, N.
    friction
        Coefficient between foot and ground.
    normal
        Of the ground, away from it, in that frame.

    Returns
    -------
    tuple of Vector
        One force a foot, N.

    Raises
    ------
    BalanceError
        No such forces exist: the robot would tip over or slide.

    """
    if not feet:
        raise BalanceError('no foot stands; the body needs one at least')
    arms = np.array(feet) - centre_of_mass
    size = float(np.linalg.norm(arms, axis=1).max()) or 1.0
    balance = np.hstack([np.vstack([np.eye(3), _cross_matrix(arm / size)]) for arm in arms])
    load = float(np.linalg.norm(weight))
    wanted = np.concatenate([-np.array(weight) / load, np.zeros(3)])
    least = np.linalg.lstsq(balance, wanted, rcond=None)[0]
    unbalanced = float(np.linalg.norm(balance @ least - wanted))
    inner = null_space(balance)
    pyramids = block_diag(*len(feet) * [_pyramid(np.array(normal), friction)])
    change = _least_solution(pyramids @ inner, -pyramids @ least - ROUNDING)
    if unbalanced > ROUNDING or change is None:
        margin = static_margin([(x, y) for x, y, _ in feet], centre_of_mass[:2])
        raise BalanceError(
            f'{len(feet)} feet cannot carry {load:.4g} N without pulling or slipping at a '
            f'friction of {friction:g}; the static margin is {margin * 1e3:.3g} mm: bring the '
            'centre of mass over the feet or stand on less of a slope'
        )
    forces = load * (least + inner @ change).reshape(-1, 3)
    return tuple((float(x), float(y), float(z)) for x, y, z in forces)


def _cross_matrix(arm: Array) -> Array:
    """Matrix of the cross product arm x force, shape (3, 3)."""
    x, y, z = arm
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def _pyramid(normal: Array, friction: float) -> Array:
    """Rows whose product with a force within the pyramid is not negative, shape (FACES, 3)."""
    up = normal / np.linalg.norm(normal)
    along = null_space(up[np.newaxis])
    turns = 2.0 * np.pi * np.arange(FACES) / FACES
    sideways = np.outer(np.cos(turns), along[:, 0]) + np.outer(np.sin(turns), along[:, 1])
    return np.asarray(friction * np.cos(np.pi / FACES) * up - sideways)


def _least_solution(matrix: Array, bounds: Array) -> Array | None:
    """Shortest x with matrix x >= bounds, or None where there is no such x.

    Least distance programming by non-negative least squares: Lawson and Hanson, Solving Least
    Squares Problems, 1974, chapter 23 (from memory; confirmed against SLSQP in the tests).
    """
    columns = np.vstack([matrix.T, bounds])
    unit = np.zeros(len(columns))
    unit[-1] = 1.0
    residual = columns @ nnls(columns, unit)[0] - unit
    if np.linalg.norm(residual) <= ROUNDING:
        return None
    return np.asarray(-residual[:-1] / residual[-1])
