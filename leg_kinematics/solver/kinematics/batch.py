# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Many targets of one leg at once, in numpy: for analysis, not for a control tick.

The formulas are those of `leg` in the same order, so that both round alike. They are worked through
in chunks whose scratch stays in the cache and is contiguous, so that numpy computes several targets
an instruction. Memory beyond the result does not grow with the number of targets.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.solver.kinematics.leg import COXA_AXIS_RADIUS, ROUNDING, LegGeometry
from leg_kinematics.solver.kinematics.leg_solver import LIMIT_TOLERANCE, LegSolver
from leg_kinematics.solver.kinematics.mount import MountTransform

Floats = NDArray[np.float64]

#: Targets worked on at a time: enough to outweigh numpy's calls, and 700 kB of scratch.
CHUNK = 8192

#: Below this |sin q3| femur and tibia count as nearly in line.
NEAR_SINGULAR_SINE = 0.05

#: A foot closer to the coxa axis than this share of the stretched leg is nearly on it.
NEAR_SINGULAR_RADIUS = 0.05


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


def _columns(rows: Floats) -> Iterator[tuple[slice, Floats]]:
    """Chunk after chunk: which rows it has, and its columns side by side, not to be changed."""
    for first in range(0, len(rows), CHUNK):
        chunk = slice(first, first + CHUNK)
        yield chunk, np.ascontiguousarray(rows[chunk].T)


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
    scratch = np.empty((8, min(CHUNK, len(feet))))
    # What is not finite gives the NaN that is wanted.
    with np.errstate(all='ignore'):
        for chunk, place in _columns(feet):
            _invert(
                geometry, place, result[:, chunk], scratch, in_front=in_front, free_coxa=free_coxa
            )
    return result


def _invert(
    geometry: LegGeometry,
    place: Floats,
    branches: Floats,
    scratch: Floats,
    *,
    in_front: bool,
    free_coxa: float,
) -> None:
    """Work out a chunk: the first branch with the knee up, the second, if any, with it down."""
    x, y, z = place
    scratch = scratch[:, : len(x)]
    (r, k, outer, inner, s), odd = scratch[:5], scratch[5:]
    tibia, rs, zs = odd

    np.multiply(x, x, out=r)
    np.multiply(y, y, out=k)
    r += k
    distance = np.sqrt(r, out=r)
    if in_front:
        coxa = np.arctan2(y, x, out=k)
    else:
        coxa = np.arctan2(np.negative(y, out=rs), np.negative(x, out=zs), out=k)
    # Most chunks are regular throughout, for which one look suffices. NaN is not regular.
    if not distance.min() >= COXA_AXIS_RADIUS:
        coxa[distance < COXA_AXIS_RADIUS] = free_coxa
    branches[:, :, 0] = coxa

    if not in_front:
        np.negative(distance, out=r)
    r -= geometry.coxa
    square = np.multiply(r, r, out=k)
    square += np.multiply(z, z, out=s)
    np.subtract(geometry.farthest_square, square, out=outer)
    np.subtract(square, geometry.nearest_square, out=inner)
    product = np.multiply(outer, inner, out=s)
    if not product.min() > 0.0:
        _settle_edges(geometry, outer, inner, product, branches)
    np.sqrt(product, out=s)

    np.multiply(s, -2.0, out=tibia)
    inner -= outer
    np.arctan2(tibia, inner, out=tibia)
    k += geometry.square_difference
    zk, rk = np.multiply(z, k, out=outer), np.multiply(r, k, out=inner)
    np.multiply(r, s, out=rs)
    np.multiply(z, s, out=zs)
    for branch in branches:
        np.arctan2(np.add(zk, rs, out=k), np.subtract(rk, zs, out=s), out=branch[:, 1])
        branch[:, 2] = tibia
        np.negative(odd, out=odd)


def _settle_edges(
    geometry: LegGeometry, outer: Floats, inner: Floats, product: Floats, branches: Floats
) -> None:
    """Take what rounding alone puts beyond an edge for the edge, and refuse the rest."""
    product[~(product > 0.0)] = 0.0
    refused = ~(outer >= -ROUNDING * geometry.farthest_square)
    refused |= inner < -ROUNDING * abs(geometry.square_difference)
    product[refused] = np.nan
    branches[:, refused, 0] = np.nan


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
    for chunk, (q1, q2, q3) in _columns(angles):
        pitch = q2 + q3
        rho = geometry.coxa + geometry.femur * np.cos(q2) + geometry.tibia * np.cos(pitch)
        feet[chunk, 0] = rho * np.cos(q1)
        feet[chunk, 1] = rho * np.sin(q1)
        feet[chunk, 2] = geometry.femur * np.sin(q2) + geometry.tibia * np.sin(pitch)
    return feet


def joint_points(leg: LegSolver, angles: Floats) -> Floats:
    """Coxa axis, femur axis, knee and foot in `base_link`, m, shape (n, 4, 3)."""
    whole = leg.geometry
    lengths = (
        (0.0, 0.0, 0.0),
        (whole.coxa, 0.0, 0.0),
        (whole.coxa, whole.femur, 0.0),
        (whole.coxa, whole.femur, whole.tibia),
    )
    angles = np.ascontiguousarray(angles)
    local = np.stack([forward_batch(LegGeometry(*each), angles) for each in lengths], axis=1)
    placed: Floats = local @ np.array(leg.mount.rotation).T + leg.mount.position
    return placed


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
    for chunk, (q1, q2, q3) in _columns(angles):
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
    nearly_on_axis = NEAR_SINGULAR_RADIUS * leg.geometry.stretched
    scratch = np.empty((8, min(CHUNK, count)))
    with np.errstate(all='ignore'):
        for chunk, columns in _columns(feet):
            place = _to_mount(leg.mount, columns)
            angles = solution.angles[chunk]
            _invert(
                leg.geometry, place, angles[np.newaxis], scratch, in_front=True, free_coxa=free_coxa
            )
            solution.outcome[chunk], solution.excess[chunk], solution.joint[chunk] = _judge(
                leg, place, np.ascontiguousarray(angles.T)
            )
            knee_sine = np.abs(np.sin(angles[:, 2]))
            axis_distance = np.hypot(place[0], place[1])
            solution.knee_sine[chunk] = knee_sine
            solution.axis_distance[chunk] = axis_distance
            solution.near_singular[chunk] = (knee_sine < NEAR_SINGULAR_SINE) | (
                axis_distance < nearly_on_axis
            )
    return solution


def _to_mount(mount: MountTransform, feet: Floats) -> Floats:
    """Turn columns; add in the order of `MountTransform.to_mount`, so that both round alike."""
    x, y, z = feet - np.array(mount.position)[:, np.newaxis]
    (a, b, c), (d, e, f), (g, h, i) = mount.rotation
    return np.array((a * x + d * y + g * z, b * x + e * y + h * z, c * x + f * y + i * z))


def _judge(
    leg: LegSolver, feet: Floats, angles: Floats
) -> tuple[NDArray[np.uint8], Floats, NDArray[np.int8]]:
    """Outcome, excess and joint of the columns of a chunk, feet in the mount frame and angles."""
    count = feet.shape[1]
    outcome = np.full(count, Outcome.REACHED, dtype=np.uint8)
    excess = np.zeros(count)
    joint = np.full(count, -1, dtype=np.int8)

    # What `LegSolver.check` finds first is written last.
    for index in (2, 1, 0):
        for bounds, kind in (
            (leg.expressible[index], Outcome.BEYOND_MAP),
            (leg.limits[index], Outcome.BEYOND_LIMIT),
        ):
            over = np.maximum(bounds[0] - angles[index], angles[index] - bounds[1])
            beyond = np.flatnonzero(over > LIMIT_TOLERANCE)
            outcome[beyond], excess[beyond], joint[beyond] = kind, over[beyond], index

    refused = np.flatnonzero(np.isnan(angles[0]))
    if refused.size:
        outcome[refused], excess[refused] = _misses(leg.geometry, feet[:, refused])
    return outcome, excess, joint


def _misses(geometry: LegGeometry, feet: Floats) -> tuple[NDArray[np.uint8], Floats]:
    """Outcome and excess of feet that femur and tibia cannot span."""
    farthest = geometry.femur + geometry.tibia
    nearest = abs(geometry.femur - geometry.tibia)
    x, y, z = feet
    distance = np.hypot(np.hypot(x, y) - geometry.coxa, z)
    far = distance > 0.5 * (nearest + farthest)
    outcome = np.where(far, Outcome.TOO_FAR, Outcome.TOO_NEAR).astype(np.uint8)
    excess = np.where(far, distance - farthest, nearest - distance)
    odd = ~np.isfinite(feet).all(axis=0)
    outcome[odd], excess[odd] = Outcome.NOT_FINITE, np.nan
    return outcome, excess
