# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The middle stage: whole or not at all, and what its targets mean."""

from dataclasses import replace
from math import dist, nan

import pytest

from leg_kinematics.chain.solving import OutOfReach, Solving, SolvingParameters
from leg_kinematics.chain.values import FootTargets
from leg_kinematics.errors import CommandError, LegKinematicsError, ReachError
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, leg_solvers, posture_angles

STILL = (0.0, 0.0, 0.0)


@pytest.fixture
def legs(bracken: Robot) -> tuple[LegSolver, ...]:
    """Solve for it."""
    return leg_solvers(bracken)


@pytest.fixture
def solving(bracken: Robot, legs: tuple[LegSolver, ...]) -> Solving:
    """Make the stage, with the joints at rest."""
    stage = Solving(bracken, legs, SolvingParameters())
    stage.locate([a for leg in posture_angles(bracken, legs, 'resting') for a in leg])
    return stage


def stream(robot: Robot, feet: tuple[Vector, ...] | None = None) -> FootTargets:
    """Make a stream of one point for all legs, at rest."""
    places = robot.standing.feet if feet is None else feet
    return FootTargets(1, robot.leg_names, (0.0,), (places,), ((STILL,) * len(places),))


def test_feet_become_joints_and_back(
    bracken: Robot, legs: tuple[LegSolver, ...], solving: Solving
) -> None:
    """The joint angles put the feet where they shall be; the stamp goes through."""
    joints = solving.solve(stream(bracken))
    assert joints.stamp == 1
    (positions,) = joints.trajectory.positions
    for index, leg in enumerate(legs):
        q1, q2, q3 = positions[3 * index : 3 * index + 3]
        assert dist(leg.foot((q1, q2, q3)), bracken.standing.feet[index]) < 1e-12
    assert all(
        dist(foot, place) < 1e-12
        for foot, place in zip(solving.locate(positions), bracken.standing.feet, strict=True)
    )


def test_velocities_are_those_of_the_feet(
    bracken: Robot, legs: tuple[LegSolver, ...], solving: Solving
) -> None:
    """A small way along the joint velocities moves each foot along its own."""
    velocity = (0.05, -0.02, 0.03)
    targets = replace(stream(bracken), velocities=((velocity,) * 6,))
    trajectory = solving.solve(targets).trajectory
    h = 1e-6
    for index, leg in enumerate(legs):
        way = slice(3 * index, 3 * index + 3)
        pairs = zip(trajectory.positions[0][way], trajectory.velocities[0][way], strict=True)
        q1, q2, q3 = (q + h * rate for q, rate in pairs)
        moved = leg.foot((q1, q2, q3))
        place = bracken.standing.feet[index]
        assert dist(moved, tuple(p + h * v for p, v in zip(place, velocity, strict=True))) < 1e-10


def test_legs_that_are_not_named_stay(bracken: Robot, solving: Solving) -> None:
    """A stream for one leg leaves the joints of the others where they are."""
    before = solving.solve(stream(bracken, bracken.resting.feet)).trajectory.positions[0]
    one = FootTargets(1, ('right_rear',), (0.0,), ((bracken.standing.feet[5],),), ((STILL,),))
    after = solving.solve(one).trajectory.positions[0]
    assert after[:15] == pytest.approx(before[:15])
    assert after[15:] != pytest.approx(before[15:])


@pytest.mark.parametrize('moves', [False, True])
def test_one_foot_out_of_reach_refuses_all(
    bracken: Robot, solving: Solving, *, moves: bool
) -> None:
    """Nothing of the targets is obeyed, the foot is named, and coming back is allowed at once."""
    feet = list(bracken.standing.feet)
    feet[2] = (-1.0, 1.0, -0.085)
    targets = stream(bracken, tuple(feet))
    if moves:
        targets = replace(targets, times=(1.0,), velocities=None)
    with pytest.raises(ReachError, match='left_rear') as caught:
        solving.solve(targets)
    solving.refuse(caught.value)
    assert (solving.accepted, solving.refused) == (0, 1)
    assert solving.condition().state == 'refused'
    assert 'left_rear' in solving.condition().detail
    solving.solve(stream(bracken))
    assert solving.condition().state == 'following foot_targets'


def test_clamping_moves_only_the_foot_that_is_out_of_reach(
    bracken: Robot, legs: tuple[LegSolver, ...]
) -> None:
    """It goes to the nearest place, at rest; this is told, and how far it is."""
    solving = Solving(bracken, legs, SolvingParameters(out_of_reach=OutOfReach.CLAMP))
    feet = list(bracken.standing.feet)
    x, y, z = feet[2]
    feet[2] = (x, y, z - 0.3)
    targets = replace(stream(bracken, tuple(feet)), velocities=(((0.1, 0.0, 0.0),) * 6,))
    trajectory = solving.solve(targets).trajectory
    assert trajectory.velocities[0][6:9] == STILL
    assert any(trajectory.velocities[0][:6])
    located = solving.locate(trajectory.positions[0])
    assert dist(located[1], feet[1]) < 1e-12
    way = dist(located[2], feet[2])
    assert 0.1 < way < 0.3
    assert f'left_rear by {way * 1e3:.1f} mm' in solving.condition().detail


@pytest.mark.parametrize(
    ('wrong', 'words'),
    [
        ({'legs': ()}, 'names nothing'),
        ({'legs': ('left_front',) * 6}, 'twice'),
        ({'legs': ('nobody',) * 1}, 'unknown'),
        ({'feet': (), 'velocities': (), 'times': ()}, 'no points'),
        ({'feet': (((nan, 0.0, 0.0),) * 6,)}, 'not finite'),
        ({'velocities': (((0.0, nan, 0.0),) * 6,)}, 'not finite'),
        ({'velocities': None}, 'straight moves'),
    ],
)
def test_wrong_targets_are_refused_in_words(
    bracken: Robot, solving: Solving, wrong: dict[str, object], words: str
) -> None:
    """Each says what is wrong; a straight move that is due at once is no stream."""
    with pytest.raises(CommandError, match=words):
        solving.solve(replace(stream(bracken), **wrong))  # type: ignore[arg-type]


def test_a_straight_move_is_straight_and_ends_where_asked(
    bracken: Robot, legs: tuple[LegSolver, ...], solving: Solving
) -> None:
    """From where the feet are, from rest to rest, within the line tolerance of 0.5 mm."""
    start = solving.locate(solving.solve(stream(bracken)).trajectory.positions[0])
    x, y, z = start[0]
    goal = (x + 0.02, y, z + 0.02)
    move = FootTargets(1, ('left_front',), (1.0,), ((goal,),), None)
    trajectory = solving.solve(move).trajectory
    assert not any(trajectory.velocities[0] + trajectory.velocities[-1])
    for step in range(101):
        positions, _ = trajectory.state(trajectory.end * step / 100)
        q1, q2, q3 = positions[:3]
        foot = legs[0].foot((q1, q2, q3))
        share = (foot[0] - x + foot[2] - z) / 0.04
        assert dist(foot, (x + 0.02 * share, y, z + 0.02 * share)) <= 0.0005
        assert positions[3:] == trajectory.positions[0][3:]
    q1, q2, q3 = trajectory.positions[-1][:3]
    assert dist(legs[0].foot((q1, q2, q3)), goal) < 1e-9


def test_a_move_before_anything_is_known_is_refused(
    bracken: Robot, legs: tuple[LegSolver, ...]
) -> None:
    """Nobody knows where the joints are; the way out is told."""
    solving = Solving(bracken, legs, SolvingParameters())
    move = FootTargets(1, ('left_front',), (1.0,), ((bracken.standing.feet[0],),), None)
    with pytest.raises(LegKinematicsError, match='not known yet'):
        solving.solve(move)
