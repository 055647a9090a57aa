# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Robots that nobody knows, measured by photographs: where their feet land then.

As in `robot_campaign`, but instead of the ruler there are photographs: ten poses of all legs
together, two photographs of each, and four touches of the ground with each foot. Markers are off
the tips by a standard deviation of 0.5 mm in each direction, as the fit expects; prints are up to
0.5 % too large or too small, the bar of 250 mm is read within 0.2 mm (95 %), and corners are found
two to three times worse than in rendered photographs of 12 megapixels. Bounds are our own.
"""

from collections.abc import Mapping, Sequence
from math import radians
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from leg_kinematics.calibration.foot_readings import LegStand
from leg_kinematics.identification.evidence import FootSeen
from leg_kinematics.identification.points import poses

if TYPE_CHECKING:
    from test.photographer import Photographer, on_tibia
    from test.robot_campaign import (
        Campaign,
        Measured,
        Way,
        by_ground,
        by_touch_points,
        campaign,
        identified,
        present_maps,
        room_of,
    )
    from test.unknown_robot import Floats, UnknownLeg
else:
    from photographer import Photographer, on_tibia
    from robot_campaign import (
        Campaign,
        Measured,
        Way,
        by_ground,
        by_touch_points,
        campaign,
        identified,
        present_maps,
        room_of,
    )
    from unknown_robot import Floats, UnknownLeg

#: How high feet are above the ground in photographs, m.
ABOVE = (0.015, 0.100)

#: Poses in which a marker looks farther aside than this are not taken.
UPRIGHT = 0.65


def by_photographs(views: Sequence[int]) -> Way:
    """Photograph poses of all legs together, drawn at random, each so many times."""

    def measure(robot: Measured) -> None:
        drawn = [{name: seen_from_above(robot, name) for name in robot.true.legs} for _ in views]
        photograph(robot, list(zip(drawn, views, strict=True)))

    return measure


def by_poses(count: int) -> Way:
    """Photograph so many poses twice, those in which all legs together tell the most."""

    def measure(robot: Measured) -> None:
        chosen = poses(room_of(robot), present_maps(robot), identified(robot), count)
        photograph(robot, [({each.leg: each.stand for each in pose}, 2) for pose in chosen])

    return measure


def seen_from_above(robot: Measured, name: str) -> LegStand:
    """Draw how a leg stands so that its marker looks up."""
    while True:
        stand = robot.true.stand(robot.rng, name, robot.ground, ABOVE)
        if upright(robot, robot.true.legs[name], stand)[2, 2] >= UPRIGHT:
            return stand


def photograph(robot: Measured, posed: Sequence[tuple[Mapping[str, LegStand], int]]) -> None:
    """Photograph poses, each so many times, and see where the markers are."""
    person = Photographer.draw(robot.rng)
    for pose, (stands, times) in enumerate(posed):
        markers = {}
        for name, stand in stands.items():
            leg = robot.true.legs[name]
            point = leg.point(stand.pulses_us, stand.sides, marker=True)
            markers[name] = (upright(robot, leg, stand), robot.ground.seen(point))
        person.take(pose, markers, times)
    for (pose, name), foot in person.result(tuple(robot.true.legs)).feet.items():
        seen = FootSeen(posed[pose][0][name], 1, foot.position, foot.covariance, point='marker')
        robot.feet.append(seen)


def upright(robot: Measured, leg: UnknownLeg, stand: LegStand) -> Floats:
    """Return the attitude of a marker in the frame of the ground, shape (3, 3)."""
    coxa, femur, tibia = (
        radians(leg.stands(joint, pulse, side))
        for joint, (pulse, side) in enumerate(zip(stand.pulses_us, stand.sides, strict=True))
    )
    mount = Rotation.from_euler('xyz', leg.leg.mount.rpy) * leg.turn
    found: Floats = (robot.ground.turn.inv() * mount * on_tibia((coxa, femur, tibia))).as_matrix()
    return found


def test_a_robot_by_photographs() -> None:
    """One robot, all six legs."""
    result = campaign(1, by_photographs([2] * 10), by_ground(4))
    assert np.median(result.after) < 0.6
    assert np.percentile(result.after, 95.0) < 1.5


def hold(result: Campaign) -> None:
    """Hold what came out to what is promised: feet in mm, and 95 % intervals in 90 to 99 %."""
    assert np.median(result.before) >= 20.0
    assert np.median(result.after) <= 0.5
    assert np.percentile(result.after, 95.0) <= 1.2
    for covered in (result.feet_covered, result.values_covered, result.angles_covered):
        assert 0.90 <= np.mean(covered) <= 0.99


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_many_robots_by_photographs() -> None:
    """Of 200 robots, at random poses."""
    hold(campaign(200, by_photographs([2] * 10), by_ground(4)))


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_many_robots_by_photographs_as_they_are_led() -> None:
    """Of 200 robots, in the poses and with the touches that the survey asks for."""
    hold(campaign(200, by_poses(12), by_touch_points(2)))
