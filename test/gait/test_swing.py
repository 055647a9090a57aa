# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One path of a swing: walked in steps, looked at ahead, and as the tables of a walk have it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.gait.swing import Swing, steady_swing

LIFT, TIME = 0.03, 0.5

#: As they are in a walk that is bound for elsewhere.
GOAL = (0.06, -0.02)


def lifted() -> Swing:
    """Lift a foot from a ground that is 4 mm high, to one that is 10 mm high."""
    swing = Swing.from_rest((0.01, 0.02, 0.004), TIME, lift=LIFT, end=0.01)
    swing.aim(GOAL)
    return swing


@given(ticks=st.lists(st.floats(0.001, 0.1), min_size=1, max_size=20))
def test_what_is_walked_is_what_was_planned(ticks: list[float]) -> None:
    """In steps of any length the foot is where the path from the start has it at that time."""
    swing, planned = lifted(), lifted()
    time = 0.0
    for dt in ticks:
        if swing.advance(dt, 1e-9):
            break
        time += dt
        x, y, z = planned.path(time, GOAL)
        for now, then in ((swing.x, x), (swing.y, y)):
            assert (now.position, now.velocity) == pytest.approx(then[:2], abs=1e-9)
            assert now.acceleration == pytest.approx(then[2], abs=1e-7)
        assert (swing.z.position, swing.z.velocity) == pytest.approx(z, abs=1e-9)


def test_many_instants_are_as_one() -> None:
    """An array of instants gives what each of them gives, to the last bit."""
    swing = lifted()
    swing.advance(0.1, 1e-9)
    times = np.linspace(0.0, 0.4, 9)
    paths = swing.path(times, GOAL)
    for index, time in enumerate(times.tolist()):
        for many, one in zip(paths, swing.path(time, GOAL), strict=True):
            assert tuple(values[index] for values in many) == one


def test_the_middle_of_a_swing_by_hand() -> None:
    """Half way there, at 1.875 times the mean speed (Flash and Hogan 1985), a lift above the mean.

    The bump 64 u^3 (1 - u)^3 is 1 at 1/2, where its slope is 0.
    """
    (x, dx, _), (y, dy, _), (z, dz) = lifted().path(0.5 * TIME, GOAL)
    assert (x, y) == pytest.approx((0.035, 0.0))
    assert (dx, dy) == pytest.approx((1.875 * 0.05 / TIME, -1.875 * 0.04 / TIME))
    assert (z, dz) == pytest.approx((0.007 + LIFT, 1.875 * 0.006 / TIME))


@pytest.mark.parametrize('duty_factor', [1 / 2, 2 / 3, 5 / 6])
def test_a_steady_swing_begins_and_ends_as_the_stance_does(duty_factor: float) -> None:
    """From -1 to 1 half strides, and at both ends as fast backwards as the ground, by hand.

    The ground goes by two half strides in the stance, beta / (1 - beta) times as long as the swing.
    """
    (along, rate), (up, climb) = steady_swing(
        np.array((0.0, 1.0)), duty_factor, swing_time=TIME, lift=LIFT
    )
    assert along == pytest.approx((-1.0, 1.0))
    assert rate == pytest.approx([-2.0 * (1.0 - duty_factor) / (duty_factor * TIME)] * 2)
    assert up == pytest.approx((0.0, 0.0))
    assert climb == pytest.approx((0.0, 0.0))
