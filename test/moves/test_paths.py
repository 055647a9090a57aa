# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Paths go from rest to rest, and their rates are those of their places."""

from math import cos, dist, pi, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.gait import Offset
from leg_kinematics.moves.paths import (
    BodyMove,
    Circle,
    Circles,
    FeetPath,
    StraightLines,
    longest_way,
    sample,
)
from leg_kinematics.robot import Vector

START: tuple[Vector, ...] = ((0.2, 0.1, -0.08), (0.0, -0.2, -0.08))
GOAL: tuple[Vector, ...] = ((0.23, 0.1, -0.04), (0.0, -0.2, -0.08))

CIRCLE = Circle((0.2, 0.1, -0.05), (0.0, 0.0, -0.03), (0.03, 0.0, 0.0))
STAYS = Circle((0.0, -0.2, -0.08), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))

PATHS: dict[str, FeetPath] = {
    'lines': StraightLines(START, GOAL),
    'circles': Circles((CIRCLE, STAYS), -1.5 * pi),
    'body': BodyMove(START, Offset((0.0, 0.01, 0.0)), Offset((0.01, 0.0, -0.02), (0.1, -0.2, 0.3))),
}


@pytest.mark.parametrize('path', PATHS.values(), ids=PATHS)
@given(st.floats(0.1, 0.9))
def test_velocities_are_those_of_the_places(path: FeetPath, share: float) -> None:
    """By central differences of 0.1 ms."""
    step, duration = 1e-4, 2.0
    now = sample(path, duration, share * duration)
    before = sample(path, duration, share * duration - step).feet
    after = sample(path, duration, share * duration + step).feet
    for a, b, velocity in zip(before, after, now.velocities, strict=True):
        by_places = [(y - x) / (2.0 * step) for x, y in zip(a, b, strict=True)]
        assert velocity == pytest.approx(by_places, abs=1e-7)


@pytest.mark.parametrize('path', PATHS.values(), ids=PATHS)
def test_paths_rest_at_both_ends(path: FeetPath) -> None:
    """Before, at the ends and after."""
    for time, share in ((-1.0, 0.0), (0.0, 0.0), (2.0, 1.0), (9.0, 1.0)):
        feet, velocities = sample(path, 2.0, time)
        assert feet == path.feet(share)
        assert velocities == 2 * ((0.0, 0.0, 0.0),)


def test_a_circle_by_hand() -> None:
    """From below the centre, a quarter of a turn on is 30 mm in front of it, half is above."""
    path = Circles((CIRCLE, STAYS), pi)
    assert path.feet(0.0)[0] == pytest.approx((0.2, 0.1, -0.08))
    assert path.feet(0.5)[0] == pytest.approx((0.23, 0.1, -0.05))
    assert path.feet(1.0)[0] == pytest.approx((0.2, 0.1, -0.02))
    assert path.feet(0.3)[1] == (0.0, -0.2, -0.08)
    # The way of half a circle is pi r.
    assert longest_way(path) == pytest.approx(pi * 0.03)


def test_feet_stay_where_they_stand_while_the_body_moves() -> None:
    """Pitched by 90 degrees, nose down, what was below is in front (REP 103, by hand)."""
    path = BodyMove(START, Offset(), Offset((0.0, 0.0, 0.1), (0.0, pi / 2.0, 0.0)))
    # From the body's origin at (0, 0, 0.1) the foot is at (0.2, 0.1, -0.18) in the level frame. Its
    # x axis points down now, its z axis forward.
    assert path.feet(1.0)[0] == pytest.approx((0.18, 0.1, 0.2))
    for share in (0.2, 0.7):
        offset = path.start.towards(path.goal, share)
        for foot, stands in zip(path.feet(share), START, strict=True):
            assert offset.place(foot) == pytest.approx(stands, abs=1e-12)


@given(st.floats(0.0, 1.0))
def test_a_line_is_straight(share: float) -> None:
    """What lies between the ends adds up to the whole."""
    foot = PATHS['lines'].feet(share)[0]
    there, back = dist(START[0], foot), dist(foot, GOAL[0])
    assert there + back == pytest.approx(dist(START[0], GOAL[0]), abs=1e-15)
    assert there == pytest.approx(0.05 * share, abs=1e-15)


@given(st.floats(-2.0 * pi, 2.0 * pi), st.floats(0.0, 1.0))
def test_a_circle_keeps_its_radius_and_its_plane(turn: float, share: float) -> None:
    """All along, as an angle from below the centre towards x."""
    x, y, z = Circles((CIRCLE, STAYS), turn).feet(share)[0]
    angle = share * turn
    assert (x - 0.2, z + 0.05) == pytest.approx((0.03 * sin(angle), -0.03 * cos(angle)), abs=1e-15)
    assert y == 0.1
