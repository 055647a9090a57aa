# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is unknown of a robot, and where its feet are if one knew.

The angle of a joint over its pulse is a sum of Chebyshev polynomials of degree 0 to 6 in the pulse,
scaled to -1 … 1 over the pulses that the joint may have. Coming from a known side, the joint stays
behind by its lag. A leg has three lengths and a mount; its marker, where one was seen, has a place
in the frame of the tibia: x along it, y to the left, z up in the plane of the leg. The ground has a
pose in `base_link`, another one in each placement.

All angles, positions and derivatives come from the kinematics of the solver. A foot is linear in
the lengths of its leg, so that a leg of which one length is 1 and the others are 0 gives what this
length is worth; and the axes of the tibia are where such legs reach with a joint a quarter turn on.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import pi
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from transforms3d.euler import mat2euler

from leg_kinematics.calibration.foot_readings import LegStand, Triple
from leg_kinematics.calibration.least_squares import Estimate
from leg_kinematics.identification.tolerances import Tolerances
from leg_kinematics.robot import SEGMENTS, Leg
from leg_kinematics.solver import LegGeometry, MountTransform, forward_batch, jacobian_batch

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

#: Degree of the polynomials by which an angle depends on a pulse.
DEGREE = 6

#: Unknowns of a joint: its coefficients and its lag.
OF_JOINT = DEGREE + 2

#: What is not known beforehand has this standard deviation, rad: more than a turn.
WIDE = 10.0

#: Legs of a single length, and by how much their joints are turned on, rad: what lengths of coxa,
#: femur and tibia are worth, and what a marker in front, to the left and above of the tip is.
UNIT_LEGS = (
    (LegGeometry(1.0, 0.0, 0.0), (0.0, 0.0, 0.0)),
    (LegGeometry(0.0, 1.0, 0.0), (0.0, 0.0, 0.0)),
    (LegGeometry(0.0, 0.0, 1.0), (0.0, 0.0, 0.0)),
    (LegGeometry(0.0, 0.0, 1.0), (0.0, 0.0, 0.0)),
    (LegGeometry(1.0, 0.0, 0.0), (pi / 2.0, 0.0, 0.0)),
    (LegGeometry(0.0, 0.0, 1.0), (0.0, 0.0, pi / 2.0)),
)

AXES: tuple[Literal['x', 'y', 'z'], ...] = ('x', 'y', 'z')


@dataclass(frozen=True)
class Stands:
    """How servos of legs stood, as columns.

    Attributes
    ----------
    legs
        Places of the legs in the model, shape (n,).
    design
        By which coefficients and lag of each joint its angle is made, shape (n, 3, 8).

    """

    legs: Places
    design: Floats

    def __len__(self) -> int:
        """Return how many."""
        return len(self.legs)


@dataclass(frozen=True)
class Model:
    """The unknowns of a robot.

    They are one vector: for each leg 8 of coxa, femur and tibia (coefficients, lag), 3 lengths,
    position and turn of the mount beyond the described one (3 + 3), and, where markers were seen,
    the place of the marker (3); then for each placement position and turn of the ground beyond
    where it is expected (3 + 3). Turns are rotation vectors about the axes of what is turned.

    Attributes
    ----------
    legs
        As described.
    spans_us
        Lowest and highest pulse of each joint, µs, by joint.
    signs
        By joint, 1 where a longer pulse turns it the positive way, else -1.
    height
        Of `base_link` above the ground, as expected, m.
    placements
        Their numbers.
    marker
        Where the middle of each marker is expected, from the tip of its foot and in the frame of
        the tibia, m; None where no markers were seen.

    """

    legs: tuple[Leg, ...]
    spans_us: Mapping[str, tuple[float, float]]
    signs: Mapping[str, int]
    height: float
    placements: tuple[int, ...]
    marker: Triple | None

    # ---- what is unknown

    @property
    def markers(self) -> bool:
        """Whether markers were seen."""
        return self.marker is not None

    @property
    def of_leg(self) -> int:
        """How many unknowns a leg has."""
        return 3 * OF_JOINT + 9 + 3 * self.markers

    @property
    def of_legs(self) -> int:
        """How many unknowns all legs have; those of the placements follow."""
        return len(self.legs) * self.of_leg

    def __len__(self) -> int:
        """Return how many unknowns there are."""
        return self.of_legs + 6 * len(self.placements)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Of the unknowns."""
        parts = [*(f'c{power}' for power in range(DEGREE + 1)), 'lag']
        found = []
        for leg in self.legs:
            found += [f'{joint}.{part}' for joint in leg.joints for part in parts]
            found += [f'{leg.name}.{segment}' for segment in SEGMENTS]
            found += [f'{leg.name}.mount_{axis}' for axis in AXES]
            found += [f'{leg.name}.mount_turn_{axis}' for axis in AXES]
            found += [f'{leg.name}.marker_{axis}' for axis in AXES if self.markers]
        for number in self.placements:
            found += [f'placement_{number}.{axis}' for axis in AXES]
            found += [f'placement_{number}.turn_{axis}' for axis in AXES]
        return tuple(found)

    @cached_property
    def places(self) -> Mapping[str, int]:
        """Place of each unknown, by name."""
        return {name: place for place, name in enumerate(self.names)}

    @cached_property
    def place_of_leg(self) -> Mapping[str, int]:
        """Place of each leg, by name."""
        return {leg.name: place for place, leg in enumerate(self.legs)}

    def place_of_joint(self, joint: str) -> slice:
        """Return where its coefficients and its lag are."""
        first = self.places[f'{joint}.c0']
        return slice(first, first + OF_JOINT)

    def expected(self, tolerances: Tolerances) -> tuple[Floats, Floats]:
        """Return what is expected of all unknowns before anything is measured.

        Returns
        -------
        tuple
            Values and standard deviations, shape (n,) each.

        """
        joint = [0.0] * (DEGREE + 1) + [tolerances.lag]
        joint_spread = [WIDE, WIDE, *tolerances.bend, tolerances.lag_spread]
        values: list[float] = []
        for leg in self.legs:
            values += 3 * joint + [link.length for link in leg.links]
            values += [0.0] * 6 + list(self.marker or ())
        values += [0.0] * (6 * len(self.placements))
        spreads = 3 * joint_spread + [tolerances.length] * 3
        spreads += [tolerances.mount_position] * 3 + [tolerances.mount_angle] * 3
        spreads += [tolerances.marker] * (3 * self.markers)
        spreads *= len(self.legs)
        ground = [tolerances.ground_position] * 3 + [tolerances.ground_angle] * 3
        spreads += ground * len(self.placements)
        return np.array(values), np.array(spreads)

    # ---- what is measured

    def design(self, joint: str, pulses_us: Floats, sides: Floats) -> Floats:
        """Return by which coefficients and lag an angle is made, shape (n, 8).

        Parameters
        ----------
        joint
            Its name.
        pulses_us
            At which it stands, µs, shape (n,).
        sides
            1 where the pulse rose to its value, -1 where it fell, 0 for the middle, shape (n,).

        """
        low, high = self.spans_us[joint]
        scaled = (2.0 * pulses_us - low - high) / (high - low)
        bends = np.polynomial.chebyshev.chebvander(scaled, DEGREE)
        return np.column_stack([bends, -self.signs[joint] * sides])

    def stands(self, stands: Sequence[LegStand]) -> Stands:
        """Take stands of legs into columns."""
        legs = np.array([self.place_of_leg[each.leg] for each in stands], dtype=np.intp)
        pulses = np.array([each.pulses_us for each in stands], dtype=np.float64).reshape(-1, 3)
        sides = np.array([each.sides for each in stands], dtype=np.float64).reshape(-1, 3)
        design = np.empty((len(legs), 3, OF_JOINT))
        for place, leg in enumerate(self.legs):
            of_leg = legs == place
            for axis, joint in enumerate(leg.joints):
                design[of_leg, axis] = self.design(joint, pulses[of_leg, axis], sides[of_leg, axis])
        return Stands(legs, design)

    def in_body(self, values: Floats, stands: Stands, of_marker: Floats) -> tuple[Floats, Floats]:
        """Place feet, or the markers on them, in `base_link`.

        Parameters
        ----------
        values
            Of the unknowns, shape (n,).
        stands
            How the servos stand.
        of_marker
            For each stand 1 for its marker, 0 for the tip of the foot, shape (m,).

        Returns
        -------
        tuple
            Positions, m, shape (m, 3), and their derivatives by the unknowns of the own leg, shape
            (m, 3, `of_leg`).

        """
        own = values[: self.of_legs].reshape(-1, self.of_leg)[stands.legs]
        joints, rest = own[:, : 3 * OF_JOINT], own[:, 3 * OF_JOINT :]
        angles = np.einsum('kij,kij->ki', stands.design, joints.reshape(-1, 3, OF_JOINT))
        lengths = rest[:, :3]
        if self.markers:
            lengths = np.concatenate([lengths, rest[:, 9:] * of_marker[:, None]], axis=1)
        units = UNIT_LEGS[: lengths.shape[1]]
        by_length = np.stack([forward_batch(unit, angles + on) for unit, on in units], axis=2)
        by_angle = np.stack([jacobian_batch(unit, angles + on) for unit, on in units], axis=3)
        in_mount = np.einsum('kij,kj->ki', by_length, lengths)
        of_joints = (
            np.einsum('kiaj,kj->kia', by_angle, lengths)[:, :, :, None] * stands.design[:, None]
        )

        turned, by_turn = rotated(rest[:, 6:9], in_mount)
        rotation = self._mount_rotations[stands.legs]
        matrix = rotation @ Rotation.from_rotvec(rest[:, 6:9]).as_matrix()
        positions = np.einsum('kij,kj->ki', rotation, turned)
        positions += self._mount_positions[stands.legs] + rest[:, 3:6]
        derivatives = np.empty((len(stands), 3, self.of_leg))
        derivatives[:, :, : 3 * OF_JOINT] = matrix @ of_joints.reshape(-1, 3, 3 * OF_JOINT)
        derivatives[:, :, 24:27] = matrix @ by_length[:, :, :3]
        derivatives[:, :, 27:30] = np.eye(3)
        derivatives[:, :, 30:33] = rotation @ by_turn
        if self.markers:
            derivatives[:, :, 33:] = matrix @ by_length[:, :, 3:] * of_marker[:, None, None]
        return positions, derivatives

    def on_ground(
        self, values: Floats, stands: Stands, placements: Places, of_marker: Floats
    ) -> tuple[Floats, Floats]:
        """Place feet, or the markers on them, in the frame of the ground.

        Parameters
        ----------
        values
            Of the unknowns, shape (n,).
        stands
            How the servos stand.
        placements
            For each stand the place of its placement among those of the model, shape (m,).
        of_marker
            As for `in_body`.

        Returns
        -------
        tuple
            Positions, m, shape (m, 3), and their derivatives by the unknowns of the own leg and of
            the own placement, shape (m, 3, `of_leg` + 6); `columns` tells which these are.

        """
        in_body, by_leg = self.in_body(values, stands, of_marker)
        ground = values[self.of_legs :].reshape(-1, 6)[placements]
        away = in_body - ground[:, :3] + (0.0, 0.0, self.height)
        positions, by_turn = rotated(-ground[:, 3:], away)
        inverse = Rotation.from_rotvec(-ground[:, 3:]).as_matrix().reshape(-1, 3, 3)
        return positions, np.concatenate([inverse @ by_leg, -inverse, -by_turn], axis=2)

    def columns(self, stands: Stands, placements: Places) -> Places:
        """Return places of the unknowns of the own leg and placement, shape (m, `of_leg` + 6)."""
        legs = self.of_leg * stands.legs[:, None] + np.arange(self.of_leg)
        grounds = self.of_legs + 6 * placements[:, None] + np.arange(6)
        return np.concatenate([legs, grounds], axis=1)

    def feet(self, values: Floats, stands: Stands) -> tuple[Floats, Floats]:
        """Place tips of feet in `base_link`.

        Returns
        -------
        tuple
            Positions, m, shape (m, 3), and their derivatives by all unknowns, shape (m, 3, n).

        """
        positions, by_leg = self.in_body(values, stands, np.zeros(len(stands)))
        derivatives = np.zeros((len(stands), 3, len(self)))
        columns = self.of_leg * stands.legs[:, None] + np.arange(self.of_leg)
        np.put_along_axis(derivatives, columns[:, None, :], by_leg, axis=2)
        return positions, derivatives

    def mount_rpy(self, values: Floats, leg: str) -> Triple:
        """Return fixed-axis roll, pitch and yaw of a mount, rad."""
        first = self.places[f'{leg}.mount_turn_x']
        turn = Rotation.from_rotvec(values[first : first + 3]).as_matrix()
        roll, pitch, yaw = mat2euler(self._mount_rotations[self.place_of_leg[leg]] @ turn, 'sxyz')
        return (float(roll), float(pitch), float(yaw))

    @cached_property
    def _mount_rotations(self) -> Floats:
        return np.array([MountTransform.of(leg.mount).rotation for leg in self.legs])

    @cached_property
    def _mount_positions(self) -> Floats:
        return np.array([leg.mount.position for leg in self.legs])


def rotated(turns: Floats, points: Floats) -> tuple[Floats, Floats]:
    """Turn points by rotation vectors.

    The derivative is that of the exponential map, exp(w + d) = exp(w) exp(J d) to first order,
    where J = 1 - (1 - cos a) / a² [w] + (a - sin a) / a³ [w]², a = |w|, [w] the matrix of the cross
    product with w (the right Jacobian of rotations; from memory).

    Parameters
    ----------
    turns
        rad, shape (n, 3), less than a turn each.
    points
        Shape (n, 3).

    Returns
    -------
    tuple
        The points turned, shape (n, 3), and their derivatives by the turns, shape (n, 3, 3).

    """
    matrices = Rotation.from_rotvec(turns).as_matrix().reshape(-1, 3, 3)
    angles = np.linalg.norm(turns, axis=1)[:, None, None]
    # (1 - cos a) / a² and (a - sin a) / a³ by their first terms where a quotient would lose digits.
    small = angles < 1e-2
    safe = np.where(small, 1.0, angles)
    first = np.where(small, 0.5 - angles**2 / 24.0, (1.0 - np.cos(safe)) / safe**2)
    second = np.where(small, 1.0 / 6.0 - angles**2 / 120.0, (safe - np.sin(safe)) / safe**3)
    cross = _crosses(turns)
    right = np.eye(3) - first * cross + second * (cross @ cross)
    derivatives = -matrices @ _crosses(points) @ right
    return np.einsum('kij,kj->ki', matrices, points), derivatives


def _crosses(vectors: Floats) -> Floats:
    """Return the matrices of the cross product with vectors, shape (n, 3, 3)."""
    x, y, z = vectors.T
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)


@dataclass(frozen=True)
class IdentifiedJoint:
    """How the angle of a joint follows its pulse.

    Attributes
    ----------
    name
        Of the joint.
    span_us
        Lowest and highest pulse that the joint may have, µs.
    coefficients
        Of the Chebyshev polynomials of degree 0 to 6, rad.
    lag
        By how much it stays behind on either side, rad.

    """

    name: str
    span_us: tuple[float, float]
    coefficients: tuple[float, ...]
    lag: Estimate

    @property
    def sign(self) -> int:
        """1 where a longer pulse turns the joint the positive way, else -1."""
        return 1 if self.coefficients[1] > 0.0 else -1

    def angle(self, pulse_us: float) -> float:
        """Return the angle at a pulse in µs, in the middle between both approaches, rad."""
        low, high = self.span_us
        scaled = (2.0 * pulse_us - low - high) / (high - low)
        return float(np.polynomial.chebyshev.chebval(scaled, self.coefficients))


@dataclass(frozen=True)
class IdentifiedLeg:
    """What a leg is in truth.

    Attributes
    ----------
    name
        Of the leg.
    lengths
        Of coxa, femur and tibia, m.
    position
        Of the mount in `base_link`: x, y, z, m.
    turn
        By which the described mount has to be turned about its own axes: a rotation vector, rad.
    rpy
        Of the mount, turned so: fixed-axis roll, pitch and yaw, rad (REP 103).
    marker
        Centre of the marker from the tip of the foot, in the frame of the tibia, m; None where no
        marker was seen.

    """

    name: str
    lengths: tuple[Estimate, Estimate, Estimate]
    position: tuple[Estimate, Estimate, Estimate]
    turn: tuple[Estimate, Estimate, Estimate]
    rpy: Triple
    marker: tuple[Estimate, Estimate, Estimate] | None
