# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Robots that nobody knows, measured by photographs: where their feet land then.

As in `robot_campaign`, but instead of the ruler there are photographs: ten poses of all legs
together, two photographs of each, and four touches of the ground with each foot. Markers are off
the tips by a standard deviation of 0.25 mm in each direction, prints are up to 0.5 % too large or
too small, the bar of 250 mm is read within 0.2 mm (95 %), and corners are found two to three times
worse than in rendered photographs of 12 megapixels. Bounds are our own.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import radians
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from leg_kinematics.identification.evidence import FootSeen

if TYPE_CHECKING:
    from test.photographer import Photographer, on_tibia
    from test.robot_campaign import Measured, Way, by_ground, campaign
    from test.unknown_robot import Floats, UnknownLeg
else:
    from photographer import Photographer, on_tibia
    from robot_campaign import Measured, Way, by_ground, campaign
    from unknown_robot import Floats, UnknownLeg

#: Standard deviation of the middle of a marker from the tip, along each axis, m.
MARKER = 0.25e-3

#: How high feet are above the ground in photographs, m.
ABOVE = (0.015, 0.100)

#: Poses in which a marker looks farther aside than this are not taken.
UPRIGHT = 0.65


def by_photographs(views: Sequence[int]) -> Way:
    """Photograph poses of all legs together, each so many times."""

    def measure(robot: Measured) -> None:
        rng = robot.rng
        legs = {
            name: replace(leg, marker=rng.normal(0.0, MARKER, 3))
            for name, leg in robot.true.legs.items()
        }
        robot.true = replace(robot.true, legs=legs)
        person = Photographer.draw(rng)
        stands = {}
        for pose, times in enumerate(views):
            markers = {}
            for name, leg in legs.items():
                stand = robot.true.stand(rng, name, robot.ground, ABOVE)
                while upright(robot, leg, stand.pulses_us, stand.sides)[2, 2] < UPRIGHT:
                    stand = robot.true.stand(rng, name, robot.ground, ABOVE)
                stands[pose, name] = stand
                point = leg.point(stand.pulses_us, stand.sides, marker=True)
                attitude = upright(robot, leg, stand.pulses_us, stand.sides)
                markers[name] = (attitude, robot.ground.seen(point))
            person.take(pose, markers, times)
        for key, foot in person.result(tuple(legs)).feet.items():
            seen = FootSeen(stands[key], 1, foot.position, foot.covariance, point='marker')
            robot.feet.append(seen)

    return measure


def upright(
    robot: Measured,
    leg: UnknownLeg,
    pulses_us: tuple[float, float, float],
    sides: tuple[int, int, int],
) -> Floats:
    """Return the attitude of a marker in the frame of the ground, shape (3, 3)."""
    coxa, femur, tibia = (
        radians(leg.stands(joint, pulse, side))
        for joint, (pulse, side) in enumerate(zip(pulses_us, sides, strict=True))
    )
    mount = Rotation.from_euler('xyz', leg.leg.mount.rpy) * leg.turn
    found: Floats = (robot.ground.turn.inv() * mount * on_tibia((coxa, femur, tibia))).as_matrix()
    return found


def test_a_robot_by_photographs() -> None:
    """One robot, all six legs."""
    result = campaign(1, by_photographs([2] * 10), by_ground(4))
    assert np.median(result.after) < 0.6
    assert np.percentile(result.after, 95.0) < 1.5


@pytest.mark.soak
def test_many_robots_by_photographs() -> None:
    """Of 200 robots the feet are within 0.5 mm in the median and 1.2 mm at 95 %."""
    result = campaign(200, by_photographs([2] * 10), by_ground(4))
    assert np.median(result.after) <= 0.5
    assert np.percentile(result.after, 95.0) <= 1.2
    for covered in (result.feet_covered, result.values_covered, result.angles_covered):
        assert np.mean(covered) > 0.9
