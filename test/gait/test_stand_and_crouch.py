# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Standing up, crouching, and taking over from feet wherever they are."""

from collections.abc import Callable, Sequence
from math import dist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters, GaitSample, GaitState, Twist, Walker
from leg_kinematics.gait.posing import WAY_TOLERANCE
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver

DT = 0.01
PARAMETERS = GaitParameters()
STILL = Twist()

walk_commands = st.builds(
    Twist, st.floats(-0.12, 0.12), st.floats(-0.12, 0.12), st.floats(-0.6, 0.6)
)


def until(walker: Walker, state: GaitState, command: Twist = STILL) -> list[GaitSample]:
    """Step until the gait is in the state; a minute without it is a failure."""
    samples = []
    for _ in range(6000):
        samples.append(walker.step(DT, command))
        if samples[-1].state is state:
            return samples
    pytest.fail(f'not {state} within a minute, but {samples[-1].state}')


Smooth = Callable[[Sequence[Vector], Sequence[GaitSample]], None]


@pytest.fixture(scope='session')
def assert_smooth(
    standing_walker: Callable[[GaitParameters], Walker],
    bracken_legs: tuple[LegSolver, ...],
    acceleration_bound: Callable[[GaitParameters, Walker], float],
) -> Smooth:
    """From feet at rest, every tick is a small one, and every target can be reached."""
    bound = acceleration_bound(PARAMETERS, standing_walker(PARAMETERS))

    def check(feet: Sequence[Vector], samples: Sequence[GaitSample]) -> None:
        places, velocities = np.array(feet), np.zeros((len(feet), 3))
        for sample in samples:
            new_places, new_velocities = np.array(sample.feet), np.array(sample.velocities)
            change = np.linalg.norm(new_velocities - velocities, axis=1)
            assert change.max() <= bound * DT
            moved = new_places - places - 0.5 * (velocities + new_velocities) * DT
            assert np.linalg.norm(moved, axis=1).max() <= 0.5 * bound * DT**2
            for leg, foot in zip(bracken_legs, sample.feet, strict=True):
                leg.angles(foot)
            places, velocities = new_places, new_velocities

    return check


def assert_posture(sample: GaitSample, feet: Sequence[Vector], within: float) -> None:
    """All feet on the ground and in their places, at rest."""
    assert all(sample.standing)
    for foot, place, velocity in zip(sample.feet, feet, sample.velocities, strict=True):
        assert dist(foot, place) <= within
        assert velocity == (0.0, 0.0, 0.0)


def test_rests_until_told_to_stand(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> None:
    """A velocity does not move a robot that rests."""
    walker = Walker(bracken, bracken_legs, PARAMETERS, bracken.resting.feet)
    for _ in range(100):
        sample = walker.step(DT, Twist(0.1, 0.0, 0.5))
        assert sample.state is GaitState.RESTING
        assert sample.twist == STILL
        assert_posture(sample, bracken.resting.feet, 0.0)


def test_stands_straight_up(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], assert_smooth: Smooth
) -> None:
    """From the resting posture the body rises in the rise time, and no foot leaves its place."""
    walker = Walker(bracken, bracken_legs, PARAMETERS, bracken.resting.feet)
    walker.stand()
    samples = until(walker, GaitState.STANDING, Twist(0.1))
    assert len(samples) == pytest.approx(PARAMETERS.stand_time / DT, abs=1)
    assert_smooth(bracken.resting.feet, samples)
    heights = [sample.height for sample in samples]
    assert heights == sorted(heights)
    # Half the way in half the time: a minimum jerk motion is symmetric (Flash and Hogan 1985).
    assert heights[len(heights) // 2 - 1] == pytest.approx((0.030 + 0.085) / 2, abs=1e-3)
    assert all(all(sample.standing) for sample in samples)
    assert_posture(samples[-1], bracken.standing.feet, 1e-12)


def test_crouches_where_it_stands(
    standing_walker: Callable[[GaitParameters], Walker],
    bracken: Robot,
    assert_smooth: Smooth,
) -> None:
    """From the standing posture the body sinks in the rise time to the resting posture."""
    walker = standing_walker(PARAMETERS)
    walker.crouch()
    samples = until(walker, GaitState.RESTING, Twist(0.1))
    assert len(samples) == pytest.approx(PARAMETERS.stand_time / DT, abs=1)
    assert_smooth(bracken.standing.feet, samples)
    assert_posture(samples[-1], bracken.resting.feet, 1e-12)


@settings(max_examples=settings().max_examples // 3)
@given(command=walk_commands, ticks=st.integers(1, 300))
def test_crouch_ends_a_walk_first(
    standing_walker: Callable[[GaitParameters], Walker],
    bracken: Robot,
    assert_smooth: Smooth,
    command: Twist,
    ticks: int,
) -> None:
    """Told to crouch while walking, it stops, brings the feet home, and only then sinks."""
    walker = standing_walker(PARAMETERS)
    walk = [walker.step(DT, command) for _ in range(ticks)]
    walker.crouch()
    samples = until(walker, GaitState.RESTING, command)
    assert_smooth(bracken.standing.feet, walk + samples)
    for sample in samples:
        if sample.height < bracken.standing.height:
            assert all(sample.standing)
            assert sample.twist == STILL
    assert_posture(samples[-1], bracken.resting.feet, 1e-3)


@settings(max_examples=settings().max_examples // 3)
@given(ticks=st.lists(st.integers(1, 250), min_size=1, max_size=6))
def test_change_of_mind_on_the_way(
    standing_walker: Callable[[GaitParameters], Walker],
    bracken: Robot,
    assert_smooth: Smooth,
    ticks: list[int],
) -> None:
    """Stand and crouch in turn, each before the other is done, never jump; the last one wins."""
    walker = standing_walker(PARAMETERS)
    samples = []
    for turn, length in enumerate(ticks):
        if turn % 2:
            walker.stand()
        else:
            walker.crouch()
        samples += [walker.step(DT, STILL) for _ in range(length)]
    # Turned round at speed it goes on until it can do so without passing either end.
    low, high = bracken.resting.height, bracken.standing.height
    assert all(low - WAY_TOLERANCE <= sample.height <= high + WAY_TOLERANCE for sample in samples)
    walker.stand()
    if samples[-1].state is not GaitState.STANDING:
        samples += until(walker, GaitState.STANDING)
    assert_smooth(bracken.standing.feet, samples)
    assert_posture(samples[-1], bracken.standing.feet, 1e-12)


@settings(max_examples=settings().max_examples // 3)
@given(
    story=st.tuples(
        walk_commands,
        st.integers(1, 300),
        st.sampled_from([GaitState.STANDING, GaitState.RESTING]),
    )
)
def test_takes_over_in_the_middle_of_a_walk(
    standing_walker: Callable[[GaitParameters], Walker],
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    assert_smooth: Smooth,
    story: tuple[Twist, int, GaitState],
) -> None:
    """Restarted with feet in the air and out of place, it stays, and steps home when told."""
    walker = standing_walker(PARAMETERS)
    command, ticks, end = story
    feet = [walker.step(DT, command) for _ in range(ticks)][-1].feet
    successor = Walker(bracken, bracken_legs, PARAMETERS, feet)
    for _ in range(3):
        sample = successor.step(DT, command)
        assert np.array(sample.feet) == pytest.approx(np.array(feet), abs=1e-15)
    if end is GaitState.STANDING:
        successor.stand()
        posture = bracken.standing
    else:
        successor.crouch()
        posture = bracken.resting
    samples = [successor.step(DT, command)]
    if end is GaitState.RESTING:
        # Asked to crouch it already rests, in name: the first tick shows that it goes.
        assert samples[0].state is GaitState.CROUCHING
    samples += until(successor, end)
    assert_smooth(feet, samples)
    # Feet less than 2 mm above the others were taken to stand.
    assert_posture(samples[-1], posture.feet, 1e-3 + 2e-3)


@settings(max_examples=settings().max_examples // 3)
@given(
    shifts=st.lists(
        st.tuples(st.floats(-0.02, 0.02), st.floats(-0.02, 0.02)), min_size=6, max_size=6
    ),
    height=st.floats(0.03, 0.085),
)
def test_feet_out_of_place_step_home_before_the_body_rises(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    assert_smooth: Smooth,
    shifts: list[tuple[float, float]],
    height: float,
) -> None:
    """Put down anyhow, at any height, it tidies its feet first and stands in its posture."""
    feet = [
        (x + dx, y + dy, -height)
        for (x, y, _), (dx, dy) in zip(bracken.standing.feet, shifts, strict=True)
    ]
    walker = Walker(bracken, bracken_legs, PARAMETERS, feet)
    walker.stand()
    samples = until(walker, GaitState.STANDING)
    assert_smooth(feet, samples)
    assert all(all(sample.standing) for sample in samples if abs(sample.height - height) > 1e-12)
    assert_posture(samples[-1], bracken.standing.feet, 1e-3)


def test_wrong_number_of_feet_is_refused(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """One foot a leg, or a clear error."""
    with pytest.raises(CommandError, match='bracken needs 6 feet, got 5'):
        Walker(bracken, bracken_legs, PARAMETERS, bracken.resting.feet[:5])
