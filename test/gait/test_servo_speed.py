# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""No joint is asked for more speed than it may be."""

from collections.abc import Sequence
from math import cos, pi, sin, tau

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from leg_kinematics.gait import GaitParameters, GaitSample, GaitState, Offset, Twist, Walker
from leg_kinematics.gait.pace import limit_servo_speed
from leg_kinematics.gait.workspace import (
    HEADINGS,
    fastest_stances,
    fastest_towards,
    liftable_radii,
)
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, ManyLegs

DT = 0.01

SPEEDS = (5.0, 5.0, 5.0)


def joint_speeds(legs: Sequence[LegSolver], samples: Sequence[GaitSample]) -> NDArray[np.float64]:
    """Speeds between ticks by the inverse kinematics, rad/s, shape (ticks - 1, legs, 3)."""
    angles = np.array(
        [
            [leg.angles(foot) for leg, foot in zip(legs, sample.feet, strict=True)]
            for sample in samples
        ]
    )
    return np.abs(np.diff(angles, axis=0)) / DT


@pytest.mark.parametrize('duty_factor', [1 / 2, 2 / 3, 5 / 6])
@pytest.mark.parametrize('heading', [0, 3, 4, 9])
def test_fastest_steady_walk_uses_what_the_servos_may(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], duty_factor: float, heading: int
) -> None:
    """Walked at the speed of the slowest leg, one joint comes to its share and none beyond.

    The walker walks; its joints are seen through the inverse kinematics. A tenth is for what lies
    between the strides and instants that the limit looks at.
    """
    angle = tau * heading / HEADINGS
    fastest = fastest_stances(
        ManyLegs.of(bracken_legs),
        np.array(bracken.standing.feet),
        np.full(6, 0.05),
        np.tile(SPEEDS, (6, 1)),
        swing_time=0.5,
        duty_factor=duty_factor,
        lift=0.03,
    )
    speed = float(fastest[0, :, heading].min())
    parameters = GaitParameters(duty_factor=duty_factor, max_speed=1.0, speed_share=10.0)
    walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
    walker.stand()
    command = Twist(speed * cos(angle), speed * sin(angle))
    samples = [walker.step(DT, command) for _ in range(1200)]
    assert samples[-1].twist == command
    peak = joint_speeds(bracken_legs, samples[-320:]).max()
    assert 0.9 * SPEEDS[0] <= peak <= 1.02 * SPEEDS[0]


def test_slow_servos_limit_the_walk_and_are_named(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Half the speed of the servos makes a slower walk; the reason has leg, value and bound."""
    speeds = []
    for share in (0.9, 0.6):
        parameters = GaitParameters(speed_share=share, max_speed=0.5)
        walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
        walker.stand()
        sample = [walker.step(DT, Twist(0.3)) for _ in range(600)][-1]
        assert sample.limit.startswith('servo speed: ')
        assert 'm/s at the foot of' in sample.limit
        speeds.append(sample.twist.x)
    assert speeds[1] < 0.75 * speeds[0]


def test_servos_too_slow_to_lift_in_time_make_no_step(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """A lift of 30 mm in a tenth of a second is beyond them: the robot stands and says so."""
    walker = Walker(bracken, bracken_legs, GaitParameters(swing_time=0.1), bracken.standing.feet)
    walker.stand()
    samples = [walker.step(DT, Twist(0.05)) for _ in range(100)]
    assert all(all(sample.standing) for sample in samples)
    assert samples[-1].state is GaitState.STANDING
    assert 'stride radius 0 mm' in samples[-1].limit


def test_liftable_radius_shrinks_with_the_time(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """All of the disc with time enough, none with hardly any, something between."""
    radii = [
        liftable_radii(
            ManyLegs.of(bracken_legs[:1]),
            np.array(bracken.standing.feet[:1]),
            np.array([[0.05]]),
            np.array([SPEEDS]),
            swing_time=time,
            lift=0.03,
        ).item()
        for time in (2.0, 0.5, 0.35, 0.1)
    ]
    assert radii[0] == 0.05
    assert radii == sorted(radii, reverse=True)
    assert 0.0 < radii[2] < 0.05
    assert radii[3] == 0.0


def test_between_headings_the_speed_is_interpolated() -> None:
    """At a heading it is that of the heading, half way the mean, round the circle too."""
    stances = [float(heading) for heading in range(HEADINGS)]
    step = 2.0 * pi / HEADINGS
    for angle, expected in ((0.0, 0.0), (3 * step, 3.0), (3.5 * step, 3.5), (-0.5 * step, 7.5)):
        assert fastest_towards(stances, (cos(angle), sin(angle))) == pytest.approx(expected)


def test_limit_keeps_the_direction_and_is_tight() -> None:
    """Half of what the slowest foot may, by hand."""
    fastest = ((0.1,) * HEADINGS, (0.05,) * HEADINGS)
    limited = limit_servo_speed(Twist(0.06, 0.08), ((0.1, 0.1), (0.1, -0.1)), fastest, ('a', 'b'))
    assert (limited.twist.x, limited.twist.y) == pytest.approx((0.03, 0.04))
    assert limited.reason == 'servo speed: 0.05 m/s at the foot of b (asked 0.1)'


commands = st.builds(Twist, st.floats(-0.3, 0.3), st.floats(-0.3, 0.3), st.floats(-2.0, 2.0))


@settings(max_examples=settings().max_examples // 3)
@given(
    share_and_time=st.tuples(st.floats(0.6, 0.9), st.floats(0.45, 0.8)),
    duty_factors=st.lists(st.floats(0.5, 0.85), min_size=3, max_size=3),
    drive=st.lists(st.tuples(commands, st.integers(5, 120)), min_size=3, max_size=6),
    tilt=st.tuples(*[st.floats(-0.08, 0.08)] * 3),
)
def test_joints_keep_their_share_of_the_speed(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    *,
    share_and_time: tuple[float, float],
    duty_factors: list[float],
    drive: list[tuple[Twist, int]],
    tilt: tuple[float, float, float],
) -> None:
    """Reversing, turning, tilting, changing step: never more than the share, at 100 Hz."""
    share, swing_time = share_and_time
    parameters = GaitParameters(
        swing_time=swing_time,
        duty_factor=duty_factors[0],
        slow_duty_factor=duty_factors[1],
        max_speed=0.3,
        max_yaw_rate=1.0,
        acceleration=0.5,
        yaw_acceleration=2.0,
        speed_share=share,
        min_margin=0.0,
        body_speed=1.0,
        body_rate=5.0,
    )
    walker = Walker(bracken, bracken_legs, parameters, bracken.resting.feet)
    walker.stand()
    samples = [walker.step(DT, Twist()) for _ in range(260)]
    for episode, (command, ticks) in enumerate(drive):
        if episode == 1:
            walker.offset_body(Offset((0.0, 0.0, 0.0), tilt))
        if episode == 2:
            walker.set_duty_factor(duty_factors[2])
        samples += [walker.step(DT, command) for _ in range(ticks)]
    speed = bracken.legs[0].coxa.servo.speed
    assert joint_speeds(bracken_legs, samples).max() <= share * speed


@pytest.mark.parametrize('swing_time', [0.38, 0.5])
@pytest.mark.parametrize('duty_factor', [0.5, 0.6])
@pytest.mark.parametrize('ticks', [17, 23, 35, 60])
def test_hard_reversals_ask_for_no_more(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    swing_time: float,
    duty_factor: float,
    ticks: int,
) -> None:
    """Thrown to and fro in mid-swing: landing points are followed as far as the servos can."""
    parameters = GaitParameters(
        swing_time=swing_time,
        duty_factor=duty_factor,
        max_speed=0.3,
        max_yaw_rate=1.5,
        acceleration=0.6,
        yaw_acceleration=2.4,
    )
    walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
    walker.stand()
    samples = [
        walker.step(DT, Twist(0.3, 0.1, 0.5) if tick // ticks % 2 else Twist(-0.2, 0.2, -1.0))
        for tick in range(900)
    ]
    allowed = parameters.speed_share * bracken.legs[0].coxa.servo.speed
    assert joint_speeds(bracken_legs, samples).max() <= allowed


def test_a_pose_takes_a_small_part_of_the_speed(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """However fast the body may move, its joints take a tenth: a walk may begin meanwhile."""
    parameters = GaitParameters(body_speed=1.0, body_rate=10.0)
    walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
    walker.stand()
    samples = [walker.step(DT, Twist()) for _ in range(3)]
    pose = Offset((0.02, -0.01, 0.01), (0.1, -0.1, 0.15))
    walker.offset_body(pose)
    samples += [walker.step(DT, Twist()) for _ in range(600)]
    assert samples[-1].offset == pose
    allowed = 0.1 * parameters.speed_share * bracken.legs[0].coxa.servo.speed
    # The time is that of the slowest foot anywhere in its disc, not only in its place.
    assert 0.5 * allowed <= joint_speeds(bracken_legs, samples).max() <= 1.02 * allowed


def test_a_fast_rise_takes_the_time_that_the_servos_need(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Asked to stand up in 50 ms the robot takes longer, and just as long as it must."""
    parameters = GaitParameters(stand_time=0.05)
    walker = Walker(bracken, bracken_legs, parameters, bracken.resting.feet)
    walker.stand()
    samples = [walker.step(DT, Twist())]
    while samples[-1].state is not GaitState.STANDING:
        samples.append(walker.step(DT, Twist()))
    allowed = parameters.speed_share * bracken.legs[0].coxa.servo.speed
    assert 0.85 * allowed <= joint_speeds(bracken_legs, samples).max() <= allowed
