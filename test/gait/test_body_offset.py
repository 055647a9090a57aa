# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The body over its feet: shifted, raised and tilted, at rest and while walking."""

from collections.abc import Callable
from math import dist, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from transforms3d.euler import euler2mat

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters, GaitState, Offset, Twist, Walker
from leg_kinematics.solver import LegSolver

DT = 0.01

angles = st.floats(-0.5, 0.5)
lengths = st.floats(-0.1, 0.1)
vectors = st.tuples(lengths, lengths, lengths)


@given(shift=vectors, rpy=st.tuples(angles, angles, angles), point=vectors)
def test_offset_is_the_inverse_pose_of_a_general_library(
    shift: tuple[float, float, float],
    rpy: tuple[float, float, float],
    point: tuple[float, float, float],
) -> None:
    """A point seen from the body: transforms3d, fixed-axis roll, pitch, yaw (REP 103)."""
    expected = euler2mat(*rpy, axes='sxyz').T @ (np.array(point) - shift)
    assert Offset(shift, rpy).see(point) == pytest.approx(tuple(expected), abs=1e-15)


@given(shift=vectors, rpy=st.tuples(angles, angles, angles), point=vectors)
def test_place_undoes_see(
    shift: tuple[float, float, float],
    rpy: tuple[float, float, float],
    point: tuple[float, float, float],
) -> None:
    """A point seen from the body and put back is where it was."""
    offset = Offset(shift, rpy)
    assert offset.place(offset.see(point)) == pytest.approx(point, abs=1e-15)


def test_a_pose_waits_for_the_feet(
    standing_walker: Callable[[GaitParameters], Walker],
    bracken_legs: tuple[LegSolver, ...],
) -> None:
    """Told at full stride to go where strides are short, it first shortens them, then goes there.

    The goal of the pose is reached while walking, and every target on the way can be.
    """
    walker = standing_walker(GaitParameters(swing_time=0.8, speed_share=10.0))
    for _ in range(400):
        walker.step(DT, Twist(0.1))
    high = Offset((0.0, 0.0, 0.03))
    walker.offset_body(high)
    assert max(walker.radii) < 0.04
    first = walker.step(DT, Twist(0.1))
    assert first.offset == Offset()
    samples = [walker.step(DT, Twist(0.1)) for _ in range(900)]
    for sample in samples:
        for leg, foot in zip(bracken_legs, sample.feet, strict=True):
            leg.angles(foot)
    assert samples[-1].offset == high
    assert 0.0 < samples[-1].twist.x < first.twist.x


TILTED = Offset((0.01, -0.01, 0.012), (0.06, -0.05, 0.1))


@pytest.mark.parametrize('twist', [Twist(), Twist(x=0.03, yaw=0.1)])
def test_feet_stay_while_the_body_moves_over_them(
    standing_walker: Callable[[GaitParameters], Walker],
    bracken_legs: tuple[LegSolver, ...],
    twist: Twist,
) -> None:
    """Put back through the offset, a tilted walk is the level one; no jump on the way there."""
    tilted, level = (standing_walker(GaitParameters()) for _ in range(2))
    before = tilted.step(DT, twist)
    level.step(DT, twist)
    for _ in range(100):
        before = tilted.step(DT, twist)
        level.step(DT, twist)
    tilted.offset_body(TILTED)
    sample, flat = before, before
    for _ in range(300):
        sample, flat = tilted.step(DT, twist), level.step(DT, twist)
        for leg, foot in zip(bracken_legs, sample.feet, strict=True):
            leg.angles(foot)
        for old, new, v, w in zip(
            before.feet, sample.feet, before.velocities, sample.velocities, strict=True
        ):
            mean = [DT * (a + b) / 2.0 for a, b in zip(v, w, strict=True)]
            moved = [b - a for a, b in zip(old, new, strict=True)]
            assert dist(moved, mean) < 1e-4
            assert dist(v, w) < 0.08
        before = sample
    for foot, reference in zip(sample.feet, flat.feet, strict=True):
        assert foot == pytest.approx(TILTED.see(reference), abs=1e-12)


@pytest.mark.parametrize(
    'offset', [Offset((0.0, 0.0, 0.2)), Offset((nan, 0.0, 0.0)), Offset(rpy=(1.2, 0.0, 0.0))]
)
def test_a_pose_out_of_reach_is_refused(
    standing_walker: Callable[[GaitParameters], Walker], offset: Offset
) -> None:
    """The reason is told and the body stays where it is."""
    walker = standing_walker(GaitParameters())
    before = walker.step(DT, Twist())
    with pytest.raises(CommandError, match='body'):
        walker.offset_body(offset)
    assert walker.step(DT, Twist()).feet == before.feet


def test_crouching_levels_the_body_first(
    standing_walker: Callable[[GaitParameters], Walker],
) -> None:
    """From a tilted stand the robot comes to rest as from a level one."""
    walker = standing_walker(GaitParameters())
    walker.offset_body(TILTED)
    for _ in range(200):
        walker.step(DT, Twist())
    walker.crouch()
    sample = [walker.step(DT, Twist()) for _ in range(600)][-1]
    assert sample.state is GaitState.RESTING
    assert {round(z, 9) for _, _, z in sample.feet} == {-0.030}
    with pytest.raises(CommandError, match='while standing'):
        walker.offset_body(TILTED)
