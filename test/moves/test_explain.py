# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How far a foot leaves its straight line, against circles, and against another kinematics.

That kinematics multiplies rotation matrices of scipy link by link (Craig, Introduction to Robotics,
chapter 3, from memory) and samples far more densely than the code under test.
"""

from collections.abc import Mapping
from dataclasses import replace
from math import acos, atan2, cos, dist, hypot, radians, sin
from pathlib import Path
from random import Random

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.moves.explain import ExplainedLine, Way, alike, effort, explain
from leg_kinematics.moves.places import Frame, LegFrames, Place
from leg_kinematics.moves.plan import Planner
from leg_kinematics.moves.steps import (
    BodyStep,
    FeetStep,
    Haste,
    Posture,
    PostureStep,
    Step,
    WaitStep,
)
from leg_kinematics.robot import Vector, load_robot
from leg_kinematics.solver import LegGeometry, LegSolver, leg_solvers

ROBOT = load_robot(Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml')
LEGS = leg_solvers(ROBOT)
RESTING = ROBOT.resting.feet
NO_LOAD = ROBOT.legs[0].coxa.servo.speed
SPEEDS: Mapping[str, float] = dict.fromkeys(ROBOT.joints, 0.5 * NO_LOAD)
TOLERANCE = 5e-4

Floats = NDArray[np.float64]


def explained(
    steps: list[Step],
    feet: tuple[Vector, ...] = RESTING,
    legs: tuple[LegSolver, ...] = LEGS,
    tolerance: float = TOLERANCE,
) -> tuple[ExplainedLine, ...]:
    """Plan steps and explain them."""
    plan = Planner(ROBOT, legs, tolerance=tolerance, speeds=SPEEDS).plan(steps, feet)
    return explain(plan, ROBOT, legs, tolerance=tolerance, speeds=SPEEDS)


def one_line(start: Vector, goal: Vector, geometry: LegGeometry | None = None) -> ExplainedLine:
    """Explain a line of the first leg between two places in its mount frame, m."""
    first = LEGS[0] if geometry is None else replace(LEGS[0], geometry=geometry)
    place = Place(Frame.LEG, *goal)
    begin = LegFrames(ROBOT).point(first.name, Frame.LEG, start)
    (line,) = explained([FeetStep({first.name: place})], (begin, *RESTING[1:]), (first, *LEGS[1:]))
    return line


def feet_of(leg: LegSolver, angles: Floats) -> Floats:
    """Multiply out where feet are in `base_link`, m, shape (n, 3)."""
    mount = ROBOT.legs[LEGS.index(leg)].mount
    turned = Rotation.from_euler('xyz', mount.rpy)
    place = np.tile(np.array(mount.position), (len(angles), 1))
    lengths = (leg.geometry.coxa, leg.geometry.femur, leg.geometry.tibia)
    axes = ((0.0, 0.0, 1.0), (0.0, -1.0, 0.0), (0.0, -1.0, 0.0))
    for length, axis, angle in zip(lengths, axes, angles.T, strict=True):
        turned = turned * Rotation.from_rotvec(np.outer(angle, axis))
        place = place + turned.apply((length, 0.0, 0.0))
    return place


def off(line: ExplainedLine, feet: Floats) -> Floats:
    """Distances of feet from the segment of a line, m, shape (n,)."""
    start, way = np.array(line.start), np.subtract(line.goal, line.start)
    share = np.clip((feet - start) @ way / (way @ way), 0.0, 1.0)
    return np.asarray(np.linalg.norm(feet - start - np.outer(share, way), axis=1))


def random_lines(count: int, tolerance: float) -> list[ExplainedLine]:
    """Explain lines between random places of random legs, where they can be followed."""
    random = Random(12)
    lines: list[ExplainedLine] = []
    while len(lines) < count:
        index = random.randrange(len(LEGS))
        leg = LEGS[index]
        start, goal = (
            leg.foot(
                (
                    random.uniform(*leg.limits[0]),
                    random.uniform(*leg.limits[1]),
                    random.uniform(*leg.limits[2]),
                )
            )
            for _ in range(2)
        )
        feet = (*RESTING[:index], start, *RESTING[index + 1 :])
        try:
            lines += explained(
                [FeetStep({leg.name: Place(Frame.BODY, *goal)})], feet, tolerance=tolerance
            )
        except LegKinematicsError:
            continue
    return lines


def test_a_sideways_line_becomes_an_arc_about_the_coxa_axis() -> None:
    """Both ends are as far from the axis: only the coxa turns, and the sagitta is r - r cos a.

    By hand: 60 mm sideways, 120 mm in front of the axis.
    """
    line = one_line((0.12, -0.03, -0.03), (0.12, 0.03, -0.03))
    radius = hypot(0.12, 0.03)
    for way in (line.together, line.alone):
        assert way.deviation == pytest.approx(radius - 0.12, rel=1e-9)
        assert way.along[way.worst] == pytest.approx(0.03)
        assert way.speeds[1:] == pytest.approx((0.0, 0.0), abs=1e-9)
    swing = 2.0 * atan2(0.03, 0.12)
    assert line.alone.duration == pytest.approx(swing / NO_LOAD)
    assert line.alone.speeds[0] == NO_LOAD
    assert line.together.speeds[0] == pytest.approx(swing / line.ours.duration)
    # The peak of the minimum-jerk law is 15/8 of the mean speed, and the line is no arc.
    assert line.ours.speeds[0] > 1.8 * line.together.speeds[0]


def test_an_upward_line_becomes_an_arc_about_the_femur_axis() -> None:
    """As far above as below that axis the knee is bent alike: only the femur turns (by hand)."""
    geometry = LegGeometry(0.03, 0.08, 0.1)
    line = one_line((0.15, 0.0, -0.04), (0.15, 0.0, 0.04), geometry)
    for way in (line.together, line.alone):
        assert way.deviation == pytest.approx(hypot(0.12, 0.04) - 0.12, rel=1e-9)
        assert way.along[way.worst] == pytest.approx(0.04)


def test_equal_links_go_straight_outwards_together_but_not_each_alone() -> None:
    """Femur at p and tibia at -2p keep the foot level with the femur axis (by hand).

    Each alone turns as fast, so that the femur is there when the tibia is half-way: both links
    then stand at the angles p2 and -p1 to the level, the farthest from it that they get.
    """
    length = 0.09
    line = one_line((0.03 + 0.14, 0.0, 0.0), (0.03 + 0.10, 0.0, 0.0), LegGeometry(0.03, 0.09, 0.09))
    first, last = acos(0.07 / length), acos(0.05 / length)
    assert line.together.deviation == pytest.approx(0.0, abs=1e-12)
    assert line.alone.deviation == pytest.approx(length * (sin(last) - sin(first)), rel=1e-9)
    middle = length * (cos(last) + cos(first))
    assert line.alone.along[line.alone.worst] == pytest.approx(0.14 - middle)
    assert line.alone.times[line.alone.worst] == pytest.approx((last - first) / NO_LOAD)
    assert line.alone.duration == pytest.approx(2.0 * (last - first) / NO_LOAD)


@pytest.mark.parametrize('tolerance', [1e-4, 2e-3])
def test_what_is_told_is_what_another_kinematics_finds(tolerance: float) -> None:
    """Densely sampled, no way goes farther off than told, and ours keeps its tolerance."""
    for line in random_lines(40, tolerance):
        assert line.tolerance == tolerance
        first, last = line.ours.angles[[0, -1]]
        shares = np.linspace(0.0, 1.0, 5001)[:, np.newaxis]
        turned = np.minimum(shares * line.alone.duration * NO_LOAD, np.abs(last - first))
        times = np.linspace(0.0, line.ours.duration, 5001)
        knots = line.ours.times[:: len(line.ours.times) // line.sub_moves]
        assert len(knots) == line.sub_moves + 1
        angles = line.ours.angles[:: len(line.ours.times) // line.sub_moves].T
        for way, dense in (
            (line.together, first + shares * (last - first)),
            (line.alone, first + np.sign(last - first) * turned),
            (line.ours, np.stack([np.interp(times, knots, joint) for joint in angles], axis=1)),
        ):
            farthest = float(off(line, feet_of(line.leg, dense)).max())
            assert farthest == pytest.approx(way.deviation, rel=0.02, abs=1e-9)
            assert way.feet[[0, -1]] == pytest.approx(np.array([line.start, line.goal]), abs=1e-9)
        assert line.ours.deviation <= tolerance
        assert line.alone.duration <= line.ours.duration


def test_joints_that_turn_evenly_keep_the_bound_of_linear_interpolation() -> None:
    """An eighth of the largest second derivative (any text on numerics; here by differences)."""
    closest = 0.0
    for line in random_lines(40, TOLERANCE):
        first, last = line.ours.angles[[0, -1]]
        shares = np.linspace(0.0, 1.0, 1001)[:, np.newaxis]
        feet = feet_of(line.leg, first + shares * (last - first))
        bending = np.linalg.norm(np.diff(feet, 2, axis=0), axis=1).max() * 1000.0**2
        assert line.together.deviation <= bending / 8.0 * 1.001
        closest = max(closest, line.together.deviation / (bending / 8.0))
    assert closest > 0.7


def test_only_straight_lines_are_explained_and_those_alike_together() -> None:
    """Six legs stand up alike; a body that turns and a robot that waits draw no lines."""
    steps: list[Step] = [
        PostureStep(Posture.STANDING),
        BodyStep((None, None, None, radians(6.0), None, radians(8.0))),
        WaitStep(1.0),
        BodyStep(6 * (0.0,)),
        FeetStep({'left_front': Place(Frame.RESTING, z=-0.03)}),
    ]
    lines = explained(steps)
    assert [line.number for line in lines] == 6 * [0] + [4]
    assert [[line.leg.name for line in group] for group in alike(lines)] == [
        list(ROBOT.leg_names),
        ['left_front'],
    ]


def test_each_leg_of_a_move_has_its_own_speeds() -> None:
    """Two feet that go different ways, by differences of angles along the minimum-jerk law.

    The law: Flash and Hogan, The Journal of Neuroscience 5, 1985 (from memory).
    """
    places = {
        'left_front': Place(Frame.RESTING, x=0.03),
        'right_rear': Place(Frame.RESTING, y=0.03, z=0.02),
    }
    for line in explained([FeetStep(places)]):
        share = np.linspace(0.0, 1.0, 2001)
        law = share**3 * (10.0 - 15.0 * share + 6.0 * share**2)
        feet = np.outer(1.0 - law, line.start) + np.outer(law, line.goal)
        angles = np.array([line.leg.angles((x, y, z)) for x, y, z in feet.tolist()])
        rates = np.abs(np.diff(angles, axis=0)).max(axis=0) * 2000.0 / line.ours.duration
        assert line.ours.speeds == pytest.approx(tuple(rates), rel=0.03, abs=1e-6)


def ways(line: ExplainedLine) -> tuple[Way, Way, Way]:
    """Give the three ways of a line."""
    return (line.alone, line.together, line.ours)


def test_a_foot_beyond_the_end_of_its_line_is_off_by_its_distance_from_the_end() -> None:
    """Whatever a servo by itself does, the distance is that from the segment (by search)."""
    beyond = 0
    for line in random_lines(40, TOLERANCE):
        for way in ways(line):
            for foot, along, told in zip(way.feet, way.along, way.off, strict=True):
                if along > line.length:
                    beyond += 1
                    x, y, z = foot.tolist()
                    assert told == pytest.approx(dist((x, y, z), line.goal))
    assert beyond > 0


def test_the_effort_of_a_move() -> None:
    """A move that its servos stretch has a joint at its highest speed; a wait has none."""
    planner = Planner(ROBOT, LEGS, tolerance=TOLERANCE, speeds=SPEEDS)
    steps: list[Step] = [
        FeetStep({'left_front': Place(Frame.RESTING, x=0.04)}, Haste(time=0.05)),
        WaitStep(1.0),
        FeetStep({'left_front': Place(Frame.RESTING, y=0.03)}, Haste(time=4.0)),
    ]
    hurried, wait, slow = planner.plan(steps, RESTING).moves
    told = effort(hurried, LEGS, SPEEDS)
    assert (told.legs, told.joint) == (('left_front',), 'left_front_tibia')
    assert told.way == pytest.approx(0.04)
    assert told.share == pytest.approx(1.0, abs=1e-3)
    assert (effort(wait, LEGS, SPEEDS).legs, effort(wait, LEGS, SPEEDS).joint) == ((), None)
    told = effort(slow, LEGS, SPEEDS)
    # By hand: a coxa that reaches 165 mm turns 15/8 of 30 mm in 4 s a little slower than at first.
    assert told.joint == 'left_front_coxa'
    assert told.share == pytest.approx(15.0 / 8.0 * 0.03 / 4.0 / 0.165 / (0.5 * NO_LOAD), rel=0.02)
