# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Places as people say them are points of the body's frame."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.moves.places import Frame, LegFrames, Place
from leg_kinematics.robot import Mount, Robot, Vector

coordinates = st.floats(-0.5, 0.5)
points = st.tuples(coordinates, coordinates, coordinates)


@pytest.fixture(scope='session')
def robot(calibrated: CalibratedRobot) -> Robot:
    """Return bracken."""
    return calibrated.robot


@pytest.mark.parametrize(
    ('place', 'expected'),
    [
        # By hand. The mount of left_front is at (115, 60, 0) mm, turned by 40 deg to the left:
        # outwards is (cos 40, sin 40) = (0.766044, 0.642788), and to the left of that
        # (-0.642788, 0.766044). The foot rests 125 mm out and 30 mm down:
        # (115 + 95.7556, 60 + 80.3485, -30) = (210.7556, 140.3485, -30) mm.
        (Place(Frame.RESTING, 0.0, 0.0, 0.0), (0.2107556, 0.1403485, -0.030)),
        # 40 mm outwards: 40 (0.766044, 0.642788) = (30.6418, 25.7115) more.
        (Place(Frame.RESTING, x=0.040), (0.2413974, 0.1660600, -0.030)),
        # And 40 mm down.
        (Place(Frame.RESTING, x=0.040, z=-0.040), (0.2413974, 0.1660600, -0.070)),
        # 10 mm to the left of outwards: 10 (-0.642788, 0.766044) = (-6.4279, 7.6604) more.
        (Place(Frame.RESTING, y=0.010), (0.2043277, 0.1480089, -0.030)),
        # In the mount frame the foot rests at (125, 0, -30) mm.
        (Place(Frame.LEG, x=0.165), (0.2413974, 0.1660600, -0.030)),
        (Place(Frame.LEG, y=0.010, z=-0.070), (0.2043277, 0.1480089, -0.070)),
        (Place(Frame.BODY, x=0.2), (0.2, 0.1403485, -0.030)),
        (Place(Frame.BODY), (0.2107556, 0.1403485, -0.030)),
    ],
)
def test_a_move_from_rest_worked_by_hand(robot: Robot, place: Place, expected: Vector) -> None:
    """What is not given stays as it is; rounded to a tenth of a micrometre."""
    goal = LegFrames(robot).goal('left_front', place, robot.resting.feet[0])
    assert goal == pytest.approx(expected, abs=1e-7)


def test_coordinates_that_are_kept_are_those_of_the_frame(robot: Robot) -> None:
    """40 mm outwards and back the foot has been nowhere, wherever it was to the left and above."""
    frames = LegFrames(robot)
    foot = frames.point('left_front', Frame.RESTING, (0.0, 0.013, 0.021))
    out = frames.goal('left_front', Place(Frame.RESTING, x=0.040), foot)
    assert frames.coordinates('left_front', Frame.RESTING, out) == pytest.approx(
        (0.040, 0.013, 0.021), abs=1e-12
    )
    back = frames.goal('left_front', Place(Frame.RESTING, x=0.0), out)
    assert back == pytest.approx(foot, abs=1e-12)


@given(points, st.sampled_from(list(Frame)), st.tuples(*3 * [st.floats(-1.5, 1.5)]))
def test_frames_lead_there_and_back(
    calibrated: CalibratedRobot, point: Vector, frame: Frame, rpy: Vector
) -> None:
    """Coordinates of a point lead to the point, however its mount is turned."""
    leg = calibrated.robot.legs[0]
    turned = replace(leg, mount=Mount(leg.mount.position, rpy))
    frames = LegFrames(replace(calibrated.robot, legs=(turned, *calibrated.robot.legs[1:])))
    there = frames.coordinates('left_front', frame, point)
    assert frames.point('left_front', frame, there) == pytest.approx(point, abs=1e-12)


def test_a_foot_that_rests_below_its_mount_moves_along_the_body(robot: Robot) -> None:
    """Without a way outwards, x is forward."""
    x, y, _ = robot.legs[0].mount.position
    resting = replace(robot.resting, feet=((x, y, -0.1), *robot.resting.feet[1:]))
    frames = LegFrames(replace(robot, resting=resting))
    goal = frames.goal('left_front', Place(Frame.RESTING, x=0.010), resting.feet[0])
    assert goal == pytest.approx((x + 0.010, y, -0.1))
