# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The covariance of odometry: cases by hand, and random walks of thousands of robots."""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import cos, pi, sin

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from transforms3d.axangles import axangle2mat

from leg_kinematics.gait import Pose, Twist
from leg_kinematics.gait.odometry import Covariance, Odometry

Floats = NDArray[np.float64]

SLIP = 0.02
ARM = 0.2
CYCLE = 1.0

# All of them 0.2 m from the middle.
FEET = ((0.12, 0.16, -0.1), (-0.12, 0.16, -0.1), (0.0, -0.2, -0.1), (0.2, 0.0, -0.1))

ROBOTS = 20_000

twists = st.builds(Twist, st.floats(-0.15, 0.15), st.floats(-0.15, 0.15), st.floats(-0.8, 0.8))


def walk(legs: Iterable[tuple[Twist, float]], ticks_of: int = 1, yaw: float = 0.0) -> Odometry:
    """Walk with each twist for some seconds, each time in as many ticks; yaw is that at first."""
    pose = Pose(yaw=yaw)
    odometry = Odometry(SLIP, FEET)
    for twist, time in legs:
        dt = time / ticks_of
        for _ in range(ticks_of):
            pose *= twist.over(dt)
            odometry.go(pose, twist, dt, CYCLE)
    return odometry


def matrix(covariance: Covariance) -> Floats:
    """Write a covariance in full."""
    c = covariance
    return np.array([[c.xx, c.xy, c.x_yaw], [c.xy, c.yy, c.y_yaw], [c.x_yaw, c.y_yaw, c.yaw_yaw]])


@pytest.mark.parametrize('ticks', [1, 7, 1000])
def test_straight_on_by_hand(ticks: int) -> None:
    """10 m at 0.1 m/s in cycles of 1 s: however many ticks, the same.

    Along: 100 cycles of 2 % of 0.1 m, sqrt(100) 2 mm = 20 mm. Yaw: each cycle 2 mm at 0.2 m, 10
    mrad, in all 0.1 rad. Across: the 20 mm, and the yaw at 10 m, 0.1 rad 10 m / sqrt(3); half of
    that lever is shared by both.
    """
    pose = walk([(Twist(0.1, 0.0, 0.0), 100.0)], ticks).pose
    assert matrix(pose) == pytest.approx(
        np.array(
            [[4e-4, 0.0, 0.0], [0.0, 4e-4 + 1.0 / 3.0, 0.05], [0.0, 0.05, 0.01]],
        ),
        rel=1e-9,
        abs=1e-15,
    )


@pytest.mark.parametrize('angle', [0.6, pi / 2, -2.0])
def test_straight_on_elsewhere_is_the_same_turned(angle: float) -> None:
    """The matrix is in the axes of `odom`, whichever way the robot looks or goes."""
    ahead = matrix(walk([(Twist(0.1, 0.0, 0.0), 30.0)]).pose)
    crab = matrix(walk([(Twist(0.1 * cos(angle), 0.1 * sin(angle), 0.0), 30.0)]).pose)
    looking = matrix(walk([(Twist(0.1, 0.0, 0.0), 30.0)], yaw=angle).pose)
    turn = axangle2mat((0.0, 0.0, 1.0), angle)
    np.testing.assert_allclose(crab, turn @ ahead @ turn.T, atol=1e-15)
    np.testing.assert_allclose(looking, turn @ ahead @ turn.T, atol=1e-15)


def test_turning_on_the_spot_by_hand() -> None:
    """At 0.5 rad/s the feet pass 0.1 m/s of ground: as much slip as straight on, no lever."""
    pose = walk([(Twist(0.0, 0.0, 0.5), 100.0)], 100).pose
    assert matrix(pose) == pytest.approx(np.diag([4e-4, 4e-4, 0.01]), rel=1e-9, abs=1e-15)


def test_standing_does_not_grow() -> None:
    """Neither from the start nor after a walk, not by a bit in an hour."""
    assert walk([(Twist(), 3600.0)], 1000).pose == Covariance()
    way = [(Twist(0.1, 0.05, 0.3), 20.0)]
    assert walk([*way, (Twist(), 3600.0)], 1000).pose == walk(way, 1000).pose


def test_the_twist_is_as_uncertain_as_it_is_fast() -> None:
    """Standard deviations by hand: 2 % of the speed of the ground, and that at 0.2 m as yaw rate.

    At (0.08, 0) m/s and 0.3 rad/s the ground passes at sqrt(0.08^2 + 0.06^2) = 0.1 m/s.
    """
    odometry = Odometry(SLIP, FEET)
    assert odometry.twist(Twist()) == Covariance()
    spread = matrix(odometry.twist(Twist(0.08, 0.0, 0.3)))
    assert spread == pytest.approx(np.diag([0.002, 0.002, 0.01]) ** 2)
    assert matrix(odometry.twist(Twist(-0.16, 0.0, 0.6))) == pytest.approx(4.0 * spread)


@given(st.lists(st.tuples(twists, st.floats(0.01, 5.0)), max_size=8))
def test_it_is_a_covariance_that_only_grows_with_the_way(
    legs: Sequence[tuple[Twist, float]],
) -> None:
    """Positive semidefinite, the yaw never better known, and more slip where one walks more."""
    odometries = [walk(legs[:count], 10) for count in range(len(legs) + 1)]
    for odometry in odometries:
        full = matrix(odometry.pose)
        scale = np.trace(full) + 1e-30
        assert np.linalg.eigvalsh(full).min() >= -1e-12 * scale
    for earlier, later in pairwise(odometries):
        assert later.pose.yaw_yaw >= earlier.pose.yaw_yaw
        # The determinant is what no change of axes hides.
        assert np.linalg.det(matrix(later.pose)) >= np.linalg.det(matrix(earlier.pose)) * (
            1.0 - 1e-6
        )


# A way that bends to both sides, goes sideways and back.
WAY = (
    (Twist(0.10, 0.0, 0.3), 20.0),
    (Twist(0.0, 0.08, -0.2), 10.0),
    (Twist(-0.06, 0.04, 0.0), 15.0),
    (Twist(0.12, -0.02, -0.1), 25.0),
)


def slip_of_robots(
    legs: Sequence[tuple[Twist, float]], dt: float, *, lasting: float
) -> tuple[Floats, Pose]:
    """Walk many robots whose twist is wrong at random, independently of the code under test.

    Parameters
    ----------
    legs
        Twists and their times, s.
    dt
        Tick, s.
    lasting
        For how long an error stays the same, s.

    Returns
    -------
    tuple
        Errors of x, y, yaw at the end, shape (robots, 3), and where the ideal robot is.

    """
    rng = np.random.default_rng(2005)
    state = np.zeros((3, ROBOTS))
    ideal = np.zeros((3, 1))
    error = np.zeros((3, ROBOTS))
    since = lasting
    for twist, time in legs:
        ground = np.sqrt(twist.x**2 + twist.y**2 + (ARM * twist.yaw) ** 2)
        deviation = SLIP * ground * np.array([[1.0], [1.0], [1.0 / ARM]])
        for _ in range(round(time / dt)):
            if since >= lasting - 1e-9:
                since = 0.0
                error = rng.normal(size=(3, ROBOTS)) * np.sqrt(CYCLE / lasting)
            since += dt
            told = np.array([[twist.x], [twist.y], [twist.yaw]])
            state = moved(state, told + deviation * error, dt)
            ideal = moved(ideal, told, dt)
    return (state - ideal).T, Pose(*ideal[:, 0].tolist())


def moved(state: Floats, twist: Floats, dt: float) -> Floats:
    """Go on an arc: with half the turn the chord, whose length is that of the arc but for sinc."""
    x, y, yaw = state
    half = 0.5 * twist[2] * dt
    chord = dt * np.sinc(half / np.pi)
    c, s = np.cos(yaw + half), np.sin(yaw + half)
    return np.array(
        [
            x + chord * (c * twist[0] - s * twist[1]),
            y + chord * (s * twist[0] + c * twist[1]),
            yaw + 2.0 * half,
        ]
    )


@pytest.mark.parametrize('lasting', [0.1, CYCLE])
def test_thousands_of_robots_spread_as_told(lasting: float) -> None:
    """Whether the slip changes with the tick or, as in the model, with each cycle.

    A covariance from 20 000 draws is right to 1 % (one standard error is its size times
    sqrt(2 / 20 000)); first order and cycles instead of ticks may add a little.
    """
    errors, end = slip_of_robots(WAY, 0.1, lasting=lasting)
    odometry, pose = Odometry(SLIP, FEET), Pose()
    for twist, time in WAY:
        for _ in range(round(time / 0.1)):
            pose *= twist.over(0.1)
            odometry.go(pose, twist, 0.1, CYCLE)
    assert (pose.x, pose.y) == pytest.approx((end.x, end.y), abs=1e-9)
    drawn, told = np.cov(errors.T), matrix(odometry.pose)
    scale = np.sqrt(np.outer(np.diag(told), np.diag(told)))
    np.testing.assert_allclose(drawn / scale, told / scale, atol=0.05)
    # Not a test of nothing: every pair is correlated here.
    assert np.abs(told / scale).min() > 0.1
