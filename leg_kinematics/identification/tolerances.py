# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How far what was built may be from what was drawn, and how well a person reads."""

from dataclasses import dataclass
from math import radians


@dataclass(frozen=True)
class Tolerances:
    """Standard deviations of all that is not known exactly.

    A builder's "± 2 mm", anything within which is as likely, has a standard deviation of 1.2 mm: of
    an even distribution, half its width over the root of 3. In the same way "± 1 mm" has 0.6 mm,
    "± 2 degrees" 1.2 degrees, and "bent by up to 3 degrees" 1.7 degrees. That of "± 0.5 mm, nearly
    always" is half of it. Common practice, no source, and our own.

    Attributes
    ----------
    length
        Of each of the three links of a leg, m.
    mount_position
        Of a mount in the body, for each of x, y and z, m.
    mount_angle
        Of a mount in the body, about each of its axes, rad.
    bend
        Of a servo: of the second to the sixth coefficient by which its angle is more than a
        straight line over its pulse, rad. They fall as those of a wave do that is as long as the
        range of a servo.
    lag, lag_spread
        What slack and dead band leave of a joint's way, on either side: expected, and its standard
        deviation, rad.
    marker
        Of the centre of a marker from the tip of its foot, for each axis, m.
    ground_position, ground_angle
        Of the ground, or of the sheet on it, from where it is expected below the robot, m and rad.
    protractor
        Of an angle that is read off, rad.
    ruler
        Of a coordinate that is read off a ruler or a printed grid, m.
    touch
        Of the height of a foot that just touches the ground, m.

    """

    length: float = 1.2e-3
    mount_position: float = 0.6e-3
    mount_angle: float = radians(1.2)
    bend: tuple[float, float, float, float, float] = (
        radians(1.7),
        radians(1.2),
        radians(0.6),
        radians(0.22),
        radians(0.07),
    )
    lag: float = radians(0.3)
    lag_spread: float = radians(0.3)
    marker: float = 0.5e-3
    ground_position: float = 20.0e-3
    ground_angle: float = radians(3.0)
    protractor: float = radians(0.5)
    ruler: float = 0.25e-3
    touch: float = 0.2e-3
