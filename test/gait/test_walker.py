# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A whole life of the walker, under random commands: what must hold at every tick.

What is checked is recomputed from the samples alone, as a listener to the gait could.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import accumulate, cycle
from math import dist, floor, hypot

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters, GaitSample, GaitState, Twist, Walker
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Episode:
    """A button, perhaps, and then a command that is held for some ticks."""

    button: str
    command: Twist
    ticks: int


@dataclass(frozen=True)
class Life:
    """How to walk, a tick, and what happens after the robot has been told to stand up."""

    parameters: GaitParameters
    dt: float
    episodes: tuple[Episode, ...]


commands = st.one_of(
    st.just(Twist()),
    st.builds(Twist, st.floats(-0.3, 0.3), st.floats(-0.3, 0.3), st.floats(-2.0, 2.0)),
)
# Walking, mostly.
buttons = st.sampled_from(['', '', '', '', 'stand', 'crouch'])
# Slow cycles and hard accelerations too, in which the reach of standing feet binds. A quick rise,
# so that walking fills most of a life.
parameter_sets = st.builds(
    GaitParameters,
    swing_time=st.floats(0.25, 0.9),
    duty_factor=st.one_of(st.sampled_from([1 / 2, 2 / 3, 3 / 4, 5 / 6]), st.floats(0.5, 0.85)),
    max_speed=st.floats(0.05, 0.3),
    acceleration=st.floats(0.1, 1.0),
    yaw_acceleration=st.floats(0.5, 4.0),
    stand_time=st.just(0.5),
)
lives = st.builds(
    Life,
    parameter_sets,
    st.one_of(st.sampled_from([0.005, 0.01, 0.02]), st.floats(0.005, 0.02)),
    st.lists(
        st.builds(Episode, buttons, commands, st.integers(1, 120)), min_size=1, max_size=6
    ).map(tuple),
)


def lived(walker: Walker, life: Life) -> Iterator[tuple[Twist, GaitSample]]:
    """Command and sample of every tick; the first before anything has moved."""
    yield Twist(), walker.step(life.dt, Twist())
    walker.stand()
    for _ in range(floor(0.6 / life.dt)):
        yield Twist(), walker.step(life.dt, Twist())
    for episode in life.episodes:
        if episode.button == 'stand':
            walker.stand()
        elif episode.button == 'crouch':
            walker.crouch()
        for _ in range(episode.ticks):
            yield episode.command, walker.step(life.dt, episode.command)


def walker_of(robot: Robot, legs: tuple[LegSolver, ...], life: Life) -> Walker:
    """Make a walker that rests."""
    return Walker(robot, legs, life.parameters, robot.resting.feet)


@dataclass(frozen=True)
class Record:
    """A life as a listener to the gait heard it, tick by tick.

    Attributes
    ----------
    life
        What was lived.
    samples
        What the gait said.

    """

    life: Life
    samples: list[GaitSample]

    @cached_property
    def feet(self) -> Floats:
        """Feet in the body, m, shape (ticks, legs, 3)."""
        return np.array([sample.feet for sample in self.samples])

    @cached_property
    def velocities(self) -> Floats:
        """Their velocities in the body, m/s, shape (ticks, legs, 3)."""
        return np.array([sample.velocities for sample in self.samples])

    @cached_property
    def standing(self) -> NDArray[np.bool_]:
        """Who stands, shape (ticks, legs)."""
        return np.array([sample.standing for sample in self.samples])

    @cached_property
    def twists(self) -> Floats:
        """Velocities of the body: x, y (m/s) and yaw (rad/s), shape (ticks, 3)."""
        twists = (sample.twist for sample in self.samples)
        return np.array([(twist.x, twist.y, twist.yaw) for twist in twists])

    @cached_property
    def poses(self) -> Floats:
        """Poses of the body: x, y (m) and yaw (rad), shape (ticks, 3)."""
        poses = (sample.pose for sample in self.samples)
        return np.array([(pose.x, pose.y, pose.yaw) for pose in poses])

    @cached_property
    def world(self) -> Floats:
        """Feet in the world, m, shape (ticks, legs, 3), by complex numbers, not by our matrices."""
        x, y, yaw = self.poses.T[:, :, np.newaxis]
        place = x + 1j * y + np.exp(1j * yaw) * (self.feet[..., 0] + 1j * self.feet[..., 1])
        height = np.array([[sample.height] for sample in self.samples])
        return np.stack([place.real, place.imag, self.feet[..., 2] + height], axis=-1)

    @cached_property
    def world_speeds(self) -> Floats:
        """Horizontal speeds of the feet over the ground, m/s, shape (ticks, legs)."""
        x, y, yaw = self.twists.T[:, :, np.newaxis]
        body = x + 1j * y + 1j * yaw * (self.feet[..., 0] + 1j * self.feet[..., 1])
        velocity = body + self.velocities[..., 0] + 1j * self.velocities[..., 1]
        speeds: Floats = np.hypot(velocity.real, velocity.imag)
        return speeds


def standing_feet_do_not_slip(record: Record) -> None:
    """Where a foot stands before and after a tick, it is at the same place in the world."""
    both = record.standing[1:] & record.standing[:-1]
    assert np.abs(np.diff(record.world, axis=0))[both].max() < 1e-9
    assert np.abs(record.world[record.standing, 2]).max() < 1e-12


def no_foot_jumps_in_position_or_velocity(record: Record, bound: float) -> None:
    """In a tick velocity changes by no more than the bound, and position by the mean velocity."""
    dt, velocities = record.life.dt, record.velocities
    assert np.linalg.norm(np.diff(velocities, axis=0), axis=-1).max() <= bound * dt
    moved = np.diff(record.feet, axis=0) - 0.5 * dt * (velocities[1:] + velocities[:-1])
    assert np.linalg.norm(moved, axis=-1).max() <= 0.5 * bound * dt**2


def every_target_can_be_reached(record: Record, legs: Sequence[LegSolver]) -> None:
    """Whatever is commanded, the inverse kinematics of every leg has an answer."""
    for sample in record.samples:
        for leg, foot in zip(legs, sample.feet, strict=True):
            leg.angles(foot)


def body_velocity_keeps_its_bounds(record: Record) -> None:
    """Speed, yaw rate and both accelerations stay bounded, also on the way to a stop."""
    parameters, dt, over = record.life.parameters, record.life.dt, 1.0 + 1e-9
    x, y, yaw = record.twists.T
    assert np.hypot(x, y).max() <= parameters.max_speed * over
    assert np.abs(yaw).max() <= parameters.max_yaw_rate * over
    assert not record.twists[0].any()
    assert np.hypot(np.diff(x), np.diff(y)).max() <= parameters.acceleration * dt * over
    assert np.abs(np.diff(yaw)).max() <= parameters.yaw_acceleration * dt * over


def pose_is_the_integral_of_the_twist(record: Record) -> None:
    """Product of the matrix exponentials of all twists (by their series) is the odometry."""
    generators = np.zeros((len(record.samples), 3, 3))
    generators[:, :2, 2] = record.life.dt * record.twists[:, :2]
    generators[:, 1, 0] = record.life.dt * record.twists[:, 2]
    generators[:, 0, 1] = -generators[:, 1, 0]
    terms = steps = np.broadcast_to(np.eye(3), generators.shape)
    for order in range(1, 8):
        terms = terms @ generators / order
        steps = steps + terms
    totals = np.array(list(accumulate(steps, np.matmul)))
    x, y, yaw = record.poses.T
    assert np.abs(totals[:, :2, 2] - np.stack([x, y], axis=1)).max() <= 1e-11
    turns = totals[:, 0, 0] + 1j * totals[:, 1, 0]
    assert np.abs(np.exp(1j * yaw) - turns).max() <= 1e-11


def enough_feet_stand(record: Record) -> None:
    """Never fewer feet down than the phase family keeps, starting and stopping included."""
    legs = record.standing.shape[1]
    enough = floor(legs * record.life.parameters.duty_factor - 1e-6)
    assert record.standing.sum(axis=1).min() >= enough


def swing_keeps_its_height(record: Record) -> None:
    """Every completed swing rises to the lift and not beyond, and never below the ground."""
    parameters, heights = record.life.parameters, record.world[..., 2]
    assert heights.min() >= -1e-12
    assert heights.max() <= parameters.lift + 1e-12
    # A tick may miss the top by half its length.
    top = 0.5 + 0.5 * record.life.dt / parameters.swing_time
    seen_at_least = 64.0 * parameters.lift * (top * (1.0 - top)) ** 3
    for height, stands in zip(heights.T, record.standing.T, strict=True):
        lifts = np.flatnonzero(stands[:-1] & ~stands[1:]) + 1
        lands = np.flatnonzero(~stands[:-1] & stands[1:]) + 1
        for lift, land in zip(lifts, lands, strict=True):
            assert height[lift:land].max() >= seen_at_least - 1e-12


def feet_leave_and_land_at_rest_in_the_world(record: Record, slow: float) -> None:
    """Within a tick of liftoff or touchdown a foot hardly moves over the ground: no scuffing."""
    speeds, stands = record.world_speeds, record.standing
    assert speeds[stands].max() < 1e-9
    assert speeds[1:][stands[:-1] & ~stands[1:]].max(initial=0.0) <= slow
    assert speeds[:-1][~stands[:-1] & stands[1:]].max(initial=0.0) <= slow


def stop(walker: Walker, life: Life) -> Iterator[GaitSample]:
    """Stand up, if need be, and command nothing for the ramp, two cycles and a rise."""
    walker.stand()
    parameters = life.parameters
    ramp = max(
        parameters.max_speed / parameters.acceleration,
        parameters.max_yaw_rate / parameters.yaw_acceleration,
    )
    period = parameters.swing_time / (1.0 - parameters.duty_factor)
    time = ramp + 2.0 * period + parameters.stand_time
    for _ in range(floor(time / life.dt) + 3):
        yield walker.step(life.dt, Twist())


def stands_in_the_neutral_stance(sample: GaitSample, robot: Robot) -> None:
    """All feet are down, and home to 1 mm."""
    assert sample.state is GaitState.STANDING
    assert all(sample.standing)
    for foot, home in zip(sample.feet, robot.standing.feet, strict=True):
        assert dist(foot, home) <= 1e-3


@given(life=lives)
def test_whatever_is_commanded(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    acceleration_bound: Callable[[GaitParameters, Walker], float],
    landing_speed_bound: Callable[[GaitParameters, Walker, float], float],
    life: Life,
) -> None:
    """A life and the stop at its end, looked at by one check after the other.

    The lives cost the time, the checks hardly any: all of them see all lives.
    """
    walker = walker_of(bracken, bracken_legs, life)
    bound = acceleration_bound(life.parameters, walker)
    slow = landing_speed_bound(life.parameters, walker, life.dt)
    samples = [sample for _, sample in lived(walker, life)]
    record = Record(life, [*samples, *stop(walker, life)])

    standing_feet_do_not_slip(record)
    no_foot_jumps_in_position_or_velocity(record, bound)
    every_target_can_be_reached(record, bracken_legs)
    body_velocity_keeps_its_bounds(record)
    pose_is_the_integral_of_the_twist(record)
    enough_feet_stand(record)
    swing_keeps_its_height(record)
    feet_leave_and_land_at_rest_in_the_world(record, slow)
    stands_in_the_neutral_stance(record.samples[-1], bracken)
    for _ in range(100):
        assert walker.step(life.dt, Twist()) == record.samples[-1]


BAD = tuple(
    {axis: number}
    for number in (float('nan'), float('inf'), -float('inf'))
    for axis in ('x', 'y', 'yaw')
)


@settings(max_examples=settings().max_examples // 5)
@given(life=lives)
def test_command_that_is_not_finite_changes_nothing(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], life: Life
) -> None:
    """NaN and infinity are refused, and the walk goes on as if nothing had been said."""
    disturbed = walker_of(bracken, bracken_legs, life)
    samples = lived(walker_of(bracken, bracken_legs, life), life)
    ticks = zip(samples, lived(disturbed, life), cycle(BAD), strict=False)
    for (command, sample), (_, other), bad in ticks:
        assert sample == other
        with pytest.raises(CommandError, match='must be finite'):
            disturbed.step(life.dt, replace(command, **bad))


@settings(max_examples=settings().max_examples // 2)
@given(command=commands, duty=st.sampled_from([1 / 2, 2 / 3, 3 / 4, 5 / 6]))
def test_held_command_is_obeyed_or_its_limit_is_named(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], command: Twist, duty: float
) -> None:
    """After first steps and ramp it is the command, or along it and the binding limit is told."""
    life = Life(GaitParameters(duty_factor=duty), 0.01, (Episode('', command, 700),))
    *_, (_, sample) = lived(walker_of(bracken, bracken_legs, life), life)
    if sample.limit:
        assert sample.twist != command
    else:
        assert sample.twist == command
    size = hypot(command.x, command.y, command.yaw)
    if size > 0.0:
        factor = hypot(sample.twist.x, sample.twist.y, sample.twist.yaw) / size
        expected = (command.x * factor, command.y * factor, command.yaw * factor)
        assert (sample.twist.x, sample.twist.y, sample.twist.yaw) == pytest.approx(
            expected, abs=1e-12
        )
