# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The walk as a viewer draws it: cases by hand on the standing robot."""

from dataclasses import replace
from math import pi
from pathlib import Path

import pytest
import yaml
from builtin_interfaces.msg import Time
from rclpy.serialization import deserialize_message, serialize_message
from visualization_msgs.msg import Marker, MarkerArray

from leg_kinematics.gait import GaitSample, GaitState, Offset, Pose, Twist
from leg_kinematics.nodes.translation.frames import FRAMES
from leg_kinematics.nodes.translation.markers import (
    GREEN,
    ORANGE,
    RED,
    feet_in_odom,
    gait_markers,
)
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, centre_of_mass, static_margin

RVIZ = Path(__file__).parents[2] / 'config' / 'rviz' / 'legs.rviz'

STAMP = Time(sec=1_800_000_000)


@pytest.fixture
def standing(bracken: Robot) -> GaitSample:
    """Stand at the origin of `odom`."""
    return GaitSample(
        feet=bracken.standing.feet,
        velocities=((0.0, 0.0, 0.0),) * len(bracken.legs),
        standing=(True,) * len(bracken.legs),
        pose=Pose(),
        twist=Twist(),
        height=bracken.standing.height,
        state=GaitState.STANDING,
        limit='',
    )


def test_they_are_in_the_frame_that_is_given(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], standing: GaitSample
) -> None:
    """All of them."""
    markers = gait_markers(STAMP, bracken, bracken_legs, standing, 'field').markers
    assert {marker.header.frame_id for marker in markers} == {'field'}


def draw(robot: Robot, legs: tuple[LegSolver, ...], sample: GaitSample) -> dict[str, Marker]:
    """Draw a tick, send it over the wire, and return the markers by name."""
    wired = deserialize_message(
        serialize_message(gait_markers(STAMP, robot, legs, sample)), MarkerArray
    )
    for marker in wired.markers:
        assert (marker.header.frame_id, marker.header.stamp) == ('odom', STAMP)
        assert marker.lifetime.sec == 1
        assert marker.color.a > 0.0
        assert marker.scale.x > 0.0
    markers = {marker.ns: marker for marker in wired.markers}
    assert len(markers) == len(wired.markers)
    return markers


def points(marker: Marker) -> list[tuple[float, float, float]]:
    """Return the points of a marker."""
    return [(point.x, point.y, point.z) for point in marker.points]


def test_a_standing_robot(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], standing: GaitSample
) -> None:
    """Six green feet on the ground, a closed polygon through them, and no arrow."""
    markers = draw(bracken, bracken_legs, standing)
    assert set(markers) == {'feet', 'support', 'centre_of_mass', 'margin'}
    on_ground = [pytest.approx((x, y, 0.0), abs=1e-12) for x, y, _ in bracken.standing.feet]
    assert points(markers['feet']) == on_ground
    assert markers['feet'].type == Marker.SPHERE_LIST
    assert markers['feet'].colors == [GREEN] * 6
    support = points(markers['support'])
    assert markers['support'].type == Marker.LINE_STRIP
    assert markers['support'].color == GREEN
    assert support[0] == support[-1]
    assert len(support) == 7
    assert sorted(support[1:]) == sorted(points(markers['feet']))
    posture = [
        leg.angles(foot) for leg, foot in zip(bracken_legs, bracken.standing.feet, strict=True)
    ]
    x, y, _ = centre_of_mass(bracken, bracken_legs, posture)
    assert points(markers['centre_of_mass']) == [pytest.approx((x, y, 0.0), abs=1e-12)]


def test_a_tripod_and_a_robot_that_would_fall(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], standing: GaitSample
) -> None:
    """Feet in the air are orange and hold nothing; a polygon beside the weight is red."""
    tripod = replace(standing, standing=(True, False, True, False, True, False))
    markers = draw(bracken, bracken_legs, tripod)
    assert markers['feet'].colors == [GREEN, ORANGE] * 3
    assert len(points(markers['support'])) == 4
    left = tuple(leg.mount.position[1] > 0.0 for leg in bracken.legs)
    markers = draw(bracken, bracken_legs, replace(standing, standing=left))
    assert markers['support'].color == RED


def test_the_margin_is_written_above_the_weight(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], standing: GaitSample
) -> None:
    """In millimetres; of a polygon that the weight is beside it is negative, and red."""
    markers = draw(bracken, bracken_legs, standing)
    text, weight = markers['margin'], points(markers['centre_of_mass'])[0]
    assert text.type == Marker.TEXT_VIEW_FACING
    assert (text.pose.position.x, text.pose.position.y) == weight[:2]
    margin = static_margin([(x, y) for x, y, _ in bracken.standing.feet], weight[:2])
    assert text.text == f'margin {round(1e3 * margin)} mm'
    left = tuple(leg.mount.position[1] > 0.0 for leg in bracken.legs)
    falling = draw(bracken, bracken_legs, replace(standing, standing=left))['margin']
    assert falling.text.startswith('margin -')
    assert falling.color == RED


def test_paths_lead_from_where_the_feet_were(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], standing: GaitSample
) -> None:
    """Two ends for each leg between two moments."""
    moved = replace(standing, pose=Pose(0.05, 0.0, 0.0))
    passed = [feet_in_odom(standing), feet_in_odom(moved)]
    found = {
        marker.ns: marker
        for marker in gait_markers(STAMP, bracken, bracken_legs, moved, passed=passed).markers
    }
    ends = points(found['paths'])
    assert found['paths'].type == Marker.LINE_LIST
    assert len(ends) == 2 * len(bracken.legs)
    for before, after in zip(ends[::2], ends[1::2], strict=True):
        assert after == pytest.approx((before[0] + 0.05, *before[1:]))


def test_everything_is_where_the_walk_is(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], standing: GaitSample
) -> None:
    """2 m to the left and turned to the left, 50 mm/s ahead is 50 mm along y."""
    moved = replace(standing, pose=Pose(0.0, 2.0, pi / 2), twist=Twist(0.05, 0.0, 0.1))
    markers = draw(bracken, bracken_legs, moved)
    turned = [pytest.approx((-y, 2.0 + x, 0.0), abs=1e-12) for x, y, _ in bracken.standing.feet]
    assert points(markers['feet']) == turned
    height = bracken.standing.height
    assert markers['velocity'].type == Marker.ARROW
    assert points(markers['velocity']) == [
        pytest.approx((0.0, 2.0, height), abs=1e-12),
        pytest.approx((0.0, 2.05, height), abs=1e-12),
    ]


def test_a_tilted_body_keeps_its_feet_on_the_ground(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], standing: GaitSample
) -> None:
    """Feet as the tilted body sees them are drawn where they stand; the weight goes along."""
    offset = Offset((0.004, 0.0, 0.003), (0.05, -0.04, 0.06))
    height = bracken.standing.height
    seen = tuple(offset.see((x, y, -height)) for x, y, _ in bracken.standing.feet)
    markers = draw(bracken, bracken_legs, replace(standing, feet=seen, offset=offset))
    on_ground = [pytest.approx((x, y, 0.0), abs=1e-12) for x, y, _ in bracken.standing.feet]
    assert points(markers['feet']) == on_ground
    level = points(draw(bracken, bracken_legs, standing)['centre_of_mass'])[0]
    tilted = points(markers['centre_of_mass'])[0]
    # The weight of the body goes with it, and some of that of the legs.
    assert 0.5 * 0.004 < tilted[0] - level[0] < 3.0 * 0.004


def test_the_file_for_rviz_shows_what_is_published() -> None:
    """Its displays take the topics of the chain, in the frame in which the robot walks."""
    manager = yaml.safe_load(RVIZ.read_text(encoding='utf-8'))['Visualization Manager']
    assert manager['Global Options']['Fixed Frame'] == FRAMES.odom_frame
    topics = {
        (display.get('Topic') or display.get('Description Topic', {})).get('Value')
        for display in manager['Displays']
    }
    assert {'/robot_description', '/gait/markers', '/odom'} <= topics
