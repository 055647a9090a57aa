# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Straight foot moves, sampled as the bridge samples them and checked by forward kinematics."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from math import cos, inf, nan, pi, sin
from pathlib import Path
from random import Random
from statistics import median

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

from leg_kinematics.errors import CommandError, JointLimitError, LegKinematicsError, ReachError
from leg_kinematics.robot import Vector, load_robot
from leg_kinematics.solver import (
    LegSolver,
    Trajectory,
    leg_solvers,
    polyline_move,
    posture_angles,
    straight_move,
)

ROBOT = load_robot(Path(__file__).parents[3] / 'config' / 'robots' / 'bracken.yaml')
LEGS = leg_solvers(ROBOT)
STANDING = ROBOT.standing.feet
SPEEDS = [link.servo.speed for leg in ROBOT.legs for link in leg.links]
TOLERANCE = 1e-4
ROUNDING = 1e-12

FREE = 3 * ((-pi, pi),)


def shifted(feet: tuple[Vector, ...], dx: float, dy: float, dz: float) -> tuple[Vector, ...]:
    """Move every foot by the same way, m."""
    return tuple((x + dx, y + dy, z + dz) for x, y, z in feet)


def feet_of(leg: LegSolver, angles: np.ndarray) -> np.ndarray:
    """Feet in `base_link`, m, shape (n, 3), for angles of shape (n, 3), rad."""
    q1, q2, q3 = angles.T
    geometry = leg.geometry
    rho = geometry.coxa + geometry.femur * np.cos(q2) + geometry.tibia * np.cos(q2 + q3)
    z = geometry.femur * np.sin(q2) + geometry.tibia * np.sin(q2 + q3)
    local = np.stack((rho * np.cos(q1), rho * np.sin(q1), z), axis=1)
    place: np.ndarray = local @ np.array(leg.mount.rotation).T + np.array(leg.mount.position)
    return place


def off_the_line(start: Vector, goal: Vector, feet: np.ndarray) -> float:
    """Largest distance of feet from the line between two points, m."""
    first, way = np.array(start), np.subtract(goal, start)
    along = np.clip((feet - first) @ way / (way @ way), 0.0, 1.0)
    return float(np.linalg.norm(feet - first - along[:, None] * way, axis=1).max())


def played(move: Trajectory) -> CubicHermiteSpline:
    """Play the move as scipy does, which knows nothing of our sampling."""
    return CubicHermiteSpline(move.times, move.positions, move.velocities)


def fine_times(move: Trajectory) -> np.ndarray:
    """Sixteen times a sub-move, s."""
    return np.interp(
        np.linspace(0.0, 1.0, 16 * len(move.times)),
        np.linspace(0.0, 1.0, len(move.times)),
        move.times,
    )


def random_lines(count: int) -> list[tuple[LegSolver, Vector, Vector, Trajectory]]:
    """Make moves between random feet of random legs, where the line can be followed."""
    random = Random(20)
    lines: list[tuple[LegSolver, Vector, Vector, Trajectory]] = []
    while len(lines) < count:
        leg = random.choice(LEGS)
        coxa, femur, tibia = (
            (random.uniform(*limit), random.uniform(*limit)) for limit in leg.limits
        )
        start, goal = (leg.foot(angles) for angles in zip(coxa, femur, tibia, strict=True))
        try:
            move = straight_move(
                [leg], [start], [goal], 0.1, tolerance=TOLERANCE, speeds=SPEEDS[:3]
            )
        except LegKinematicsError:
            continue
        lines.append((leg, start, goal, move))
    return lines


@pytest.mark.parametrize('count', [600, pytest.param(3000, marks=pytest.mark.soak)])
def test_random_lines_stay_within_the_tolerance_and_the_joint_speeds(
    record_testsuite_property: Callable[[str, object], None], count: int
) -> None:
    """Any line at 0.1 mm: no violation, by cubics or by linear interpolation."""
    lines = random_lines(count)
    sub_moves = [len(move.times) - 1 for *_, move in lines]
    record_testsuite_property('median of sub-moves', median(sub_moves))
    record_testsuite_property('most sub-moves', max(sub_moves))
    for leg, start, goal, move in lines:
        times = fine_times(move)
        path = played(move)
        assert off_the_line(start, goal, feet_of(leg, path(times))) <= TOLERANCE
        linear = np.stack(
            [np.interp(times, move.times, joint) for joint in np.transpose(move.positions)], axis=1
        )
        assert off_the_line(start, goal, feet_of(leg, linear)) <= TOLERANCE
        speeds = np.abs(path.derivative()(times)).max(axis=0)
        assert (speeds <= np.array(SPEEDS[:3]) * (1.0 + ROUNDING)).all()
        for angles in move.positions:
            leg.check((angles[0], angles[1], angles[2]))


#: Shares of a line, most of them near its ends, where a joint may graze its limit.
NEAR_THE_ENDS = np.logspace(-9.0, -1.0, 200)
ALL_ALONG = np.concatenate([NEAR_THE_ENDS, np.linspace(0.0, 1.0, 401), 1.0 - NEAR_THE_ENDS])


def limits_or_between(random: Random, leg: LegSolver) -> Vector:
    """Draw angles, rad, each more often one of its limits than one between them."""
    coxa, femur, tibia = (
        random.choice(limit) if random.random() < 0.7 else random.uniform(*limit)
        for limit in leg.limits
    )
    return (coxa, femur, tibia)


def reachable_lines(count: int) -> Iterator[tuple[LegSolver, Vector, Vector]]:
    """Draw lines between feet whose joints mostly stand on their limits, reachable all along."""
    random = Random(7)
    while count:
        leg = random.choice(LEGS)
        start, goal = (leg.foot(limits_or_between(random, leg)) for _ in range(2))
        if start == goal:
            continue
        way = np.outer(1.0 - ALL_ALONG, start) + np.outer(ALL_ALONG, goal)
        try:
            for x, y, z in way.tolist():
                leg.angles((x, y, z))
        except LegKinematicsError:
            continue
        yield leg, start, goal
        count -= 1


@pytest.mark.parametrize('count', [400, pytest.param(4000, marks=pytest.mark.soak)])
def test_a_line_all_of_whose_points_can_be_reached_is_never_refused(count: int) -> None:
    """Also one that begins or ends where joints stand on their limits, which are kept."""
    for leg, start, goal in reachable_lines(count):
        move = straight_move([leg], [start], [goal], 0.1, tolerance=TOLERANCE, speeds=SPEEDS[:3])
        angles = played(move)(fine_times(move))
        assert off_the_line(start, goal, feet_of(leg, angles)) <= TOLERANCE
        for joint, (lower, upper) in zip(angles.T, leg.limits, strict=True):
            assert lower - 2e-9 <= joint.min() <= joint.max() <= upper + 2e-9


def test_a_line_may_end_at_full_stretch() -> None:
    """There the joint rates for a moving foot have no bound, but the foot rests."""
    leg = replace(LEGS[0], limits=FREE, expressible=FREE)
    start, goal = leg.foot((0.1, 0.3, -1.2)), leg.foot((0.1, 0.1, 0.0))
    for ends in ((start, goal), (goal, start)):
        move = straight_move([leg], ends[:1], ends[1:], 0.1, tolerance=TOLERANCE, speeds=SPEEDS[:3])
        path = played(move)
        times = fine_times(move)
        assert off_the_line(*ends, feet_of(leg, path(times))) <= TOLERANCE
        assert (np.abs(path.derivative()(times)) <= SPEEDS[0] * (1.0 + ROUNDING)).all()


def test_begins_and_ends_exactly_at_rest() -> None:
    """The first and the last point are start and goal, and every joint rests there."""
    goal = shifted(STANDING, 0.030, 0.010, 0.020)
    move = straight_move(LEGS, STANDING, goal, 1.0, tolerance=TOLERANCE, speeds=SPEEDS)
    for row, feet in ((0, STANDING), (-1, goal)):
        assert move.velocities[row] == pytest.approx(18 * (0.0,), abs=ROUNDING)
        for index, (leg, foot) in enumerate(zip(LEGS, feet, strict=True)):
            q1, q2, q3 = move.positions[row][3 * index : 3 * index + 3]
            assert leg.foot((q1, q2, q3)) == pytest.approx(foot, abs=ROUNDING)


def test_eases_by_the_minimum_jerk_law() -> None:
    """The way made is 10u^3 - 15u^4 + 6u^5 of the whole (Flash and Hogan 1985).

    s(0.3) = 0.16308 is also `modern_robotics.QuinticTimeScaling(2, 0.6)`.
    """
    goal = shifted(STANDING, 0.0, 0.0, 0.040)
    move = straight_move(LEGS, STANDING, goal, 2.0, tolerance=1e-6, speeds=SPEEDS)
    assert move.end == 2.0
    for share, made in ((0.3, 0.16308), (0.5, 0.5), (0.7, 1.0 - 0.16308)):
        angles = move.sample(2.0 * share)
        for index, leg in enumerate(LEGS):
            q1, q2, q3 = angles[3 * index : 3 * index + 3]
            height = leg.foot((q1, q2, q3))[2] - STANDING[index][2]
            assert height / 0.040 == pytest.approx(made, abs=2e-4)


def test_takes_longer_where_a_joint_would_be_too_fast() -> None:
    """Too short a duration is stretched until the fastest joint just keeps its speed."""
    goal = shifted(STANDING, 0.020, -0.010, 0.030)
    move = straight_move(LEGS, STANDING, goal, 0.01, tolerance=TOLERANCE, speeds=SPEEDS)
    assert move.end > 0.01
    speeds = np.abs(played(move).derivative()(np.linspace(0.0, move.end, 100_001))).max(axis=0)
    assert (speeds / SPEEDS).max() == pytest.approx(1.0, abs=1e-6)


def test_one_slow_joint_slows_all() -> None:
    """With one servo at a tenth of the speed the whole move takes as long as that one needs."""
    goal = shifted(STANDING, 0.020, 0.0, 0.030)
    slow = [*SPEEDS[:4], SPEEDS[4] / 10.0, *SPEEDS[5:]]
    move = straight_move(LEGS, STANDING, goal, 0.01, tolerance=TOLERANCE, speeds=slow)
    speeds = np.abs(played(move).derivative()(np.linspace(0.0, move.end, 100_001))).max(axis=0)
    assert speeds[4] == pytest.approx(slow[4], rel=1e-6)
    assert (speeds <= np.array(slow) * (1.0 + ROUNDING)).all()


def test_a_finer_tolerance_needs_more_points() -> None:
    """The deviation falls as the square of the sub-moves: a hundredth needs ten times as many."""
    goal = shifted(STANDING[:1], 0.010, -0.050, 0.0)
    counts = [
        len(
            straight_move(
                LEGS[:1], STANDING[:1], goal, 1.0, tolerance=tolerance, speeds=SPEEDS[:3]
            ).times
        )
        - 1
        for tolerance in (1e-5, 1e-7)
    ]
    assert counts[1] / counts[0] == pytest.approx(10.0, rel=0.05)


@pytest.mark.parametrize('last_bend', [1e-2, 1e-3, 1e-4])
def test_a_line_into_the_near_stretch_region_stays_within_the_tolerance(last_bend: float) -> None:
    """Radially out until the tibia is bent by as little as 1e-4 rad: no violation."""
    leg = replace(LEGS[0], limits=FREE, expressible=FREE)
    start, goal = leg.foot((0.1, 0.3, -1.2)), leg.foot((0.1, 0.1, -last_bend))
    move = straight_move([leg], [start], [goal], 0.1, tolerance=TOLERANCE, speeds=SPEEDS[:3])
    path = played(move)
    times = fine_times(move)
    assert off_the_line(start, goal, feet_of(leg, path(times))) <= TOLERANCE
    assert (np.abs(path.derivative()(times)) <= SPEEDS[0] * (1.0 + ROUNDING)).all()


@pytest.mark.parametrize('miss', [1e-2, 1e-3, 1e-4])
def test_a_line_close_to_the_coxa_axis_stays_within_the_tolerance(miss: float) -> None:
    """Where the coxa turns by half a turn within the line, the points are close enough."""
    leg = replace(LEGS[1], limits=FREE, expressible=FREE)
    start, goal = (leg.mount.to_body((side * 0.040, miss, -0.090)) for side in (-0.9, 1.1))
    move = straight_move([leg], [start], [goal], 0.1, tolerance=TOLERANCE, speeds=SPEEDS[:3])
    path = played(move)
    assert off_the_line(start, goal, feet_of(leg, path(fine_times(move)))) <= TOLERANCE


def test_a_line_through_the_coxa_axis_is_refused() -> None:
    """Between two samples the coxa would jump by half a turn; forward kinematics notice."""
    leg = replace(LEGS[1], limits=FREE, expressible=FREE)
    start, goal = (leg.mount.to_body((side * 0.040, 0.0, -0.090)) for side in (-0.91, 1.17))
    with pytest.raises(ReachError, match=r'left_middle: .*coxa axis'):
        straight_move([leg], [start], [goal], 1.0, tolerance=TOLERANCE, speeds=SPEEDS[:3])


def test_is_refused_whole_when_one_foot_cannot_follow() -> None:
    """Both ends are within reach, a place between is too close: the error names the leg."""
    start, goal = (
        LEGS[2].mount.to_body((0.090 * cos(turn), 0.090 * sin(turn), -0.030))
        for turn in (-1.0, 1.0)
    )
    LEGS[2].angles(start)
    LEGS[2].angles(goal)
    feet = list(STANDING)
    feet[2] = start
    goals = list(STANDING)
    goals[2] = goal
    with pytest.raises((ReachError, JointLimitError), match='left_rear'):
        straight_move(LEGS, feet, goals, 1.0, tolerance=TOLERANCE, speeds=SPEEDS)


def test_a_limit_that_is_passed_only_between_two_points_refuses_the_move() -> None:
    """A limit 2e-8 rad short of the most bent knee on the way, which no point has, is kept."""
    start, goal = (LEGS[0].mount.to_body((0.110, y, -0.085)) for y in (-0.050, 0.070))

    def move(leg: LegSolver) -> Trajectory:
        return straight_move([leg], [start], [goal], 1.0, tolerance=TOLERANCE, speeds=SPEEDS[:3])

    free = move(LEGS[0])
    lowest = float(played(free)(np.linspace(0.0, free.end, 1_000_001))[:, 2].min())
    assert lowest < min(angles[2] for angles in free.positions) - 1e-6
    coxa, femur, (_, high) = LEGS[0].limits
    assert move(replace(LEGS[0], limits=(coxa, femur, (lowest, high)))) == free
    with pytest.raises(JointLimitError, match='left_front_tibia'):
        move(replace(LEGS[0], limits=(coxa, femur, (lowest + 2e-8, high))))


def test_a_foot_that_stays_keeps_its_angles() -> None:
    """Start and goal alike hold the joints, also of a leg that is stretched."""
    leg = replace(LEGS[0], limits=FREE, expressible=FREE)
    x, y, z = leg.mount.position
    # A hair beyond the reach, as far as rounding may be, so that the tibia is straight exactly.
    span = leg.geometry.coxa + (leg.geometry.femur + leg.geometry.tibia) * (1.0 + 4e-16)
    stretched = (x + span * cos(0.2), y + span * sin(0.2), z)
    feet, goal = (stretched, STANDING[1]), (stretched, (0.0, 0.220, -0.070))
    move = straight_move([leg, LEGS[1]], feet, goal, 1.0, tolerance=TOLERANCE, speeds=SPEEDS[:6])
    assert move.positions[0][2] == 0.0
    for row, rates in zip(move.positions, move.velocities, strict=True):
        assert row[:3] == move.positions[0][:3]
        assert rates[:3] == (0.0, 0.0, 0.0)


def test_a_polyline_rests_at_its_waypoints_at_their_times() -> None:
    """A square drawn by all feet passes its corners at rest, each side straight."""
    corners = [
        shifted(STANDING, dx, dy, 0.0)
        for dx, dy in ((0.0, 0.0), (0.02, 0.0), (0.02, 0.02), (0.0, 0.02), (0.0, 0.0))
    ]
    durations = (1.0, 0.5, 2.0, 1.5)
    move = polyline_move(LEGS, corners, durations, tolerance=TOLERANCE, speeds=SPEEDS)
    path = played(move)
    begin = 0.0
    for (start, goal), duration in zip(pairwise(corners), durations, strict=True):
        assert begin in move.times
        assert path.derivative()(begin) == pytest.approx(np.zeros(18), abs=ROUNDING)
        times = np.linspace(begin, begin + duration, 200)
        for index, leg in enumerate(LEGS):
            feet = feet_of(leg, path(times)[:, 3 * index : 3 * index + 3])
            assert feet[0] == pytest.approx(start[index], abs=ROUNDING)
            assert feet[-1] == pytest.approx(goal[index], abs=ROUNDING)
            assert off_the_line(start[index], goal[index], feet) <= TOLERANCE
        begin += duration
    assert move.end == pytest.approx(begin)
    standing = [angle for leg in posture_angles(ROBOT, LEGS, 'standing') for angle in leg]
    assert move.positions[-1] == pytest.approx(standing, abs=ROUNDING)


def test_a_later_side_out_of_reach_refuses_the_whole_polyline() -> None:
    """No part of a polyline is made when a later waypoint cannot be reached."""
    corners = (STANDING, shifted(STANDING, 0.01, 0.0, 0.0), shifted(STANDING, 0.5, 0.0, 0.0))
    with pytest.raises(LegKinematicsError, match='left_front'):
        polyline_move(LEGS, corners, (1.0, 1.0), tolerance=TOLERANCE, speeds=SPEEDS)


@pytest.mark.parametrize('value', [0.0, -1.0, nan, inf])
def test_refuses_durations_tolerances_and_speeds_that_are_not_positive(value: float) -> None:
    """Zero, negative and non-finite values are refused by their names."""
    with pytest.raises(CommandError, match='a duration must be finite and above zero'):
        straight_move(LEGS, STANDING, STANDING, value, tolerance=TOLERANCE, speeds=SPEEDS)
    with pytest.raises(CommandError, match='a tolerance must be finite and above zero'):
        straight_move(LEGS, STANDING, STANDING, 1.0, tolerance=value, speeds=SPEEDS)
    with pytest.raises(CommandError, match='a speed must be finite and above zero'):
        straight_move(
            LEGS, STANDING, STANDING, 1.0, tolerance=TOLERANCE, speeds=[value, *SPEEDS[1:]]
        )


@pytest.mark.parametrize(
    ('waypoints', 'durations', 'speeds', 'message'),
    [
        ((STANDING,), (), SPEEDS, 'got 1 waypoints and 0 durations'),
        ((STANDING, STANDING), (1.0, 1.0), SPEEDS, 'got 2 waypoints and 2 durations'),
        ((STANDING, STANDING[:5]), (1.0,), SPEEDS, r'6 legs and waypoints of \[5, 6\] feet'),
        ((STANDING, STANDING), (1.0,), SPEEDS[:6], 'needs 18 joint speeds, got 6'),
    ],
)
def test_refuses_counts_that_do_not_match(
    waypoints: tuple[tuple[Vector, ...], ...],
    durations: tuple[float, ...],
    speeds: list[float],
    message: str,
) -> None:
    """A missing waypoint, duration, foot or speed is refused with what was found."""
    with pytest.raises(CommandError, match=message):
        polyline_move(LEGS, waypoints, durations, tolerance=TOLERANCE, speeds=speeds)


def test_refuses_feet_that_are_not_finite() -> None:
    """A NaN in a goal is out of reach, not a trajectory of NaN."""
    goal = ((nan, 0.0, 0.0), *STANDING[1:])
    with pytest.raises(ReachError, match='left_front'):
        straight_move(LEGS, STANDING, goal, 1.0, tolerance=TOLERANCE, speeds=SPEEDS)
