# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Rigid motions, for the first estimates."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Pose:
    """From one frame to another.

    Attributes
    ----------
    turn
        Matrix, shape (3, 3).
    shift
        m, shape (3,).

    """

    turn: Floats
    shift: Floats

    @classmethod
    def of(cls, vector: Floats, shift: Floats) -> 'Pose':
        """From a rotation vector, as OpenCV gives it, and a shift."""
        return cls(Rotation.from_rotvec(np.ravel(vector)).as_matrix(), np.ravel(shift))

    def __matmul__(self, other: 'Pose') -> 'Pose':
        """Do the other one first."""
        return Pose(self.turn @ other.turn, self.turn @ other.shift + self.shift)

    def inverse(self) -> 'Pose':
        """Return the way back."""
        return Pose(self.turn.T, -self.turn.T @ self.shift)

    def turned_from(self, other: 'Pose') -> float:
        """Return the angle between two attitudes, rad."""
        return float(Rotation.from_matrix(self.turn.T @ other.turn).magnitude())
