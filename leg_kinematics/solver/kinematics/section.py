# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Plane sections through what legs can reach, as grids: for pictures and areas."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.robot import Vector
from leg_kinematics.solver.kinematics.batch import solve_batch
from leg_kinematics.solver.kinematics.leg_solver import LegSolver

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Section:
    """Which points of a grid can be reached.

    Attributes
    ----------
    across, along
        Coordinates of the columns and of the rows, m, evenly spaced; shapes (n,) and (m,).
    reached
        Shape (m, n), bool.

    """

    across: Floats
    along: Floats
    reached: NDArray[np.bool_]

    @property
    def area(self) -> float:
        """Of the reached cells, m²."""
        cell = (self.across[1] - self.across[0]) * (self.along[1] - self.along[0])
        return float(cell * np.count_nonzero(self.reached))


def side_section(leg: LegSolver, spacing: float) -> Section:
    """Section in the half-plane of the coxa axis, at the middle of the coxa's range.

    Parameters
    ----------
    leg
        The solver.
    spacing
        Of the grid, m.

    Returns
    -------
    Section
        Across: the distance from the coxa axis; along: the height over the mounting plane of the
        leg.

    """
    span = leg.geometry.stretched
    across, along = _axis(0.0, span, spacing), _axis(-span, span, spacing)
    low = max(leg.limits[0][0], leg.expressible[0][0])
    high = min(leg.limits[0][1], leg.expressible[0][1])
    coxa = 0.5 * (low + high)
    r, z = np.meshgrid(across, along)
    local = np.stack((r * np.cos(coxa), r * np.sin(coxa), z), axis=-1).reshape(-1, 3)
    feet = local @ np.array(leg.mount.rotation).T + leg.mount.position
    reached = solve_batch(leg, feet, free_coxa=coxa).reached
    return Section(across, along, reached.reshape(r.shape))


def level_section(leg: LegSolver, height: float, spacing: float) -> Section:
    """Level section of what one leg can reach, in `base_link`.

    Parameters
    ----------
    leg
        The solver.
    height
        The z of the section, m; the ground is below the body, so usually negative.
    spacing
        Of the grid, m.

    Returns
    -------
    Section
        Across: x, forward; along: y, to the left.

    """
    span, (x0, y0, _) = leg.geometry.stretched, leg.mount.position
    across, along = _axis(x0 - span, x0 + span, spacing), _axis(y0 - span, y0 + span, spacing)
    return Section(across, along, _reached(leg, (0.0, 0.0), height, across, along))


def common_ground(
    legs: Sequence[LegSolver], feet: Sequence[Vector], body_height: float, spacing: float
) -> Section:
    """Which way all feet can be displaced together, on the ground, from where they stand.

    The opposite of a displacement is a way that the body can go above feet that stay.

    Parameters
    ----------
    legs
        Solvers.
    feet
        Where each stands, in `base_link`, m; their own height is not used.
    body_height
        Of the body above the ground, m.
    spacing
        Of the grid, m.

    Returns
    -------
    Section
        Across: displacement along x, forward; along: along y, to the left. Reached where every
        leg reaches.

    """
    span = 2.0 * max(leg.geometry.stretched for leg in legs)
    axis = _axis(-span, span, spacing)
    reached = np.logical_and.reduce(
        [
            _reached(leg, (foot[0], foot[1]), -body_height, axis, axis)
            for leg, foot in zip(legs, feet, strict=True)
        ]
    )
    return Section(axis, axis, reached)


def _axis(low: float, high: float, spacing: float) -> Floats:
    """Multiples of the spacing, so that standing feet, at displacement 0, are on the grid."""
    return spacing * np.arange(np.floor(low / spacing), np.ceil(high / spacing) + 1.0)


def _reached(
    leg: LegSolver, origin: tuple[float, float], height: float, across: Floats, along: Floats
) -> NDArray[np.bool_]:
    x, y = np.meshgrid(origin[0] + across, origin[1] + along)
    feet = np.stack((x, y, np.full_like(x, height)), axis=-1).reshape(-1, 3)
    return solve_batch(leg, feet).reached.reshape(x.shape)
