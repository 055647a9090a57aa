# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A whole life of the walker, under random commands: what must hold at every tick.

What is checked is recomputed from the samples alone, as a listener to the gait could.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
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

# A life of hundreds of ticks an example: fewer examples than for a pure function.
lives_settings = settings(max_examples=settings().max_examples // 2)


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
    rise_time=st.just(0.5),
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


def in_world(sample: GaitSample) -> NDArray[np.float64]:
    """Feet in the world, m, shape (legs, 3), by complex numbers rather than by our matrices."""
    turn = np.exp(1j * sample.pose.yaw)
    feet = np.array(sample.feet)
    planar = complex(sample.pose.x, sample.pose.y) + turn * (feet[:, 0] + 1j * feet[:, 1])
    return np.stack([planar.real, planar.imag, feet[:, 2] + sample.height], axis=1)


def velocity_in_world(sample: GaitSample) -> NDArray[np.float64]:
    """Horizontal velocity of the feet in the world, m/s, shape (legs, 2)."""
    turn = np.exp(1j * sample.pose.yaw)
    feet, velocities = np.array(sample.feet), np.array(sample.velocities)
    place = feet[:, 0] + 1j * feet[:, 1]
    body = complex(sample.twist.x, sample.twist.y) + 1j * sample.twist.yaw * place
    world = turn * (body + velocities[:, 0] + 1j * velocities[:, 1])
    return np.stack([world.real, world.imag], axis=1)


def walker_of(robot: Robot, legs: tuple[LegSolver, ...], life: Life) -> Walker:
    """Make a walker that rests."""
    return Walker(robot, legs, life.parameters, robot.resting.feet)


@lives_settings
@given(life=lives)
def test_standing_feet_do_not_slip(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], life: Life
) -> None:
    """A foot that stands before and after a tick is at the same place in the world."""
    previous = None
    for _, sample in lived(walker_of(bracken, bracken_legs, life), life):
        world = in_world(sample)
        if previous is not None:
            stood, place = previous
            both = np.array(stood) & np.array(sample.standing)
            assert np.abs(world - place)[both].max(initial=0.0) < 1e-9
        assert np.abs(world[np.array(sample.standing), 2]).max(initial=0.0) < 1e-12
        previous = (sample.standing, world)


@lives_settings
@given(life=lives)
def test_no_foot_jumps_in_position_or_velocity(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    acceleration_bound: Callable[[GaitParameters, Walker], float],
    life: Life,
) -> None:
    """A tick changes velocity by no more than the bound, and position by the mean velocity."""
    walker = walker_of(bracken, bracken_legs, life)
    bound = acceleration_bound(life.parameters, walker)
    previous = None
    for _, sample in lived(walker, life):
        if previous is not None:
            p, q = np.array(previous.feet), np.array(sample.feet)
            v, w = np.array(previous.velocities), np.array(sample.velocities)
            assert np.linalg.norm(w - v, axis=1).max() <= bound * life.dt
            moved = q - p - 0.5 * (v + w) * life.dt
            assert np.linalg.norm(moved, axis=1).max() <= 0.5 * bound * life.dt**2
        previous = sample


@lives_settings
@given(life=lives)
def test_every_target_can_be_reached(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], life: Life
) -> None:
    """Whatever is commanded, the inverse kinematics of every leg has an answer."""
    for _, sample in lived(walker_of(bracken, bracken_legs, life), life):
        for leg, foot in zip(bracken_legs, sample.feet, strict=True):
            leg.angles(foot)


@lives_settings
@given(life=lives)
def test_body_velocity_keeps_its_bounds(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], life: Life
) -> None:
    """Speed, yaw rate and both accelerations stay bounded, also on the way to a stop."""
    parameters = life.parameters
    last = Twist()
    for _, sample in lived(walker_of(bracken, bracken_legs, life), life):
        twist = sample.twist
        change = hypot(twist.x - last.x, twist.y - last.y)
        assert change <= parameters.acceleration * life.dt * (1.0 + 1e-9)
        assert abs(twist.yaw - last.yaw) <= parameters.yaw_acceleration * life.dt * (1.0 + 1e-9)
        assert twist.speed <= parameters.max_speed * (1.0 + 1e-9)
        assert abs(twist.yaw) <= parameters.max_yaw_rate * (1.0 + 1e-9)
        last = twist


@lives_settings
@given(life=lives)
def test_pose_is_the_integral_of_the_twist(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], life: Life
) -> None:
    """Product of the matrix exponentials of all twists (by their series) is the odometry."""
    total = np.eye(3)
    for _, sample in lived(walker_of(bracken, bracken_legs, life), life):
        x, y, yaw = sample.twist.x, sample.twist.y, sample.twist.yaw
        generator = life.dt * np.array([[0.0, -yaw, x], [yaw, 0.0, y], [0.0, 0.0, 0.0]])
        term = step = np.eye(3)
        for order in range(1, 8):
            term = term @ generator / order
            step = step + term
        total = total @ step
        pose = sample.pose
        assert (pose.x, pose.y) == pytest.approx(total[:2, 2], abs=1e-11)
        assert np.exp(1j * pose.yaw) == pytest.approx(total[0, 0] + 1j * total[1, 0], abs=1e-11)


@lives_settings
@given(life=lives)
def test_enough_feet_stand(bracken: Robot, bracken_legs: tuple[LegSolver, ...], life: Life) -> None:
    """Never fewer feet down than the phase family keeps, starting and stopping included."""
    enough = floor(6.0 * life.parameters.duty_factor - 1e-6)
    for _, sample in lived(walker_of(bracken, bracken_legs, life), life):
        assert sum(sample.standing) >= enough


@lives_settings
@given(life=lives)
def test_swing_keeps_its_height(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], life: Life
) -> None:
    """Every completed swing rises to the lift and not beyond, and never below the ground."""
    lift = life.parameters.lift
    highest: list[float | None] = [None] * len(bracken_legs)
    # A tick may miss the top by half its length.
    top = 0.5 + 0.5 * life.dt / life.parameters.swing_time
    seen_at_least = 64.0 * lift * (top * (1.0 - top)) ** 3
    for _, sample in lived(walker_of(bracken, bracken_legs, life), life):
        heights = in_world(sample)[:, 2]
        assert heights.min() >= -1e-12
        assert heights.max() <= lift + 1e-12
        for leg, (height, stands) in enumerate(zip(heights, sample.standing, strict=True)):
            peak = highest[leg]
            if not stands:
                highest[leg] = max(height, peak or 0.0)
            elif peak is not None:
                assert peak >= seen_at_least - 1e-12
                highest[leg] = None


@lives_settings
@given(life=lives)
def test_feet_leave_and_land_at_rest_in_the_world(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    landing_speed_bound: Callable[[GaitParameters, Walker, float], float],
    life: Life,
) -> None:
    """Within a tick of liftoff or touchdown a foot hardly moves over the ground: no scuffing."""
    walker = walker_of(bracken, bracken_legs, life)
    slow = landing_speed_bound(life.parameters, walker, life.dt)
    before = None
    for _, sample in lived(walker, life):
        speed = np.hypot(*velocity_in_world(sample).T)
        stands = np.array(sample.standing)
        assert speed[stands].max(initial=0.0) < 1e-9
        if before is not None:
            stood, last_speed = before
            assert speed[stood & ~stands].max(initial=0.0) <= slow
            assert last_speed[~stood & stands].max(initial=0.0) <= slow
        before = (stands, speed)


@lives_settings
@given(life=lives)
def test_stop_ends_in_the_neutral_stance_and_stays(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], life: Life
) -> None:
    """Within the ramp and two cycles all feet are home to 1 mm; then nothing moves at all."""
    walker = walker_of(bracken, bracken_legs, life)
    for _ in lived(walker, life):
        pass
    walker.stand()
    parameters = life.parameters
    ramp = max(
        parameters.max_speed / parameters.acceleration,
        parameters.max_yaw_rate / parameters.yaw_acceleration,
    )
    period = parameters.swing_time / (1.0 - parameters.duty_factor)
    time = ramp + 2.0 * period + parameters.rise_time
    for _ in range(floor(time / life.dt) + 2):
        walker.step(life.dt, Twist())
    sample = walker.step(life.dt, Twist())
    assert sample.state is GaitState.STANDING
    assert all(sample.standing)
    for foot, home in zip(sample.feet, bracken.standing.feet, strict=True):
        assert dist(foot, home) <= 1e-3
    for _ in range(300):
        assert walker.step(life.dt, Twist()) == sample


@lives_settings
@given(
    life=lives,
    bad=st.sampled_from([float('nan'), float('inf'), -float('inf')]),
    axis=st.sampled_from(['x', 'y', 'yaw']),
)
def test_command_that_is_not_finite_changes_nothing(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], life: Life, bad: float, axis: str
) -> None:
    """NaN and infinity are refused, and the walk goes on as if nothing had been said."""
    disturbed = walker_of(bracken, bracken_legs, life)
    samples = lived(walker_of(bracken, bracken_legs, life), life)
    for (command, sample), (_, other) in zip(samples, lived(disturbed, life), strict=True):
        assert sample == other
        with pytest.raises(CommandError, match='must be finite'):
            disturbed.step(life.dt, replace(command, **{axis: bad}))


@lives_settings
@given(command=commands, duty=st.sampled_from([1 / 2, 2 / 3, 3 / 4, 5 / 6]))
def test_held_command_is_obeyed_or_its_limit_is_named(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], command: Twist, duty: float
) -> None:
    """After the ramp the velocity is the command, or along it and the binding limit is told."""
    life = Life(GaitParameters(duty_factor=duty), 0.01, (Episode('', command, 600),))
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
