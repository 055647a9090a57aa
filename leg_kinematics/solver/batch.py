# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Many targets of one leg at once, in numpy: for analysis, not for a control tick.

The formulas are those of `leg`, worked through in chunks whose scratch stays in the cache and is
contiguous, so that numpy computes several targets an instruction. Memory beyond the result does
not grow with the number of targets.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.errors import ReachError
from leg_kinematics.solver.leg import COXA_AXIS_RADIUS, LegGeometry, inverse
from leg_kinematics.solver.leg_solver import LIMIT_TOLERANCE, LegSolver
from leg_kinematics.solver.mount import MountTransform

Floats = NDArray[np.float64]

#: Targets worked on at a time: enough to outweigh numpy's calls, and 400 kB of scratch.
CHUNK = 4096

#: Where a square that bounds the reach is smaller than this share of the largest one, its root
#: shows the rounding of the square, and the scalar code decides: its answer is the answer.
EDGE = 1e-5

#: Below this |sin q3| femur and tibia count as nearly in line.
NEAR_SINGULAR_SINE = 0.05

#: A foot closer to the coxa axis than this share of the stretched leg is nearly on it.
NEAR_SINGULAR_RADIUS = 0.05

_NO_ROWS = np.empty(0, dtype=np.intp)


class Outcome(IntEnum):
    """What became of a target."""

    REACHED = 0
    TOO_FAR = 1
    TOO_NEAR = 2
    BEYOND_LIMIT = 3
    BEYOND_MAP = 4
    NOT_FINITE = 5


@dataclass(frozen=True)
class BatchSolution:
    """Angles and status of n targets.

    Attributes
    ----------
    angles
        Coxa, femur, tibia, rad, shape (n, 3); NaN where femur and tibia cannot span the distance.
        Where a limit or a map forbids the angles, they are the ones it forbids.
    outcome
        An `Outcome` each, shape (n,), uint8.
    excess
        By how much a target misses: m when too far or too near, rad beyond a limit or a map,
        0 when reached, NaN when not finite. Shape (n,).
    joint
        The first joint beyond its bounds, 0 to 2 from the body outwards, otherwise -1; shape
        (n,), int8.
    knee_sine
        ``|sin q3|``, shape (n,): 0 where the leg is singular because femur and tibia are in line.
    axis_distance
        Of the foot from the coxa axis, m, shape (n,): 0 where it is singular because the coxa
        angle is free.
    near_singular
        Reached or not, one of the two is small (`NEAR_SINGULAR_SINE`, `NEAR_SINGULAR_RADIUS`);
        shape (n,), bool.

    """

    angles: Floats
    outcome: NDArray[np.uint8]
    excess: Floats
    joint: NDArray[np.int8]
    knee_sine: Floats
    axis_distance: Floats
    near_singular: NDArray[np.bool_]

    @property
    def reached(self) -> NDArray[np.bool_]:
        """Which targets the leg can take, shape (n,)."""
        return np.equal(self.outcome, Outcome.REACHED)


def _chunks(count: int) -> Iterator[slice]:
    return (slice(first, min(first + CHUNK, count)) for first in range(0, count, CHUNK))


def _rows(name: str, rows: Floats) -> Floats:
    rows = np.asarray(rows, dtype=np.float64)
    if rows.ndim != 2 or rows.shape[1] != 3:
        raise ValueError(f'{name} must have the shape (n, 3) (got {rows.shape})')
    return rows


def _result(out: Floats | None, shape: tuple[int, ...]) -> Floats:
    if out is None:
        return np.empty(shape)
    if out.shape != shape or out.dtype != np.float64:
        raise ValueError(f'out must be float64 of the shape {shape} (got {out.dtype}, {out.shape})')
    return out


def inverse_batch(
    geometry: LegGeometry,
    feet: Floats,
    *,
    in_front: bool = True,
    free_coxa: float = 0.0,
    out: Floats | None = None,
) -> Floats:
    """Angles of both knee branches for many feet.

    Parameters
    ----------
    geometry
        Lengths, m.
    feet
        In the mount frame, m, shape (n, 3).
    in_front
        The normal branch, with the coxa turned towards the foot; False turns it away.
    free_coxa
        The coxa angle where the foot is on the coxa axis (within 1 um), rad.
    out
        Where to put the result, so that a caller in a loop need not allocate. Feet and result
        whose coordinates lie apart in memory, `np.empty((2, 3, n)).transpose(0, 2, 1)`, are
        the fastest.

    Returns
    -------
    ndarray
        Coxa, femur, tibia, rad, shape (2, n, 3): first knee up, then knee down. NaN in the three
        angles of a foot that `inverse` refuses.

    Raises
    ------
    ValueError
        An array has the wrong shape or type.

    """
    feet = _rows('feet', feet)
    result = _result(out, (2, len(feet), 3))
    scratch = np.empty((12, min(CHUNK, len(feet))))
    # Out of reach the root of a negative square is the NaN that is wanted.
    with np.errstate(all='ignore'):
        for chunk in _chunks(len(feet)):
            bounds = _invert(geometry, feet[chunk], result[:, chunk], scratch, in_front=in_front)
            refused, doubtful = _at_edges(geometry, *bounds)
            result[:, chunk][:, refused] = np.nan
            for row in doubtful + chunk.start:
                result[:, row] = _scalar_inverse(
                    geometry, feet[row], in_front=in_front, free_coxa=free_coxa
                )
    return result


def _invert(
    geometry: LegGeometry, feet: Floats, result: Floats, scratch: Floats, *, in_front: bool
) -> tuple[Floats, Floats, Floats]:
    """Work out one chunk; give back distances from the coxa axis, A squared and B squared."""
    total = geometry.femur + geometry.tibia
    difference = geometry.femur - geometry.tibia
    scratch = scratch[:, : len(feet)]
    angles, place = scratch[:3], scratch[3:6]
    coxa, femur, tibia = angles
    x, y, z = place
    distance, outer, inner, s, k, t = scratch[6:]

    np.copyto(place, feet.T)
    np.multiply(x, x, out=distance)
    np.multiply(y, y, out=t)
    distance += t
    np.sqrt(distance, out=distance)
    if not in_front:
        np.negative(place[:2], out=place[:2])
    np.arctan2(y, x, out=coxa)

    r = np.subtract(distance if in_front else -distance, geometry.coxa, out=x)
    np.multiply(r, r, out=k)
    np.multiply(z, z, out=t)
    k += t
    np.subtract(total * total, k, out=outer)
    np.subtract(k, difference * difference, out=inner)
    k += difference * total

    # With w = A/B: q3 = -+2 atan w, and s = AB = wB^2 needs no root of its own.
    np.divide(outer, inner, out=t)
    np.sqrt(t, out=t)
    np.multiply(t, inner, out=s)
    np.arctan(t, out=tibia)
    tibia *= -2.0

    zk, rk = np.multiply(z, k, out=y), np.multiply(r, k, out=k)
    rs, zs = np.multiply(r, s, out=x), np.multiply(z, s, out=z)
    np.add(zk, rs, out=s)
    np.subtract(rk, zs, out=t)
    np.arctan2(s, t, out=femur)
    np.copyto(result[0], angles.T)
    zk -= rs
    rk += zs
    np.arctan2(zk, rk, out=femur)
    np.negative(tibia, out=tibia)
    np.copyto(result[1], angles.T)
    return distance, outer, inner


def _at_edges(
    geometry: LegGeometry, distance: Floats, outer: Floats, inner: Floats
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows that are surely refused, and those that the scalar code shall decide."""
    square = np.minimum(outer, inner)
    edge = EDGE * (geometry.femur + geometry.tibia) ** 2
    # Most chunks are regular throughout, for which one look suffices. NaN is not regular.
    if np.minimum(square, distance).min() > max(edge, COXA_AXIS_RADIUS):
        return _NO_ROWS, _NO_ROWS
    refused = ~(square >= -edge)
    doubtful = ((square <= edge) | (distance < COXA_AXIS_RADIUS)) & ~refused
    return np.flatnonzero(refused), np.flatnonzero(doubtful)


def _scalar_inverse(
    geometry: LegGeometry, foot: Floats, *, in_front: bool, free_coxa: float
) -> Floats:
    x, y, z = foot.tolist()
    try:
        branches = [
            inverse(geometry, (x, y, z), knee_up=knee_up, in_front=in_front, free_coxa=free_coxa)
            for knee_up in (True, False)
        ]
    except ReachError:
        return np.full((2, 3), np.nan)
    return np.array(branches)


def forward_batch(geometry: LegGeometry, angles: Floats, *, out: Floats | None = None) -> Floats:
    """Place many feet.

    Parameters
    ----------
    geometry
        Lengths, m.
    angles
        Coxa, femur, tibia, rad, shape (n, 3).
    out
        Where to put the result.

    Returns
    -------
    ndarray
        The feet in the mount frame, m, shape (n, 3).

    Raises
    ------
    ValueError
        An array has the wrong shape or type.

    """
    angles = _rows('angles', angles)
    feet = _result(out, (len(angles), 3))
    for chunk in _chunks(len(angles)):
        q1, q2, q3 = np.ascontiguousarray(angles[chunk].T)
        pitch = q2 + q3
        rho = geometry.coxa + geometry.femur * np.cos(q2) + geometry.tibia * np.cos(pitch)
        feet[chunk, 0] = rho * np.cos(q1)
        feet[chunk, 1] = rho * np.sin(q1)
        feet[chunk, 2] = geometry.femur * np.sin(q2) + geometry.tibia * np.sin(pitch)
    return feet


def jacobian_batch(geometry: LegGeometry, angles: Floats, *, out: Floats | None = None) -> Floats:
    """Rows of d foot / d angles of many postures.

    Parameters
    ----------
    geometry
        Lengths, m.
    angles
        Coxa, femur, tibia, rad, shape (n, 3).
    out
        Where to put the result.

    Returns
    -------
    ndarray
        In the mount frame, m/rad, shape (n, 3, 3).

    Raises
    ------
    ValueError
        An array has the wrong shape or type.

    """
    angles = _rows('angles', angles)
    rows = _result(out, (len(angles), 3, 3))
    for chunk in _chunks(len(angles)):
        q1, q2, q3 = np.ascontiguousarray(angles[chunk].T)
        pitch = q2 + q3
        s1, c1 = np.sin(q1), np.cos(q1)
        tibia_r, tibia_z = geometry.tibia * np.cos(pitch), geometry.tibia * np.sin(pitch)
        r = geometry.femur * np.cos(q2) + tibia_r
        z = geometry.femur * np.sin(q2) + tibia_z
        rho = geometry.coxa + r
        part = rows[chunk]
        part[:, 0, 0], part[:, 0, 1], part[:, 0, 2] = -rho * s1, -z * c1, -tibia_z * c1
        part[:, 1, 0], part[:, 1, 1], part[:, 1, 2] = rho * c1, -z * s1, -tibia_z * s1
        part[:, 2, 0], part[:, 2, 1], part[:, 2, 2] = 0.0, r, tibia_r
    return rows


def solve_batch(leg: LegSolver, feet: Floats, *, free_coxa: float = 0.0) -> BatchSolution:
    """Solve many feet in `base_link` on the normal branch, as `LegSolver.angles` does for one.

    Parameters
    ----------
    leg
        The solver, with the limits of its joints and the ranges of its servo maps.
    feet
        In `base_link`, m, shape (n, 3).
    free_coxa
        The coxa angle where the foot is on the coxa axis, rad.

    Returns
    -------
    BatchSolution
        Nothing is raised for a target that cannot be taken; its outcome says why.

    Raises
    ------
    ValueError
        The feet have the wrong shape.

    """
    feet = _rows('feet', feet)
    count = len(feet)
    solution = BatchSolution(
        angles=np.empty((count, 3)),
        outcome=np.empty(count, dtype=np.uint8),
        excess=np.empty(count),
        joint=np.empty(count, dtype=np.int8),
        knee_sine=np.empty(count),
        axis_distance=np.empty(count),
        near_singular=np.empty(count, dtype=np.bool_),
    )
    stretched = leg.geometry.coxa + leg.geometry.femur + leg.geometry.tibia
    with np.errstate(all='ignore'):
        for chunk in _chunks(count):
            local = _to_mount(leg.mount, feet[chunk])
            angles = inverse_batch(leg.geometry, local, free_coxa=free_coxa)[0]
            outcome, excess, joint = _judge(leg, local, angles)
            solution.angles[chunk] = angles
            solution.outcome[chunk] = outcome
            solution.excess[chunk] = excess
            solution.joint[chunk] = joint
            knee_sine = np.abs(np.sin(angles[:, 2]))
            axis_distance = np.hypot(local[:, 0], local[:, 1])
            solution.knee_sine[chunk] = knee_sine
            solution.axis_distance[chunk] = axis_distance
            solution.near_singular[chunk] = (knee_sine < NEAR_SINGULAR_SINE) | (
                axis_distance < NEAR_SINGULAR_RADIUS * stretched
            )
    return solution


def _to_mount(mount: MountTransform, feet: Floats) -> Floats:
    """Add in the order of `MountTransform.to_mount`, so that both round alike."""
    x, y, z = np.ascontiguousarray(feet.T) - np.array(mount.position)[:, np.newaxis]
    (a, b, c), (d, e, f), (g, h, i) = mount.rotation
    return np.stack((a * x + d * y + g * z, b * x + e * y + h * z, c * x + f * y + i * z), axis=1)


def _judge(
    leg: LegSolver, feet: Floats, angles: Floats
) -> tuple[NDArray[np.uint8], Floats, NDArray[np.int8]]:
    """Outcome, excess and joint of one chunk of feet in the mount frame."""
    outcome = np.full(len(feet), Outcome.REACHED, dtype=np.uint8)
    excess = np.zeros(len(feet))
    joint = np.full(len(feet), -1, dtype=np.int8)

    # What `LegSolver.check` finds first is written last.
    columns = np.ascontiguousarray(angles.T)
    for index in (2, 1, 0):
        for bounds, kind in (
            (leg.expressible[index], Outcome.BEYOND_MAP),
            (leg.limits[index], Outcome.BEYOND_LIMIT),
        ):
            over = np.maximum(bounds[0] - columns[index], columns[index] - bounds[1])
            beyond = np.flatnonzero(over > LIMIT_TOLERANCE)
            outcome[beyond], excess[beyond], joint[beyond] = kind, over[beyond], index

    refused = np.flatnonzero(np.isnan(columns[0]))
    if refused.size:
        outcome[refused], excess[refused] = _misses(leg.geometry, feet[refused])
    return outcome, excess, joint


def _misses(geometry: LegGeometry, feet: Floats) -> tuple[NDArray[np.uint8], Floats]:
    """Outcome and excess of feet that femur and tibia cannot span."""
    farthest = geometry.femur + geometry.tibia
    nearest = abs(geometry.femur - geometry.tibia)
    distance = np.hypot(np.hypot(feet[:, 0], feet[:, 1]) - geometry.coxa, feet[:, 2])
    far = distance > 0.5 * (nearest + farthest)
    outcome = np.where(far, Outcome.TOO_FAR, Outcome.TOO_NEAR).astype(np.uint8)
    excess = np.where(far, distance - farthest, nearest - distance)
    odd = ~np.isfinite(feet).all(axis=1)
    outcome[odd], excess[odd] = Outcome.NOT_FINITE, np.nan
    return outcome, excess
