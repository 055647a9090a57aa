# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Mount frames against transforms3d, against known turns, and there and back."""

from math import pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from transforms3d.affines import compose
from transforms3d.quaternions import axangle2quat, qmult, quat2mat

from leg_kinematics.robot import Mount, Vector
from leg_kinematics.solver import MountTransform

vectors = st.tuples(*3 * [st.floats(-1.0, 1.0)])
mounts = st.builds(Mount, vectors, st.tuples(*3 * [st.floats(-pi, pi)]))


@given(mounts, vectors)
def test_matches_turns_about_fixed_axes(mount: Mount, point: Vector) -> None:
    """Roll, then pitch, then yaw about fixed axes (REP 103), composed by transforms3d."""
    roll, pitch, yaw = (
        axangle2quat(axis, angle) for axis, angle in zip(np.eye(3), mount.rpy, strict=True)
    )
    pose = compose(mount.position, quat2mat(qmult(yaw, qmult(pitch, roll))), np.ones(3))
    expected = (pose @ (*point, 1.0))[:3]
    np.testing.assert_allclose(MountTransform.of(mount).to_body(point), expected, atol=2e-15)


def test_pitches_before_it_yaws() -> None:
    """Pitch 90 deg points the leg down, whatever the yaw; roll 90 deg turns left to up.

    By hand from REP 103: right-handed turns about fixed axes, roll first.
    """
    down = MountTransform.of(Mount((0.1, 0.2, 0.3), (0.0, pi / 2, pi / 2)))
    assert down.to_body((1.0, 0.0, 0.0)) == pytest.approx((0.1, 0.2, -0.7), abs=1e-15)
    rolled = MountTransform.of(Mount((0.0, 0.0, 0.0), (pi / 2, 0.0, pi / 2)))
    assert rolled.to_body((0.0, 1.0, 0.0)) == pytest.approx((0.0, 0.0, 1.0), abs=1e-15)
    assert rolled.to_body((1.0, 0.0, 0.0)) == pytest.approx((0.0, 1.0, 0.0), abs=1e-15)


@given(mounts, vectors)
def test_returns_to_where_it_came_from(mount: Mount, vector: Vector) -> None:
    """To the body and back is no change, for points and for free vectors."""
    transform = MountTransform.of(mount)
    assert transform.to_mount(transform.to_body(vector)) == pytest.approx(vector, abs=4e-15)
    back = transform.turn_to_mount(transform.turn_to_body(vector))
    assert back == pytest.approx(vector, abs=4e-15)


def test_turns_free_vectors_without_moving_them() -> None:
    """A velocity does not depend on where the leg is mounted."""
    here = MountTransform.of(Mount((0.0, 0.0, 0.0), (0.1, 0.2, 0.3)))
    there = MountTransform.of(Mount((5.0, -4.0, 3.0), (0.1, 0.2, 0.3)))
    assert here.turn_to_mount((1.0, 2.0, 3.0)) == there.turn_to_mount((1.0, 2.0, 3.0))
