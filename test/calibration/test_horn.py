# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where a horn is best fitted, by hand, and that it then reaches what is promised."""

from dataclasses import replace
from math import degrees, pi, radians

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.calibration.horn import STEEPEST, HornFitting, horn_fitting
from leg_kinematics.robot import Link, Robot


def fitting(robot: Robot, segment: int, used: tuple[float, float]) -> HornFitting:
    """Ask for a segment of the first leg, in deg."""
    low, high = used
    return horn_fitting(robot.legs[0].links[segment], (radians(low), radians(high)))


def test_the_middle_of_the_joint_at_the_middle_of_the_pulses(bracken: Robot) -> None:
    """Femur of bracken: limits of -60 and 95 deg, 17.5 in the middle; pulses of 500 to 2500 µs."""
    found = fitting(bracken, 1, (-10.0, 60.0))
    assert found.pulse_us == 1500.0
    assert degrees(found.angle) == pytest.approx(17.5)
    # The half pitch of 21 teeth: 360 / 21 / 2.
    assert degrees(found.remainder) == pytest.approx(8.5714, abs=1e-4)
    # 1000 µs at 14 µs/deg are 71.43 deg to either side, less the remainder 62.86.
    assert [degrees(each) for each in found.certain] == pytest.approx([-45.36, 80.36], abs=0.01)


def test_a_joint_that_the_servo_covers_is_certain_to_its_limits(bracken: Robot) -> None:
    """Coxa of bracken: limits of -60 and 60 deg, less than 62.86 to either side."""
    found = fitting(bracken, 0, (-20.0, 20.0))
    assert degrees(found.angle) == pytest.approx(0.0, abs=1e-12)
    assert [degrees(each) for each in found.certain] == pytest.approx([-60.0, 60.0])


def test_what_is_used_goes_before_what_is_not(bracken: Robot) -> None:
    """Up to 90 deg is used: the middle moves up by as much as is lacking, 90 - 80.36."""
    found = fitting(bracken, 1, (-10.0, 90.0))
    assert degrees(found.angle) == pytest.approx(17.5 + 9.643, abs=0.001)
    assert degrees(found.certain[1]) == pytest.approx(90.0)


def test_what_no_steep_servo_covers_is_split_evenly(bracken: Robot) -> None:
    """From -60 to 90 deg is used: 15 in the middle, and as much is lacking at either end."""
    found = fitting(bracken, 1, (-60.0, 90.0))
    assert degrees(found.angle) == pytest.approx(15.0)
    assert degrees(found.certain[0]) + 60.0 == pytest.approx(90.0 - degrees(found.certain[1]))


@given(
    limits=st.tuples(st.floats(-3.0, 3.0), st.floats(0.1, 3.0)),
    share=st.tuples(st.floats(-0.5, 1.5), st.floats(0.0, 1.0)),
    pulses=st.tuples(st.floats(400.0, 1200.0), st.floats(300.0, 2000.0)),
    worst=st.tuples(st.floats(0.5, 1.0), st.floats(-1.0, 1.0)),
)
def test_the_worst_servo_and_the_worst_tooth_reach_what_is_certain(
    bracken: Robot,
    limits: tuple[float, float],
    share: tuple[float, float],
    pulses: tuple[float, float],
    worst: tuple[float, float],
) -> None:
    """Whatever gain up to the steepest, and wherever the nearest tooth is."""
    lower, upper = limits[0], limits[0] + limits[1]
    shortest, longest = pulses[0], pulses[0] + pulses[1]
    first = lower + share[0] * limits[1]
    used = (first, first + share[1] * limits[1])
    link: Link = bracken.legs[0].coxa
    link = replace(
        link, lower=lower, upper=upper, servo=replace(link.servo, pulse_us=(shortest, longest))
    )
    found = horn_fitting(link, used)
    steepness, tooth = worst
    fitted = found.angle + tooth * pi / 21.0
    for angle in found.certain:
        pulse = found.pulse_us + steepness * STEEPEST * (angle - fitted)
        short_of_nothing = found.certain[0] >= found.certain[1]
        assert short_of_nothing or shortest - 1e-6 <= pulse <= longest + 1e-6
    assert lower - 1e-9 <= found.angle <= upper + 1e-9
    assert found.pulse_us == pytest.approx((shortest + longest) / 2.0)
