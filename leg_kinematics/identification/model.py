# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is unknown of a robot, and where its feet are if one knew.

The angle of a joint over its pulse is a sum of Chebyshev polynomials of degree 0 to 6 in the pulse,
scaled to -1 … 1 over the pulses that the joint may have. Coming from a known side, the joint stays
behind by its lag. A leg has three lengths and a mount; its marker, where one was seen, has a place
in the frame of the tibia (x along it, z up in the plane of the leg). The ground has a pose in
`base_link`, another one in each placement.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.calibration.foot_readings import Triple
from leg_kinematics.calibration.least_squares import Estimate

Floats = NDArray[np.float64]

#: Degree of the polynomials by which an angle depends on a pulse.
DEGREE = 6


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
