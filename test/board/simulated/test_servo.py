# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The model of one servo."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.board.simulated.servo import ServoDynamics, SimulatedServo

DYNAMICS = ServoDynamics(speed_us_per_s=4000.0, dead_band_us=4.0)
PULSES = st.floats(500.0, 2500.0)


def servo_at(pulse_us: float) -> SimulatedServo:
    """Make a servo that has taken its first pulse."""
    servo = SimulatedServo(DYNAMICS)
    servo.advance(pulse_us, 0.0)
    return servo


def test_the_first_pulse_tells_where_it_is() -> None:
    """Before any pulse the position is unknown, and no time makes it known."""
    servo = SimulatedServo(DYNAMICS)
    servo.advance(None, 10.0)
    assert servo.position_us is None
    servo.advance(1600.0, 0.0)
    assert servo.position_us == 1600.0


@pytest.mark.parametrize(('pulse_us', 'position_us'), [(1600.0, 1540.0), (1400.0, 1460.0)])
def test_it_turns_at_its_speed(pulse_us: float, position_us: float) -> None:
    """By hand: 10 ms at 4000 us/s are 40 us, either way."""
    servo = servo_at(1500.0)
    servo.advance(pulse_us, 0.01)
    assert servo.position_us == pytest.approx(position_us)


@pytest.mark.parametrize(('pulse_us', 'position_us'), [(1502.0, 1500.0), (1503.0, 1501.0)])
def test_it_rests_inside_its_dead_band(pulse_us: float, position_us: float) -> None:
    """By hand: half the band of 4 us is the error that remains, and a smaller one moves nothing."""
    servo = servo_at(1500.0)
    servo.advance(pulse_us, 1.0)
    assert servo.position_us == position_us


def test_without_a_pulse_it_stays() -> None:
    """A released servo keeps its place."""
    servo = servo_at(1500.0)
    servo.advance(None, 1.0)
    assert servo.position_us == 1500.0


@given(st.lists(st.tuples(PULSES, st.floats(0.0, 0.5)), min_size=1))
def test_it_never_overspeeds_nor_overshoots(steps: list[tuple[float, float]]) -> None:
    """Each step is bounded by speed and time, and ends between its start and the pulse."""
    servo = servo_at(1500.0)
    before = 1500.0
    for pulse_us, seconds in steps:
        servo.advance(pulse_us, seconds)
        after = servo.position_us
        assert after is not None
        assert abs(after - before) <= DYNAMICS.speed_us_per_s * seconds + 1e-9
        assert min(before, pulse_us) - 1e-9 <= after <= max(before, pulse_us) + 1e-9
        before = after
