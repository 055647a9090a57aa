# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The middle stage: feet in, joints out, whole or not at all."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from math import dist, inf, nan

import numpy as np
import pytest

from leg_kinematics.chain.solving import OutOfReach, Solving, SolvingParameters
from leg_kinematics.chain.values import Condition, FootTargets, JointTargets, Level
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, Trajectory

STAMP = 1_800_000_000_000_000_005

FORWARD: Vector = (0.03, 0.01, 0.02)

Angles = Sequence[Vector]


@pytest.fixture
def stage(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> Solving:
    """Return the stage under test, which refuses what is out of reach."""
    return Solving(bracken, bracken_legs, SolvingParameters())


def standing(robot: Robot, lift: float = 0.0) -> dict[str, Vector]:
    """Return the feet of the standing posture, lifted."""
    return {
        name: (x, y, z + lift)
        for name, (x, y, z) in zip(robot.leg_names, robot.standing.feet, strict=True)
    }


def stream(
    points: Sequence[tuple[float, Mapping[str, Vector]]], velocity: Vector = FORWARD
) -> FootTargets:
    """Make a stream of feet at some times, s and m, all at one velocity, m/s."""
    moves = straight(points)
    return replace(moves, velocities=[[velocity for _ in feet] for feet in moves.feet])


def straight(points: Sequence[tuple[float, Mapping[str, Vector]]]) -> FootTargets:
    """Make straight moves to feet at some times, s and m."""
    return FootTargets(
        STAMP,
        tuple(points[0][1]),
        tuple(time for time, _ in points),
        [list(feet.values()) for _, feet in points],
        None,
    )


def flat(angles: Angles) -> tuple[float, ...]:
    """Put the joints of all legs in a row."""
    return tuple(angle for leg in angles for angle in leg)


def locate(stage: Solving, legs: Sequence[LegSolver], feet: Sequence[Vector]) -> list[Vector]:
    """Tell the stage that the robot stands on these feet; return its joints."""
    angles = [leg.angles(foot) for leg, foot in zip(legs, feet, strict=True)]
    assert stage.locate(flat(angles)) == pytest.approx(np.array(feet))
    return angles


def attempt(stage: Solving, targets: FootTargets) -> JointTargets | None:
    """Have targets solved, or refused, as a node does."""
    try:
        return stage.solve(targets)
    except LegKinematicsError as error:
        stage.refuse(error)
        return None


def test_feet_become_the_joints_of_the_solver(
    stage: Solving, bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Positions, velocities, times and stamp of every point, in the order of the description."""
    assert stage.condition() == Condition(Level.OK, 'waiting')
    feet = [standing(bracken), standing(bracken, 0.005), standing(bracken, 0.02)]
    answer = stage.solve(stream(list(zip((0.0, 0.01, 0.07), feet, strict=True))))
    angles = [[leg.angles(row[leg.name]) for leg in bracken_legs] for row in feet]
    rates = [
        [leg.velocity(joints, FORWARD) for leg, joints in zip(bracken_legs, row, strict=True)]
        for row in angles
    ]
    assert answer == JointTargets(
        STAMP, Trajectory((0.0, 0.01, 0.07), tuple(map(flat, angles)), tuple(map(flat, rates)))
    )
    assert stage.condition() == Condition(Level.OK, 'following foot_targets')


def test_the_order_of_the_legs_is_the_senders(stage: Solving, bracken: Robot) -> None:
    """A sender may list the legs as it likes."""
    feet = standing(bracken, 0.01)
    backward = dict(reversed(feet.items()))
    assert stage.solve(stream([(0.0, backward)])) == stage.solve(stream([(0.0, feet)]))


def test_feet_are_where_the_joints_say(
    stage: Solving, bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """By forward kinematics."""
    angles = [
        leg.angles(foot) for leg, foot in zip(bracken_legs, bracken.resting.feet, strict=True)
    ]
    expected = tuple(leg.foot(joints) for leg, joints in zip(bracken_legs, angles, strict=True))
    assert stage.locate(flat(angles)) == expected


@pytest.mark.parametrize('make', [stream, straight])
def test_legs_that_are_not_named_have_to_be_known(
    stage: Solving, bracken: Robot, make: Callable[..., FootTargets]
) -> None:
    """Refused while nobody has told where the joints are, with what to do."""
    name = bracken.leg_names[1]
    targets = make([(1.0, {name: standing(bracken, 0.01)[name]})])
    with pytest.raises(CommandError, match='no joint_states has come; activate the bridge'):
        stage.solve(targets)


def test_some_legs_are_streamed_and_the_others_stay(
    stage: Solving, bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Where they are, at rest."""
    name = bracken.leg_names[1]
    foot = standing(bracken, 0.01)[name]
    expected = locate(stage, bracken_legs, bracken.resting.feet)
    expected[1] = bracken_legs[1].angles(foot)
    trajectory = stage.solve(stream([(0.0, {name: foot})])).trajectory
    assert trajectory.positions == (flat(expected),)
    rates = trajectory.velocities[0]
    assert rates[3:6] == bracken_legs[1].velocity(expected[1], FORWARD)
    assert set(rates[:3] + rates[6:]) == {0.0}


def test_without_velocities_a_target_is_a_straight_move(
    stage: Solving, bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """From where the joints are, at rest at both ends, along the line; others stay where they are.

    The line is measured here, between the points as well: half a millimetre is the tolerance.
    """
    name = bracken.leg_names[2]
    begin, goal = standing(bracken)[name], standing(bracken, 0.02)[name]
    start = locate(stage, bracken_legs, bracken.standing.feet)
    trajectory = stage.solve(straight([(2.0, {name: goal})])).trajectory
    assert trajectory.times[0] == 0.0
    assert trajectory.end == pytest.approx(2.0)
    end = [*start[:2], bracken_legs[2].angles(goal), *start[3:]]
    assert trajectory.positions[0] == pytest.approx(flat(start), abs=1e-9)
    assert trajectory.positions[-1] == pytest.approx(flat(end), abs=1e-9)
    for rates in (trajectory.velocities[0], trajectory.velocities[-1]):
        assert rates == pytest.approx((0.0,) * 18, abs=1e-9)
    for time in np.linspace(0.0, 2.0, 201):
        angles = trajectory.sample(float(time))
        assert angles[:6] + angles[9:] == flat(start[:2] + start[3:])
        foot = bracken_legs[2].foot((angles[6], angles[7], angles[8]))
        off = dist(foot, begin) + dist(foot, goal) - dist(begin, goal)
        # Of an ellipse about both ends: 0.5 mm beside the middle of 20 mm is 25 um longer.
        assert off <= 2.5e-5 + 1e-12


def test_a_straight_move_takes_the_time_that_the_servos_need(
    stage: Solving, bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """However near its instant: no joint is asked for more than half of its no-load speed.

    Nothing about times makes a stream of it; the default of the parameter is one half.
    """
    locate(stage, bracken_legs, bracken.standing.feet)
    trajectory = stage.solve(straight([(0.01, standing(bracken, 0.02))])).trajectory
    assert trajectory.end > 0.01
    times = np.linspace(0.0, trajectory.end, 2001)
    rates = np.abs(np.gradient([trajectory.sample(float(t)) for t in times], times, axis=0))
    bounds = [0.5 * link.servo.speed for leg in bracken.legs for link in leg.links]
    assert (rates.max(axis=0) <= np.array(bounds) * (1.0 + 1e-3)).all()
    assert (rates.max(axis=0) / bounds).max() == pytest.approx(1.0, abs=0.01)


def test_straight_moves_rest_at_every_point(
    stage: Solving, bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """One after another, each as long as asked where the servos can."""
    locate(stage, bracken_legs, bracken.standing.feet)
    goals = [standing(bracken, lift) for lift in (0.01, 0.02, 0.0)]
    trajectory = stage.solve(straight(list(zip((1.0, 3.0, 4.0), goals, strict=True)))).trajectory
    assert trajectory.end == pytest.approx(4.0)
    for time, feet in zip((1.0, 3.0, 4.0), goals, strict=True):
        index = min(
            range(len(trajectory.times)), key=lambda each: abs(trajectory.times[each] - time)
        )
        assert trajectory.times[index] == pytest.approx(time)
        angles = [leg.angles(feet[leg.name]) for leg in bracken_legs]
        assert trajectory.positions[index] == pytest.approx(flat(angles), abs=1e-9)
        assert trajectory.velocities[index] == pytest.approx((0.0,) * 18, abs=1e-9)
    assert all(later > earlier for earlier, later in pairwise(trajectory.times))


@pytest.mark.parametrize('time', [0.0, -0.01])
def test_a_straight_move_needs_its_time(stage: Solving, bracken: Robot, time: float) -> None:
    """A move at once would be a jump: the error says that velocities make it a stream."""
    with pytest.raises(CommandError, match='straight moves, and the first is due at once; give'):
        stage.solve(straight([(time, standing(bracken))]))


def test_one_bad_foot_refuses_all_and_moving_back_is_allowed(
    stage: Solving, bracken: Robot
) -> None:
    """Nothing comes out, the condition names the leg, and the next good target is obeyed."""
    good = stream([(0.0, standing(bracken))])
    assert attempt(stage, good) is not None
    bad = standing(bracken) | {'left_rear': (-0.5, 0.5, 0.0)}
    assert attempt(stage, stream([(0.0, standing(bracken)), (0.01, bad)])) is None
    condition = stage.condition()
    assert (condition.level, condition.state) == (Level.ERROR, 'refused')
    assert condition.detail.startswith('left_rear')
    assert attempt(stage, good) is not None
    assert stage.condition() == Condition(Level.OK, 'following foot_targets')
    assert (stage.accepted, stage.refused) == (2, 1)


def test_a_target_out_of_reach_is_clamped_where_that_is_the_policy(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """To the nearest point of the same foot, at rest there, which is told; the others go on."""
    stage = Solving(bracken, bracken_legs, SolvingParameters(out_of_reach=OutOfReach.CLAMP))
    feet = standing(bracken, 0.01)
    x, y, z = feet['left_rear']
    feet['left_rear'] = (x, y + 0.2, z)
    trajectory = stage.solve(stream([(0.0, feet)])).trajectory
    for index, leg in enumerate(bracken_legs):
        angles = trajectory.positions[0][3 * index : 3 * index + 3]
        rates = trajectory.velocities[0][3 * index : 3 * index + 3]
        foot = leg.foot((angles[0], angles[1], angles[2]))
        if leg.name == 'left_rear':
            way = dist(foot, feet[leg.name])
            assert 0.05 < way < 0.2
            assert set(rates) == {0.0}
            words = f'left_rear by {way * 1e3:.1f} mm'
            assert stage.condition() == Condition(
                Level.WARN, 'clamped to the nearest reachable point', words
            )
        else:
            assert foot == pytest.approx(feet[leg.name], abs=1e-12)
            assert any(rates)
    assert stage.solve(stream([(0.0, standing(bracken))])) is not None
    assert stage.condition() == Condition(Level.OK, 'following foot_targets')


@pytest.mark.parametrize(
    ('changes', 'words'),
    [
        ({'legs': ()}, 'names nothing; expected some of left_front, '),
        ({'legs': ('left_front', 'left_front')}, 'names something twice: left_front, left_front'),
        ({'legs': ('left_front', 'tail')}, 'unknown names: tail; known are left_front, '),
        ({'feet': [], 'velocities': [], 'times': ()}, 'no points'),
        ({'times': (0.01, 0.01)}, 'must increase strictly'),
        ({'times': (0.01, 0.0)}, 'must increase strictly'),
        ({'times': (0.01, nan)}, 'not finite'),
    ],
)
def test_what_cannot_be_meant_is_refused(
    stage: Solving,
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    changes: dict[str, object],
    words: str,
) -> None:
    """Each error says what was expected and what was got."""
    locate(stage, bracken_legs, bracken.standing.feet)
    both = {name: foot for name, foot in standing(bracken).items() if name.endswith('_front')}
    targets = stream([(0.01, both), (0.02, both)])
    stage.solve(targets)
    with pytest.raises(CommandError, match=words):
        stage.solve(replace(targets, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize('value', [nan, inf, -inf])
def test_every_number_must_be_finite(stage: Solving, bracken: Robot, value: float) -> None:
    """Of feet as of velocities; refused whole, whatever the policy."""
    good = standing(bracken)
    bad = good | {'left_front': (0.1, value, 0.0)}
    with pytest.raises(CommandError, match=r'^foot_targets has a number that is not finite'):
        stage.solve(stream([(0.0, good), (0.01, bad)]))
    with pytest.raises(CommandError, match='velocities of foot_targets has a number'):
        stage.solve(stream([(0.0, good)], (0.0, 0.0, value)))
