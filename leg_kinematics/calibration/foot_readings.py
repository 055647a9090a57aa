# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a person, or a camera, notes about feet while their servos stand at known pulses."""

from dataclasses import dataclass

#: A value for each joint of a leg, from the body outwards.
Triple = tuple[float, float, float]

#: Where a marker is that has its middle at the tip of its foot.
AT_TIP: Triple = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class LegStand:
    """How the servos of a leg stood.

    Attributes
    ----------
    leg
        Its name.
    pulses_us
        Of coxa, femur and tibia, at rest, µs.
    sides
        For each: 1 where the pulse rose to its value, -1 where it fell, 0 where that is not known.

    """

    leg: str
    pulses_us: Triple
    sides: tuple[int, int, int]


@dataclass(frozen=True)
class FootRead:
    """Where a foot was, by ruler and printed grid.

    Attributes
    ----------
    stand
        How its servos stood meanwhile.
    placement
        Number of the placement: robot and sheet stay where they are within one.
    position
        In the frame of the sheet, z up from the ground, m.

    """

    stand: LegStand
    placement: int
    position: Triple


@dataclass(frozen=True)
class FootOnGround:
    """A foot just touched the ground, which is flat.

    Attributes
    ----------
    stand
        How its servos stood meanwhile.
    placement
        Number of the placement.

    """

    stand: LegStand
    placement: int


@dataclass(frozen=True)
class LegPosed:
    """A leg stood like this while photographs were taken.

    Attributes
    ----------
    stand
        How its servos stood.
    placement
        Number of the placement.
    pose
        Number of the pose, which all legs take together.

    """

    stand: LegStand
    placement: int
    pose: int


@dataclass(frozen=True)
class PhotographTaken:
    """A photograph shows the robot in a pose.

    Attributes
    ----------
    pose
        Number of the pose.
    file
        Its name within the folder of photographs.

    """

    pose: int
    file: str


@dataclass(frozen=True)
class BarMeasured:
    """How long the bar on a printed sheet is in truth.

    Attributes
    ----------
    length
        m.

    """

    length: float


@dataclass(frozen=True)
class MarkersPlaced:
    """Where the middle of each marker is, at every foot alike.

    Attributes
    ----------
    position
        From the tip of the foot, in the frame of the tibia: x along it beyond the tip, y to the
        left as seen from the body, z outwards while the tibia hangs straight down, m.

    """

    position: Triple


FootEntry = FootRead | FootOnGround | LegPosed | PhotographTaken | BarMeasured | MarkersPlaced
