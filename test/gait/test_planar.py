# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""SE(2): the exponential against Pinocchio and against the series of the matrix exponential."""

from math import pi

import numpy as np
import pinocchio
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from leg_kinematics.gait import Pose, Twist

speeds = st.floats(-2.0, 2.0)
yaw_rates = st.one_of(st.floats(-3.0, 3.0), st.floats(-1e-3, 1e-3))
twists = st.builds(Twist, speeds, speeds, yaw_rates)
times = st.floats(0.0, 2.0)
poses = st.builds(Pose, speeds, speeds, st.floats(-pi, pi))


def matrix(pose: Pose) -> NDArray[np.float64]:
    """Homogeneous matrix of a pose, shape (3, 3)."""
    c, s = np.cos(pose.yaw), np.sin(pose.yaw)
    return np.array([[c, -s, pose.x], [s, c, pose.y], [0.0, 0.0, 1.0]])


@given(twist=twists, time=times)
@example(twist=Twist(1.0, -1.0, 1e-4), time=1.0)
@example(twist=Twist(1.0, -1.0, 0.0), time=2.0)
def test_exponential_agrees_with_pinocchio(twist: Twist, time: float) -> None:
    """Pinocchio's exp6 of the same motion in the plane gives the same displacement."""
    motion = np.array([twist.x, twist.y, 0.0, 0.0, 0.0, twist.yaw]) * time
    other = pinocchio.exp6(motion)
    displacement = matrix(twist.over(time))
    assert displacement[:2, :2] == pytest.approx(other.rotation[:2, :2], abs=1e-12)
    assert displacement[:2, 2] == pytest.approx(other.translation[:2], abs=1e-11)


@given(twist=twists, time=times)
def test_exponential_is_the_matrix_series(twist: Twist, time: float) -> None:
    """The sum of A^k / k! over the generator A gives the same matrix."""
    generator = time * np.array(
        [[0.0, -twist.yaw, twist.x], [twist.yaw, 0.0, twist.y], [0.0, 0.0, 0.0]]
    )
    term = total = np.eye(3)
    for order in range(1, 60):
        term = term @ generator / order
        total = total + term
    assert matrix(twist.over(time)) == pytest.approx(total, abs=1e-11)


def test_quarter_circle() -> None:
    """Forward at 1 m/s while turning pi/2 rad/s: after 1 s a quarter of a circle of 2/pi m.

    By hand.
    """
    pose = Twist(1.0, 0.0, pi / 2).over(1.0)
    assert (pose.x, pose.y, pose.yaw) == pytest.approx((2 / pi, 2 / pi, pi / 2))


@given(twist=twists, first=times, second=times)
def test_displacements_of_one_twist_add(twist: Twist, first: float, second: float) -> None:
    """Going on with the same twist is one longer displacement: a one-parameter group."""
    parts = matrix(twist.over(first) * twist.over(second))
    assert parts == pytest.approx(matrix(twist.over(first + second)), abs=1e-11)


@given(pose=poses, other=poses)
def test_composition_is_the_matrix_product(pose: Pose, other: Pose) -> None:
    """Poses compose as their matrices do, and yaw stays within a turn."""
    product = pose * other
    assert matrix(product) == pytest.approx(matrix(pose) @ matrix(other), abs=1e-12)
    assert -pi <= product.yaw <= pi


@given(pose=poses, x=speeds, y=speeds)
def test_locate_undoes_place(pose: Pose, x: float, y: float) -> None:
    """A point placed in the world and located again is the same point."""
    world = pose.place((x, y))
    assert (matrix(pose) @ np.array([x, y, 1.0]))[:2] == pytest.approx(world, abs=1e-12)
    assert pose.locate(world) == pytest.approx((x, y), abs=1e-12)


@given(twist=twists, x=speeds, y=speeds)
def test_velocity_of_a_point_is_the_derivative_of_its_motion(
    twist: Twist, x: float, y: float
) -> None:
    """The central difference of a carried point's way is its velocity."""
    h = 1e-5
    ahead, behind = twist.over(h).place((x, y)), twist.over(-h).place((x, y))
    difference = ((ahead[0] - behind[0]) / (2 * h), (ahead[1] - behind[1]) / (2 * h))
    assert difference == pytest.approx(twist.at((x, y)), abs=1e-8)
