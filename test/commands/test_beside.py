# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is worked out beside the bench keeps nobody waiting; only what was asked last is told."""

from threading import Event

import pytest

from leg_kinematics.calibration.foot_readings import BarMeasured, FootEntry
from leg_kinematics.commands.bench.beside import Beside
from leg_kinematics.identification.surveyed import Surveyed

LEGS = ('left_front',)
FIRST: tuple[FootEntry, ...] = (BarMeasured(0.15),)
SECOND: tuple[FootEntry, ...] = (*FIRST, BarMeasured(0.151))

#: Nothing takes longer, s.
PATIENCE = 20.0


class Slow:
    """Works out nothing before it may; counts what it was asked."""

    def __init__(self) -> None:
        """Wait."""
        self.may = Event()
        self.asked: list[int] = []

    def __call__(self, legs: tuple[str, ...], noted: tuple[FootEntry, ...]) -> Surveyed | str:
        """Answer with what was asked, once that is allowed."""
        assert legs == LEGS
        self.asked.append(len(noted))
        assert self.may.wait(PATIENCE)
        return f'{len(noted)} noted'


def until(beside: Beside, noted: tuple[FootEntry, ...]) -> str:
    """Ask again and again, as the screen does."""
    pause = Event()
    for _ in range(round(PATIENCE / 0.01)):
        found = beside.surveyed(LEGS, noted)
        if found is not None:
            assert isinstance(found, str)
            return found
        pause.wait(0.01)
    pytest.fail('no answer')


def test_it_answers_when_it_knows() -> None:
    """None meanwhile; then the answer, which is not worked out again."""
    slow = Slow()
    with Beside(slow) as beside:
        assert beside.surveyed(LEGS, FIRST) is None
        assert beside.surveyed(LEGS, FIRST) is None
        slow.may.set()
        assert until(beside, FIRST) == '1 noted'
        assert beside.surveyed(LEGS, FIRST) == '1 noted'
    assert slow.asked == [1]


def test_an_old_answer_is_none_to_a_new_question() -> None:
    """What was noted meanwhile is worked out as well, and only that is told."""
    slow = Slow()
    with Beside(slow) as beside:
        assert beside.surveyed(LEGS, FIRST) is None
        assert beside.surveyed(LEGS, SECOND) is None
        slow.may.set()
        assert until(beside, SECOND) == '2 noted'
    assert slow.asked == [1, 2]


def test_what_fails_is_not_swallowed() -> None:
    """A mistake of ours ends the session, which releases the legs."""

    def wrong(_legs: tuple[str, ...], _noted: tuple[FootEntry, ...]) -> Surveyed | str:
        raise ZeroDivisionError

    with Beside(wrong) as beside, pytest.raises(ZeroDivisionError):
        until(beside, FIRST)
