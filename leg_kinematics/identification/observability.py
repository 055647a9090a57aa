# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How well measurements determine what is unknown, and which of many to make.

The rows of a Jacobian are derivatives of measurements by unknowns, each divided by the standard
deviation of its measurement. Radians and metres do not mix, so its columns are to be multiplied by
how far each unknown may be off: then a singular value of 1 is a combination of unknowns of which
the measurements tell as much as was known before.

With singular values s1 >= ... >= sL of m measurements the published indices are (Sun, Hollerbach,
Observability index selection for robot calibration, ICRA 2008; formulas from memory)::

    O1 = (s1 * ... * sL)^(1/L) / sqrt(m)    Menq and Borm
    O2 = sL / s1                            Driels and Pathre: the inverse of the condition number
    O3 = sL                                 Nahvi and Hollerbach
    O4 = sL^2 / s1                          Nahvi and Hollerbach: noise amplification
    O5 = 1 / (1/s1 + ... + 1/sL)            Sun and Hollerbach

The largest O1 is what is called a D-optimal design: the covariance has the smallest volume.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Observability:
    """What is said of a set of measurements; each is the larger, the better.

    Attributes
    ----------
    o1, o2, o3, o4, o5
        As the head of this file says; all zero where a combination of unknowns is not seen at all.
    rank
        How many combinations of unknowns are seen.
    blindest
        The combination of unknowns that is seen least, a unit vector, shape (unknowns,).

    """

    o1: float
    o2: float
    o3: float
    o4: float
    o5: float
    rank: int
    blindest: Floats

    @classmethod
    def of(cls, jacobian: Floats, measurements: int) -> 'Observability':
        """Judge a Jacobian.

        Parameters
        ----------
        jacobian
            Scaled as the head of this file says, shape (rows, unknowns).
        measurements
            How many measurements these rows are of, such as one for x, y and z of a foot.

        """
        _, found, directions = np.linalg.svd(jacobian, full_matrices=True)
        unknowns = jacobian.shape[1]
        values = np.zeros(unknowns)
        values[: len(found)] = found
        rank = int(np.linalg.matrix_rank(jacobian))
        if rank < unknowns:
            return cls(0.0, 0.0, 0.0, 0.0, 0.0, rank, directions[-1])
        largest, smallest = float(values[0]), float(values[-1])
        return cls(
            o1=float(np.exp(np.log(values).mean()) / np.sqrt(measurements)),
            o2=smallest / largest,
            o3=smallest,
            o4=smallest * smallest / largest,
            o5=float(1.0 / (1.0 / values).sum()),
            rank=rank,
            blindest=directions[-1],
        )


def most_telling(
    candidates: Sequence[Floats] | Floats, covariance: Floats, count: int
) -> tuple[int, ...]:
    """Choose measurements one after another, each by what it adds to those before.

    Each is that by which the determinant of the covariance falls most, which makes O1 largest. The
    determinant falls by that of ``1 + J C J'``, with the rows J of a candidate and the covariance
    C before it.

    Parameters
    ----------
    candidates
        Rows of each measurement, shape (rows, unknowns), divided by its standard deviation.
    covariance
        Of the unknowns as they are known already, shape (unknowns, unknowns).
    count
        How many to choose.

    Returns
    -------
    tuple of int
        Places in `candidates`, in the order of the choice; none is chosen twice.

    """
    rows = np.array(candidates)
    # J C of all candidates; C falls with each choice, and J C with it.
    carried = rows @ covariance
    left = np.ones(len(rows), dtype=np.bool_)
    chosen: list[int] = []
    for _ in range(min(count, len(rows))):
        spread = np.eye(rows.shape[1]) + carried @ rows.swapaxes(1, 2)
        gain = np.where(left, np.linalg.slogdet(spread).logabsdet, -np.inf)
        best = int(np.argmax(gain))
        chosen.append(best)
        left[best] = False
        seen = carried[best].T @ np.linalg.solve(spread[best], carried[best])
        carried = carried - rows @ seen
    return tuple(chosen)
