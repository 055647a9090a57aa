# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Between `base_link` and the frame of a leg's mount, for any pose of the mount."""

from dataclasses import dataclass

from transforms3d.euler import euler2mat

from leg_kinematics.robot import Mount, Vector
from leg_kinematics.solver.kinematics.leg import Matrix


@dataclass(frozen=True, slots=True)
class MountTransform:
    """A rotation and a translation, kept as plain floats for the control tick.

    Attributes
    ----------
    rotation
        Rows of the matrix that turns mount coordinates into body coordinates, shape (3, 3).
    position
        Of the mount in `base_link`, m.

    """

    rotation: Matrix
    position: Vector

    @classmethod
    def of(cls, mount: Mount) -> 'MountTransform':
        """From position and fixed-axis roll, pitch, yaw (REP 103)."""
        rows = euler2mat(*mount.rpy, axes='sxyz').tolist()
        return cls((tuple(rows[0]), tuple(rows[1]), tuple(rows[2])), mount.position)

    def to_body(self, point: Vector) -> Vector:
        """Express a point of the mount frame in `base_link`, m."""
        x, y, z = self.turn_to_body(point)
        px, py, pz = self.position
        return (x + px, y + py, z + pz)

    def to_mount(self, point: Vector) -> Vector:
        """Express a point of `base_link` in the mount frame, m."""
        px, py, pz = self.position
        x, y, z = point[0] - px, point[1] - py, point[2] - pz
        # As in `turn_to_mount`, without a call: every foot of every tick comes by here.
        (a, b, c), (d, e, f), (g, h, i) = self.rotation
        return (a * x + d * y + g * z, b * x + e * y + h * z, c * x + f * y + i * z)

    def turn_to_body(self, vector: Vector) -> Vector:
        """Express a free vector of the mount frame in `base_link`."""
        x, y, z = vector
        (a, b, c), (d, e, f), (g, h, i) = self.rotation
        return (a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z)

    def turn_to_mount(self, vector: Vector) -> Vector:
        """Express a free vector of `base_link` in the mount frame."""
        x, y, z = vector
        (a, b, c), (d, e, f), (g, h, i) = self.rotation
        return (a * x + d * y + g * z, b * x + e * y + h * z, c * x + f * y + i * z)
