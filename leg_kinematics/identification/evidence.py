# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""All that was measured at a robot, as it goes into the fit."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from leg_kinematics.calibration.foot_readings import AT_TIP, FootOnGround, LegStand, Triple
from leg_kinematics.calibration.measured import Reading


@dataclass(frozen=True)
class FootSeen:
    """A position of a foot, or of the marker on it, and how far it can be trusted.

    Attributes
    ----------
    stand
        How the servos of the leg stood meanwhile.
    placement
        Number of the placement: within one, robot and sheets stay where they are.
    position
        In the frame of that placement, z up from the ground, m.
    covariance
        Of `position`, m², shape (3, 3).
    point
        What was measured: the tip of the foot, or the centre of its marker.

    """

    stand: LegStand
    placement: int
    position: Triple
    covariance: tuple[Triple, Triple, Triple]
    point: Literal['foot', 'marker'] = 'foot'


@dataclass(frozen=True)
class Evidence:
    """All that was measured at a robot.

    Attributes
    ----------
    readings
        Angles read off, by joint.
    feet
        Positions of feet and markers.
    touches
        Where feet touched the ground.
    marker
        Where the builder has put the middle of each marker, from the tip of its foot and in the
        frame of the tibia (x along it, y to the left, z up while the leg is straight), m.

    """

    readings: Mapping[str, tuple[Reading, ...]]
    feet: tuple[FootSeen, ...] = ()
    touches: tuple[FootOnGround, ...] = ()
    marker: Triple = AT_TIP

    @property
    def all_feet(self) -> tuple[FootSeen | FootOnGround, ...]:
        """Positions, then touches."""
        return (*self.feet, *self.touches)
