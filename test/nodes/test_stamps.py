# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Stamps lie as far apart as the instants, whatever happens between two readings of clocks."""

from collections.abc import Sequence
from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.nodes.messages import nanoseconds_of
from leg_kinematics.nodes.stamps import Stamps

OFFSET = 1_700_000_000_123_456_789
TICK = 10_000_000


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


def stamps_of(machine: Machine, instants: Sequence[int]) -> list[int]:
    """Stamps of instants, in ns."""
    stamps = Stamps(machine.ros_now, machine.steady_now)
    return [nanoseconds_of(stamps.at(instant)) for instant in instants]


@given(st.lists(st.integers(100, 50_000_000), max_size=30))
def test_pauses_between_the_readings_do_not_show(pauses: list[int]) -> None:
    """Pauses of tens of milliseconds at any reading; one undisturbed reading is enough."""
    instants = [TICK * index for index in range(40)]
    machine = Machine([*pauses])
    stamps = Stamps(machine.ros_now, machine.steady_now)
    while machine.pauses:
        stamps.at(0)
    stamps.at(0)
    found = [nanoseconds_of(stamps.at(instant)) for instant in instants]
    for instant, stamp in zip(instants, found, strict=True):
        assert abs(stamp - instant - OFFSET) <= 200


@given(st.lists(st.integers(100, 50_000_000), min_size=1, max_size=30))
def test_a_stamp_errs_by_no_more_than_the_first_pauses(pauses: list[int]) -> None:
    """From the first stamp on."""
    first = pauses[-2:]
    for instant, stamp in enumerate(stamps_of(Machine([*pauses]), range(20))):
        assert abs(stamp - instant - OFFSET) <= sum(first) + 200


@given(st.integers(-(10**15), 10**15).filter(lambda step: abs(step) > 10_000))
def test_it_follows_a_clock_that_is_set(step: int) -> None:
    """At once."""
    machine = Machine([])
    stamps = Stamps(machine.ros_now, machine.steady_now)
    stamps.at(0)
    machine.offset += step
    assert abs(nanoseconds_of(stamps.at(TICK)) - TICK - OFFSET - step) <= 200
