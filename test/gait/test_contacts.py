# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Feet that feel the ground: they stop on it early, seek it when it is late, the body follows."""

from collections.abc import Callable, Iterator, Sequence
from math import floor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import BodyMotion, GaitParameters, GaitSample, Twist, Walker
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, static_margin

Floats = NDArray[np.float64]
Ground = Callable[[float, float], float]

DT = 0.01

PARAMETERS = GaitParameters(contacts=True)


def in_world(sample: GaitSample) -> Floats:
    """Feet in `odom`, m, shape (legs, 3)."""
    motion = BodyMotion.of(sample)
    c, s = np.cos(motion.rpy[2]), np.sin(motion.rpy[2])
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    world: Floats = np.array(sample.feet) @ turn.T + motion.position
    return world


def on_ground(
    walker: Walker, ground: Ground, commands: Sequence[tuple[Twist, int]]
) -> Iterator[tuple[GaitSample, Floats]]:
    """Walk over a ground whose touch every foot feels; sample and feet of every tick."""
    sample = walker.step(DT, Twist())
    for command, ticks in commands:
        for _ in range(ticks):
            world = in_world(sample)
            for leg, (x, y, z) in enumerate(world.tolist()):
                walker.touch(leg, z <= ground(x, y) + 1e-9)
            yield sample, world
            sample = walker.step(DT, command)


def bumpy(heights: Sequence[float]) -> Ground:
    """Squares of 60 mm, each with its height, m; level where the robot stands at first."""

    def ground(x: float, y: float) -> float:
        square = 7 * floor(x / 0.06) + 3 * floor(y / 0.06)
        return heights[square % len(heights)] if x > 0.27 else 0.0

    return ground


@settings(max_examples=settings().max_examples // 5)
@given(
    heights=st.lists(st.floats(-0.009, 0.009), min_size=1, max_size=12),
    speeds=st.lists(st.floats(0.0, 0.08), min_size=2, max_size=4),
    duty_factor=st.sampled_from([1 / 2, 2 / 3, 5 / 6]),
)
def test_over_any_ground(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    heights: list[float],
    speeds: list[float],
    duty_factor: float,
) -> None:
    """Nobody slips or jumps, everything is in reach, and the others hold the body.

    Neighbouring squares differ by up to 18 mm. Only a foot that meets the ground in this tick may
    stop at once.
    """
    parameters = GaitParameters(
        contacts=True, duty_factor=duty_factor, slow_duty_factor=duty_factor
    )
    walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
    walker.stand()
    drive = [(Twist(speed), 250) for speed in [0.08, *speeds]]
    before = None
    for sample, world in on_ground(walker, bumpy(heights), drive):
        stands = np.array(sample.standing)
        velocities = np.array(sample.velocities)
        for leg, foot in zip(bracken_legs, sample.feet, strict=True):
            leg.angles(foot)
        assert sample.margin >= parameters.min_margin
        if before is not None:
            old_world, old_stands, old_velocities = before
            assert np.abs(world - old_world)[stands & old_stands].max(initial=0.0) < 1e-9
            # At most half a metre a second, whatever happens.
            assert np.abs(world - old_world).max() < 0.5 * DT
            change = np.linalg.norm(velocities - old_velocities, axis=1)
            met = stands & ~old_stands
            assert change[~met].max(initial=0.0) < 8.0 * DT
        before = world, stands, velocities


def test_climbs_a_step_of_twenty_millimetres(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """On top all feet stand 20 mm higher, and so does the body, which rose smoothly."""
    walker = Walker(bracken, bracken_legs, PARAMETERS, bracken.standing.feet)
    walker.stand()

    def ground(x: float, _: float) -> float:
        return 0.02 if x > 0.3 else 0.0

    drive = [(Twist(0.05), 1600), (Twist(), 300)]
    samples, worlds = zip(*on_ground(walker, ground, drive), strict=True)
    assert samples[-1].pose.x > 0.6
    assert all(samples[-1].standing)
    assert worlds[-1][:, 2] == pytest.approx(np.full(6, 0.02), abs=3e-3)
    heights = np.array([sample.height for sample in samples])
    mean = float(worlds[-1][:, 2].mean())
    assert heights[-1] == pytest.approx(bracken.standing.height + mean, abs=1e-6)
    assert np.abs(np.diff(heights)).max() <= PARAMETERS.body_speed * DT


def test_ground_that_is_missing_is_sought_and_reported(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Beyond an edge a foot goes down by the search depth, straight, and stands there, missed."""
    walker = Walker(bracken, bracken_legs, PARAMETERS, bracken.standing.feet)
    walker.stand()

    def ground(x: float, _: float) -> float:
        return -1.0 if x > 0.27 else 0.0

    sought = 0
    before = None
    for sample, world in on_ground(walker, ground, [(Twist(0.05), 400)]):
        if before is not None and 'seeks the ground' in sample.limit:
            sought += 1
            sinking = world[:, 2] < -1e-9
            assert np.abs(world - before)[sinking, :2].max(initial=0.0) < 1e-9
        if any(sample.missed):
            break
        before = world
    else:
        pytest.fail('no foot missed the ground')
    assert sought > 10
    (leg,) = np.flatnonzero(sample.missed)
    assert sample.standing[leg]
    assert world[leg, 2] == pytest.approx(-PARAMETERS.search_depth, abs=1e-9)


@pytest.mark.parametrize('duty_factor', [0.5, 5 / 6])
def test_no_weight_is_put_on_a_foot_without_ground(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], duty_factor: float
) -> None:
    """At an edge the robot stops; feet that feel the ground hold it, whatever is commanded.

    The foot that found none goes back to its place. To crouch the robot would have to lift others,
    which it does as far as the feet on the ground can hold it.
    """
    parameters = GaitParameters(
        contacts=True, duty_factor=duty_factor, slow_duty_factor=duty_factor
    )
    walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
    walker.stand()

    def ground(x: float, y: float) -> float:
        return -1.0 if x > 0.27 and y > 0.0 else 0.0

    def least_margin(commands: Sequence[tuple[Twist, int]]) -> GaitSample:
        for sample, world in on_ground(walker, ground, commands):
            felt = [(x, y) for x, y, z in world.tolist() if z <= ground(x, y) + 1e-9]
            margin = static_margin(felt, (sample.pose.x, sample.pose.y))
            assert margin > parameters.min_margin
            # The walker counts on no more; the centre of mass is off the middle by less than that.
            assert sample.margin < margin + 2e-3
        return sample

    sample = least_margin([(Twist(0.05), 1500)])
    assert sample.limit == 'a foot found no ground: put some under it, or move the robot'
    assert any(sample.missed)
    assert not sample.twist
    walker.crouch()
    least_margin([(Twist(), 800)])


def test_ground_that_comes_back_lets_the_robot_walk(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """A foot that stood without ground and feels some carries again."""
    walker = Walker(bracken, bracken_legs, PARAMETERS, bracken.standing.feet)
    walker.stand()
    edge = [0.27]

    def ground(x: float, _: float) -> float:
        return -1.0 if x > edge[0] else 0.0

    drive = [(Twist(0.05), 1000)]
    *_, (sample, _) = on_ground(walker, ground, drive)
    assert any(sample.missed)
    there = sample.pose.x
    edge[0] = 10.0
    *_, (sample, _) = on_ground(walker, ground, drive)
    assert not any(sample.missed)
    assert sample.pose.x > there + 0.2


def test_nobody_lifts_while_a_foot_seeks(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """The body comes to a stop on the feet that stand."""
    walker = Walker(bracken, bracken_legs, PARAMETERS, bracken.standing.feet)
    walker.stand()

    def ground(x: float, _: float) -> float:
        return -1.0 if x > 0.27 else 0.0

    samples = [sample for sample, _ in on_ground(walker, ground, [(Twist(0.05), 800)])]
    sought = 0
    for before, now, after in zip(samples, samples[1:], samples[2:], strict=False):
        # What was true at the end of a tick is told by the next one.
        if 'seeks the ground' in after.limit:
            sought += 1
            for old, new in zip(before.standing, now.standing, strict=True):
                assert new or not old
    assert sought > 10


def test_without_contacts_nobody_asks(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> None:
    """Told of touches or not, the walk is the same."""
    walkers = [
        Walker(bracken, bracken_legs, GaitParameters(), bracken.standing.feet) for _ in range(2)
    ]
    for walker in walkers:
        walker.stand()
    for tick in range(400):
        for leg in range(6):
            walkers[0].touch(leg, bool(tick % 3))
        assert walkers[0].step(DT, Twist(0.06)) == walkers[1].step(DT, Twist(0.06))


def test_on_level_ground_contacts_change_nothing_but_the_stride(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Ground where it was expected: the same feet as without contacts."""
    feeling = Walker(bracken, bracken_legs, PARAMETERS, bracken.standing.feet)
    blind = Walker(bracken, bracken_legs, GaitParameters(), bracken.standing.feet)
    feeling.stand()
    blind.stand()
    other = blind.step(DT, Twist())
    for sample, _ in on_ground(feeling, bumpy([0.0]), [(Twist(0.04), 500)]):
        if other.pose.x:
            assert np.array(sample.feet) == pytest.approx(np.array(other.feet), abs=1e-9)
        other = blind.step(DT, Twist(0.04))


def test_a_leg_that_does_not_exist_is_refused(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """With the numbers that do."""
    walker = Walker(bracken, bracken_legs, PARAMETERS, bracken.standing.feet)
    for leg in (-1, 6):
        with pytest.raises(CommandError, match=f'no leg {leg}; they are 0 to 5'):
            walker.touch(leg, touching=True)
