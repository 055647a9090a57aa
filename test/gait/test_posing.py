# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Ways between body offsets that both can be taken, on which a foot would be out of reach."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.gait import GaitParameters, GaitSample, Offset, Twist, Walker
from leg_kinematics.gait.envelope import Envelopes
from leg_kinematics.gait.phases import wave_phases
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

DT = 0.01

LEVEL = Offset()

poses = st.builds(
    Offset,
    st.tuples(*3 * [st.floats(-0.06, 0.06)]),
    st.tuples(*2 * [st.floats(-0.3, 0.3)], st.floats(-0.5, 0.5)),
)


def refused(robot: Robot, legs: tuple[LegSolver, ...], pose: Offset) -> list[bool]:
    """Tell of each leg whether its foot, in its place on the ground, is out of reach in a pose."""
    outcomes = []
    for leg, foot in zip(legs, robot.standing.feet, strict=True):
        try:
            leg.angles(pose.see(foot))
        except LegKinematicsError:
            outcomes.append(True)
        else:
            outcomes.append(False)
    return outcomes


def test_time_is_infinite_for_just_the_legs_that_are_out_of_reach_on_the_way(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Both ends are fine; in between the inverse kinematics, foot by foot, tell who cannot stay."""
    now = Offset((0.0065, -0.0144, -0.0576), (0.044, 0.291, 0.301))
    goal = Offset((0.0045, 0.0577, -0.0683), (0.239, 0.093, 0.086))
    assert not any(refused(bracken, bracken_legs, now) + refused(bracken, bracken_legs, goal))
    shares = np.linspace(0.0, 1.0, 1000).tolist()
    between = [refused(bracken, bracken_legs, now.towards(goal, share)) for share in shares]
    cannot = np.any(between, axis=0)
    assert set(cannot) == {True, False}
    envelopes = Envelopes(bracken, bracken_legs, GaitParameters(), wave_phases(bracken))
    envelope = envelopes.at((now, goal), 0.5, 0.5)
    in_place = [times[0] for times in envelopes.posing_times(now, goal, envelope)]
    assert np.isinf(in_place).tolist() == cannot.tolist()


def test_a_way_out_of_reach_is_refused_and_a_detour_taken(
    standing_walker: Callable[[GaitParameters], Walker], bracken_legs: tuple[LegSolver, ...]
) -> None:
    """The leg is named, the body stays where it is, and by way of the level pose it gets there."""
    # Lifted by 5 mm, feet can still walk in poses as far as these.
    walker = standing_walker(GaitParameters(lift=0.005))
    one = Offset((0.02, -0.01, -0.06), (-0.3, 0.1, -0.4))
    other = Offset((0.01, 0.01, -0.07), (-0.2, -0.2, 0.5))

    def go(pose: Offset) -> GaitSample:
        walker.offset_body(pose)
        samples = [walker.step(DT, Twist()) for _ in range(1000)]
        for sample in samples:
            for leg, foot in zip(bracken_legs, sample.feet, strict=True):
                leg.angles(foot)
        assert samples[-1].offset == pose
        return samples[-1]

    there = go(one)
    with pytest.raises(CommandError, match='left_middle would be out of reach on the way'):
        walker.offset_body(other)
    assert walker.step(DT, Twist()) == there
    go(LEVEL)
    go(other)
    with pytest.raises(CommandError, match='left_middle would be out of reach on the way'):
        walker.offset_body(one)


@given(pose=poses)
def test_the_way_to_the_level_pose_is_in_reach_from_anywhere(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], pose: Offset
) -> None:
    """The robot may be told to crouch at any time, and then levels out without asking."""
    assume(not any(refused(bracken, bracken_legs, pose)))
    for share in np.linspace(0.0, 1.0, 50).tolist():
        assert not any(refused(bracken, bracken_legs, pose.towards(LEVEL, share)))
