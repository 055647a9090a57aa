# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Points and the ways to them are safe, even with maps by which a foot is 20 mm off.

Where legs truly are is worked out here by rotations one after another and by points along the
links, not by the formulas of the package.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.distance import cdist
from scipy.spatial.transform import Rotation

from leg_kinematics.calibration import ServoMap, load_servo_maps
from leg_kinematics.calibration.measured import Approach, Reading
from leg_kinematics.errors import CommandError
from leg_kinematics.identification.approach import (
    RUN_UP_US,
    Point,
    is_clear,
    way_home,
    way_to,
    way_to_pose,
)
from leg_kinematics.identification.evidence import Evidence
from leg_kinematics.identification.fit import Identified, identify
from leg_kinematics.identification.points import HIGHEST, poses, ruler_points, touch_points
from leg_kinematics.identification.room import DOUBT, Room
from leg_kinematics.robot import Leg, Robot, Vector, load_robot
from leg_kinematics.solver import leg_solvers

if TYPE_CHECKING:
    from test.drawn_robots import drawn_robot, full_maps
else:
    from drawn_robots import drawn_robot, full_maps

Floats = NDArray[np.float64]

CONFIG = Path(__file__).parents[2] / 'config'

#: Between two postures of a way the truth is looked at so many times.
LOOKS = 9

#: Points along each link at which the truth is looked at.
ALONG = np.linspace(0.0, 1.0, 15)


@dataclass(frozen=True)
class Stood:
    """A robot on its block, with what its builder knows of it."""

    room: Room
    maps: Mapping[str, ServoMap]
    known: Identified


def stood(robot: Robot, maps: Mapping[str, ServoMap], height: float) -> Stood:
    """Put a robot on a block, with angles read off at seven pulses of each joint, both ways."""
    approaches: tuple[Approach, ...] = ('up', 'down')
    readings = {
        joint: tuple(
            Reading(pulse, each.angle(pulse), approached)
            for approached in approaches
            for pulse in np.linspace(each.lowest_us + 30.0, each.highest_us - 30.0, 7).tolist()
        )
        for joint, each in maps.items()
    }
    spans = {joint: (each.lowest_us, each.highest_us) for joint, each in maps.items()}
    legs = leg_solvers(robot, {joint: each.angle_range for joint, each in maps.items()})
    return Stood(Room(robot, legs, height), maps, identify(robot, spans, Evidence(readings)))


@cache
def bracken() -> Stood:
    """Return bracken, as high as it stands."""
    robot = load_robot(CONFIG / 'robots' / 'bracken.yaml')
    maps = load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', robot)
    return stood(robot, maps.by_joint, robot.standing.height)


@cache
def drawn(seed: int) -> Stood:
    """Return a robot of four to eight legs that is longer or shorter."""
    random = Random(seed)
    robot = drawn_robot(random, 'drawn', random.uniform(0.8, 1.4), random.randint(4, 8))
    # Where its standing height would not be enough, its builder takes a higher block.
    height = max(robot.standing.height, robot.resting.height + 0.035)
    return stood(robot, full_maps(robot).by_joint, height)


#: Bracken, and two that are drawn.
PLACES = (0, 1, 2)


def robot_at(place: int) -> Stood:
    """Return one of the robots."""
    return drawn(place) if place else bracken()


@cache
def points_of(place: int, kind: str) -> tuple[Point, ...]:
    """Return points of the first two legs of a robot."""
    robot = robot_at(place)
    choose = {'ruler': ruler_points, 'touch': touch_points}[kind]
    names = robot.room.robot.leg_names[:2]
    return tuple(
        point for name in names for point in choose(robot.room, robot.maps, robot.known, name, 8)
    )


def in_order(leg: Leg, way: Sequence[Mapping[str, float]]) -> list[Vector]:
    """Return the postures of waypoints."""
    coxa, femur, tibia = leg.joints
    return [(each[coxa], each[femur], each[tibia]) for each in way]


def links_of(leg: Leg, angles: Sequence[float]) -> tuple[Floats, Floats]:
    """Return points along the links in `base_link` and the radii around them, m.

    The tibia ends in the tip of the foot, so that there no radius is beyond it.
    """
    coxa, femur, tibia = leg.links
    one, two, last = angles
    turn = Rotation.from_euler('xyz', leg.mount.rpy) * Rotation.from_euler('z', one)
    raised = turn * Rotation.from_euler('y', -two)
    folded = raised * Rotation.from_euler('y', -last)
    joints = [np.array(leg.mount.position)]
    for rotation, link in ((turn, coxa), (raised, femur), (folded, tibia)):
        joints.append(joints[-1] + rotation.apply([link.length, 0.0, 0.0]))
    points = np.concatenate([a + ALONG[:, np.newaxis] * (b - a) for a, b in pairwise(joints)])
    radii = np.repeat([coxa.radius, femur.radius, tibia.radius], len(ALONG))
    radii[-1] = 0.0
    return points, radii


def foot(leg: Leg, angles: Sequence[float]) -> Floats:
    """Return where the foot is, m."""
    tip: Floats = links_of(leg, angles)[0][-1]
    return tip


def touches(room: Room, leg: Leg, angles: Sequence[float], others: Mapping[str, Floats]) -> str:
    """Say what a leg touches where it truly is; nothing where it is clear."""
    points, radii = links_of(leg, angles)
    if (points[:, 2] - radii).min() < -room.height:
        return 'the ground'
    # The coxa and the beginning of the femur are beside the body by the description.
    outer = slice(len(ALONG) + len(ALONG) // 2, None)
    half = 0.5 * np.array(room.robot.body.size)
    outside = points - np.clip(points, -half, half)
    if (np.linalg.norm(outside, axis=1) - radii)[outer].min() < 0.0:
        return 'the body'
    for other in room.robot.legs:
        if other.name != leg.name:
            against, around = links_of(other, others[other.name].tolist())
            if (cdist(points, against) - radii[:, np.newaxis] - around).min() < 0.0:
                return other.name
    return ''


def wrong(leg: Leg, postures: Floats, share: Sequence[float], doubt: float) -> Floats:
    """Scale errors of three joints so that no foot on a way is farther off than the doubt.

    Returns
    -------
    ndarray
        Errors of coxa, femur and tibia, rad.

    """
    errors = 0.35 * np.array(share)
    for _ in range(40):
        off = max(
            float(np.linalg.norm(foot(leg, (row + errors).tolist()) - foot(leg, row.tolist())))
            for row in postures
        )
        if off <= doubt:
            break
        errors = errors * min(0.95, doubt / off)
    return errors


def sampled(way: Sequence[Vector]) -> Floats:
    """Return postures on a way between which all joints turn evenly, shape (n, 3)."""
    shares = np.linspace(0.0, 1.0, LOOKS)[:, np.newaxis]
    return np.concatenate([np.array(a) + shares * np.subtract(b, a) for a, b in pairwise(way)])


@pytest.mark.parametrize('kind', ['ruler', 'touch'])
@pytest.mark.parametrize('place', PLACES)
def test_every_point_is_within_limits_and_pulses(place: int, kind: str) -> None:
    """As is where its joints come from, each by the run-up from its side."""
    robot = robot_at(place)
    points = points_of(place, kind)
    assert len(points) == 16
    for point in points:
        leg = robot.room.robot.legs[robot.room.robot.leg_names.index(point.leg)]
        assert point.foot == pytest.approx(foot(leg, point.angles), abs=1e-9)
        for joint, link, angle, before, pulse, side in zip(
            leg.joints, leg.links, point.angles, point.before,
            point.stand.pulses_us, point.stand.sides, strict=True,
        ):  # fmt: skip
            servo_map = robot.maps[joint]
            assert link.lower <= min(angle, before) <= max(angle, before) <= link.upper
            assert servo_map.angle(pulse) == pytest.approx(angle, abs=1e-9)
            begin = pulse - side * RUN_UP_US
            assert servo_map.angle(begin) == pytest.approx(before, abs=1e-9)
            assert servo_map.lowest_us <= min(pulse, begin)
            assert max(pulse, begin) <= servo_map.highest_us


@pytest.mark.parametrize('place', PLACES)
def test_heights_that_a_ruler_can_measure(place: int) -> None:
    """None so low that the foot may touch, none so high that nobody could measure it."""
    robot = robot_at(place)
    heights = [point.foot[2] + robot.room.height for point in points_of(place, 'ruler')]
    assert min(heights) > DOUBT
    assert max(heights) <= HIGHEST


@pytest.mark.parametrize('place', PLACES)
def test_feet_can_be_lowered_to_the_ground_and_beyond(place: int) -> None:
    """By as much as the maps may be wrong, straight down, and the leg meets nothing else."""
    robot = robot_at(place)
    legs = dict(zip(robot.room.robot.leg_names, robot.room.robot.legs, strict=True))
    resting = {name: np.array(angles) for name, angles in robot.room.resting.items()}
    for point in points_of(place, 'touch'):
        x, y, z = point.foot
        assert DOUBT < z + robot.room.height < DOUBT + 0.010
        for depth in np.linspace(z, -robot.room.height - DOUBT, 6).tolist():
            # Raises where a joint could not.
            angles = robot.room.leg(point.leg).angles((x, y, depth))
            met = touches(robot.room, legs[point.leg], angles, resting)
            assert met == ('the ground' if depth < -robot.room.height else '')


shares = st.tuples(*(st.floats(-1.0, 1.0),) * 3)


@given(
    st.sampled_from(PLACES),
    st.sampled_from(['ruler', 'touch']),
    st.integers(0, 15),
    shares,
    st.lists(shares, min_size=8, max_size=8),
)
@settings(max_examples=settings().max_examples // 3)
def test_nothing_is_touched_on_the_way_though_the_maps_are_wrong(
    place: int,
    kind: str,
    number: int,
    share: tuple[float, ...],
    other_shares: list[tuple[float, ...]],
) -> None:
    """To the point and home again; by all maps feet may be 20 mm from where they should be."""
    robot = robot_at(place)
    room = robot.room
    point = points_of(place, kind)[number]
    leg = room.robot.legs[room.robot.leg_names.index(point.leg)]
    way = [room.resting[leg.name], *in_order(leg, way_to(room, point, room.resting))]
    assert way[-2:] == [point.before, point.angles]
    way += in_order(leg, way_home(room, leg.name, {**room.resting, leg.name: point.angles}))
    assert way[-1] == room.resting[leg.name]
    for posture in way:
        room.leg(leg.name).check(posture)
    postures = sampled(way)
    errors = wrong(leg, postures, share, room.doubt)
    others = {}
    for other, each in zip(room.robot.legs, other_shares, strict=False):
        resting = np.array(room.resting[other.name])
        others[other.name] = resting + wrong(other, resting[np.newaxis], each, room.doubt)
    for row in postures + errors:
        assert touches(room, leg, row.tolist(), others) == ''


@cache
def poses_of(place: int) -> tuple[tuple[Point, ...], ...]:
    """Return poses of a robot for photographs."""
    robot = robot_at(place)
    return poses(robot.room, robot.maps, robot.known, 3)


@pytest.mark.parametrize('place', PLACES[:2])
def test_all_legs_take_poses_together(place: int) -> None:
    """From pose to pose, leg by leg, and to each from rest: nothing is touched on any way."""
    robot = robot_at(place)
    room = robot.room
    legs = dict(zip(room.robot.leg_names, room.robot.legs, strict=True))
    joints = {joint: leg.name for leg in room.robot.legs for joint in leg.joints}
    found = poses_of(place)
    assert len(found) == 3
    here = now = dict(room.resting)
    for pose in found:
        assert {point.leg for point in pose} == set(legs)
        for begin in (here, dict(room.resting)):
            now = dict(begin)
            for waypoint in way_to_pose(room, pose, now):
                (name,) = {joints[joint] for joint in waypoint}
                (posture,) = in_order(legs[name], [waypoint])
                others = {each: np.array(angles) for each, angles in now.items()}
                for row in sampled([now[name], posture]):
                    assert touches(room, legs[name], row.tolist(), others) == ''
                now[name] = posture
            assert now == {point.leg: point.angles for point in pose}
        here = now


def test_markers_are_seen_from_above() -> None:
    """One that looks straight up while its leg rests leans by no more than 40 degrees in a pose."""
    room = bracken().room
    for point in (each for pose in poses_of(0) for each in pose):
        _, *resting = room.resting[point.leg]
        # It is fastened to a tibia that points down from the horizontal by so much.
        fastened = Rotation.from_euler('y', sum(resting)).apply([0.0, 0.0, 1.0])
        coxa, *bent = point.angles
        leans = Rotation.from_euler('z', coxa) * Rotation.from_euler('y', -sum(bent))
        assert leans.apply(fastened)[2] >= np.cos(np.radians(40.001))
        assert point.foot[2] + room.height <= HIGHEST


def test_a_foot_on_the_ground_is_led_up_first() -> None:
    """Whatever the map says of it, it never goes lower than where it touched."""
    robot = bracken()
    room = robot.room
    for point in points_of(0, 'touch'):
        leg = room.robot.legs[room.robot.leg_names.index(point.leg)]
        x, y, _ = point.foot
        touched = room.leg(point.leg).angles((x, y, -room.height))
        way = in_order(leg, way_home(room, point.leg, {**room.resting, point.leg: touched}))
        heights = [foot(leg, row.tolist())[2] for row in sampled([touched, *way])]
        assert min(heights) >= -room.height - 1e-9


def test_a_way_that_is_not_clear_is_refused() -> None:
    """A foot that is asked to go into the ground is not led there."""
    room = bracken().room
    name = room.robot.leg_names[1]
    x, y, _ = room.robot.standing.feet[1]
    low = room.leg(name).angles((x, y, -room.height + 0.010))
    point = points_of(0, 'ruler')[8]
    assert point.leg == name
    down = Point(point.stand, low, low, (x, y, -room.height + 0.010))
    with pytest.raises(CommandError, match='left_middle has no way there on which it would be'):
        way_to(room, down, room.resting)
    assert not is_clear(room, name, [room.resting[name], low], room.resting)


def test_a_block_that_is_too_low() -> None:
    """It is refused with the height that is enough, and that is enough."""
    room = bracken().room
    with pytest.raises(CommandError, match='holds base_link 55 mm above the ground or more'):
        Room(room.robot, room.legs, 0.050)
    Room(room.robot, room.legs, 0.0551)


def test_the_same_points_every_time() -> None:
    """Who comes back after an interruption is asked for the same ones."""
    robot = bracken()
    again = ruler_points(robot.room, robot.maps, robot.known, 'left_front', 8)
    assert again == points_of(0, 'ruler')[:8]
