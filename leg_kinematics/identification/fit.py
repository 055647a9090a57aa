# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From angles and feet that were measured to what a robot is."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from leg_kinematics.calibration.foot_readings import LegStand, Triple
from leg_kinematics.identification.evidence import Evidence
from leg_kinematics.identification.model import Floats, IdentifiedJoint, IdentifiedLeg
from leg_kinematics.identification.suspects import Suspect
from leg_kinematics.identification.tolerances import Tolerances
from leg_kinematics.robot import Robot


@dataclass(frozen=True)
class Scatter:
    """How much measurements scatter, as a multiple of what the tolerances say; 1 or more.

    Attributes
    ----------
    readings
        Of the angles read off.
    feet
        Of the positions of feet and markers.
    touches
        Of the touches of the ground.

    """

    readings: float
    feet: float
    touches: float


@dataclass(frozen=True)
class Identified:
    """What a robot is, as far as the evidence tells.

    Where `base_link` is in the body nobody can measure: it is a matter of definition, fixed by the
    mounts as they are described. Spreads of feet are therefore those that are left after the best
    rigid motion of all feet together.

    Attributes
    ----------
    joints
        By name.
    legs
        By name.
    suspects
        Numbers that were left out.
    scatter
        Of the numbers that were not.
    names
        Of the unknowns, such as `left_front_coxa.c0`, `left_front_coxa.lag`, `left_front.femur`,
        `left_front.mount_x`, `left_front.mount_turn_z`, `left_front.marker_x`,
        `placement_1.z`, `placement_1.turn_x`.
    values
        Of the unknowns, SI, in the order of `names`, shape (n,); positions and turns of mounts are
        those from the described mount, of placements those from where the ground is expected.
    covariance
        Of the unknowns, shape (n, n).
    covariance_before
        The same without any foot: of tolerances and angles read off alone.
    reading_residuals
        By joint, for each angle read off: what was read beyond what is expected for its approach,
        rad.
    foot_residuals
        Positions given less those expected, m, shape (number of feet, 3).
    left_out
        The same where the position itself was not used: how well the others foretell it.
    touch_residuals
        Heights of the ground less those expected of the feet that touched it, m.

    """

    joints: Mapping[str, IdentifiedJoint]
    legs: Mapping[str, IdentifiedLeg]
    suspects: tuple[Suspect, ...]
    scatter: Scatter
    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    covariance_before: Floats
    reading_residuals: Mapping[str, tuple[float, ...]]
    foot_residuals: Floats
    left_out: Floats
    touch_residuals: Floats

    def foot(self, leg: str, pulses_us: Sequence[float]) -> Triple:
        """Return where the tip of a foot is in `base_link`, m.

        In the middle of slack and dead band.

        Parameters
        ----------
        leg
            Its name.
        pulses_us
            Of coxa, femur and tibia, µs.

        """
        raise NotImplementedError

    def foot_spread(self, stands: Sequence[LegStand]) -> Floats:
        """Return standard errors of feet in x, y and z of `base_link`, m, shape (n, 3).

        After the best rigid motion of all feet together.
        """
        raise NotImplementedError

    def prior_spread(self, stands: Sequence[LegStand]) -> Floats:
        """Return the same as it was before any foot was measured."""
        raise NotImplementedError

    def angle_spread(self, joint: str, pulse_us: float) -> float:
        """Return the standard error of the angle of a joint at a pulse in µs, rad."""
        raise NotImplementedError

    def learned(self, name: str) -> float:
        """Return the standard error of an unknown, as a share of what it was before any foot."""
        raise NotImplementedError


def identify(
    robot: Robot,
    spans_us: Mapping[str, tuple[float, float]],
    evidence: Evidence,
    tolerances: Tolerances = Tolerances(),  # noqa: B008 - frozen
) -> Identified:
    """Find lengths, mounts and servo maps that explain all that was measured.

    Parameters
    ----------
    robot
        As described.
    spans_us
        Lowest and highest pulse that each joint may have, µs, by joint. A leg is taken part of
        which all three joints are named here.
    evidence
        What was measured; two angles or more of each of these joints.
    tolerances
        How far what was built may be from the description, and how well was measured.

    Raises
    ------
    CalibrationError
        The evidence is not enough, or it is of joints or legs that have no span.

    """
    raise NotImplementedError
