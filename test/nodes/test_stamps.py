# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The difference of two clocks does not move, whatever happens between two readings."""

from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.nodes.translation.stamps import Stamps

OFFSET = 1_700_000_000_123_456_789


@dataclass
class Machine:
    """Two clocks; reading one takes a while."""

    pauses: list[int]
    steady: int = 5_000_000_000
    offset: int = OFFSET

    def ros_now(self) -> int:
        """Read the ROS clock, and be held up."""
        self.steady += self.pauses.pop() if self.pauses else 100
        return self.steady + self.offset

    def steady_now(self) -> int:
        """Read the steady clock, and be held up."""
        now = self.steady
        self.steady += self.pauses.pop() if self.pauses else 100
        return now


@given(st.lists(st.integers(100, 50_000_000), max_size=30))
def test_pauses_between_the_readings_do_not_show(pauses: list[int]) -> None:
    """Pauses of tens of milliseconds at any reading; one undisturbed reading is enough."""
    machine = Machine([*pauses])
    stamps = Stamps(machine.ros_now, machine.steady_now)
    while machine.pauses:
        stamps.offset()
    stamps.offset()
    for _ in range(40):
        assert abs(stamps.offset() - OFFSET) <= 200


@given(st.lists(st.integers(100, 50_000_000), min_size=1, max_size=30))
def test_it_errs_by_no_more_than_the_first_pauses(pauses: list[int]) -> None:
    """From the first time on."""
    first = pauses[-2:]
    machine = Machine([*pauses])
    stamps = Stamps(machine.ros_now, machine.steady_now)
    for _ in range(20):
        assert abs(stamps.offset() - OFFSET) <= sum(first) + 200


@given(st.integers(-(10**15), 10**15).filter(lambda step: abs(step) > 10_000))
def test_it_follows_a_clock_that_is_set(step: int) -> None:
    """At once."""
    machine = Machine([])
    stamps = Stamps(machine.ros_now, machine.steady_now)
    stamps.offset()
    machine.offset += step
    assert abs(stamps.offset() - OFFSET - step) <= 200
