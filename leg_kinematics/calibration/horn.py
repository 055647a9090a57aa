# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""At which pulse and joint angle the horn of a servo is best fitted.

The servo stands in the middle of its pulses and the joint in the middle of its range, so that as
much travel is left to one side as to the other. How far the servo turns is not known yet; what
counts is the shortest travel that its kind may have. Where that is less than the range of the
joint, what the robot uses of the range goes before what it does not use.

A horn goes on only at the teeth of its spline. Nobody is asked how many these are: the nearest
tooth is taken, and what remains is measured later.
"""

from dataclasses import dataclass
from math import pi, radians

from leg_kinematics.robot import Link

#: The most µs per rad that a hobby servo has: 14 µs per degree; common practice, no source.
STEEPEST = 14.0 / radians(1.0)

#: Of a spline. 25 is the most usual, 21 to 25 are sold; common practice, no source.
FEWEST_TEETH = 21


@dataclass(frozen=True)
class HornFitting:
    """How to fit a horn.

    Attributes
    ----------
    pulse_us
        At which the servo stands meanwhile, µs.
    angle
        To which the joint is then turned, as near as the teeth allow, rad.
    remainder
        By how much the nearest tooth may be beside that at most, rad.
    certain
        Lowest and highest joint angle that the servo reaches then, however steep it is and
        whichever tooth was the nearest, rad.

    """

    pulse_us: float
    angle: float
    remainder: float
    certain: tuple[float, float]


def horn_fitting(link: Link, used: tuple[float, float]) -> HornFitting:
    """Work out how the horn of a joint is best fitted.

    Parameters
    ----------
    link
        The link that the joint turns, with its limits and its servo.
    used
        Lowest and highest joint angle of what the robot does: resting, standing, walking; rad.

    Returns
    -------
    HornFitting
        Pulse, angle, and what is certain to be reached.

    """
    shortest, longest = link.servo.pulse_us
    remainder = pi / FEWEST_TEETH
    reach = max((longest - shortest) / STEEPEST / 2.0 - remainder, 0.0)
    lowest_used, highest_used = (min(max(angle, link.lower), link.upper) for angle in used)
    angle = (link.lower + link.upper) / 2.0
    if highest_used - lowest_used > 2.0 * reach:
        angle = (lowest_used + highest_used) / 2.0
    else:
        angle = min(max(angle, highest_used - reach), lowest_used + reach)
    return HornFitting(
        pulse_us=(shortest + longest) / 2.0,
        angle=angle,
        remainder=remainder,
        certain=(max(angle - reach, link.lower), min(angle + reach, link.upper)),
    )
