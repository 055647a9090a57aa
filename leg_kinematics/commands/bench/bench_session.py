# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""At the bench: boards found, and servos left as they are to be, whatever is moved meanwhile."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import monotonic, sleep
from typing import Protocol, TypeVar

from rich.console import Console

from leg_kinematics.board import BoardsStatus, Reaction, SilenceAction
from leg_kinematics.chain.values import Answer, Condition
from leg_kinematics.errors import BoardError

#: A board answers within this, or something is wrong, s.
FOUND_WITHIN = 5.0

#: A release that no board confirms is waited for so long, s.
RELEASED_WITHIN = 3.0

#: A board that has heard nothing for so long acts by itself, s.
SILENCE = 1.5

#: Between two looks at the boards, s.
TICK = 0.02

NOT_FOUND = (
    '{condition}. A port has one user: end a bridge or another program that has it. Look at cable, '
    'switch and the name of the port'
)

NOT_RELEASED = (
    'THE PULSES MAY STILL BE ON: {condition}. Use the switch of the battery before you touch '
    'anything'
)


class SteppedBench(Protocol):
    """A bench that is opened, stepped and closed."""

    @property
    def status(self) -> BoardsStatus:
        """What the last step knew of the boards."""

    @property
    def release_confirmed(self) -> bool:
        """Whether every board has confirmed the latest release."""

    def condition(self) -> Condition:
        """Say how the bench is."""

    def open(self) -> Answer:
        """Begin to look for the boards."""

    def release(self) -> Answer:
        """Stop all pulses."""

    def close(self) -> Answer:
        """Let go of the boards as they are."""

    def step(self, now: float) -> None:
        """Advance to an instant, s."""


B = TypeVar('B', bound=SteppedBench)


def silence_action(*, hold: bool) -> SilenceAction:
    """Say what boards do with a powered servo once this program has ended."""
    return SilenceAction(Reaction.HOLD if hold else Reaction.RELEASE, SILENCE)


@contextmanager
def opened(bench: B, console: Console, *, hold: bool) -> Iterator[B]:
    """Open a bench, wait for its boards, and leave it with pulses off, or held.

    Parameters
    ----------
    bench
        Not opened yet.
    console
        Where people read how it was left.
    hold
        Whether servos that have pulses at the end keep them.

    Raises
    ------
    BoardError
        A board is not found, or did not confirm that its pulses are off.

    """
    bench.open()
    released = True
    try:
        _find(bench)
        yield bench
    finally:
        if not hold and bench.status.found:
            released = _release(bench)
        condition = bench.condition()
        left = bench.close()
        console.print(left.words, highlight=False)
    if not released:
        raise BoardError(NOT_RELEASED.format(condition=condition))


def step_until(bench: SteppedBench, condition: Callable[[], object], within: float) -> bool:
    """Step a bench until a condition holds; tell whether it did in time, s."""
    until = monotonic() + within
    bench.step(monotonic())
    while not condition():
        if monotonic() > until:
            return False
        sleep(TICK)
        bench.step(monotonic())
    return True


def _find(bench: SteppedBench) -> None:
    """Wait for the boards."""
    if not step_until(bench, lambda: bench.status.found, FOUND_WITHIN):
        raise BoardError(NOT_FOUND.format(condition=bench.condition()))
    # So that what was found is known.
    bench.step(monotonic())


def _release(bench: SteppedBench) -> bool:
    """Stop all pulses; tell whether every board has confirmed it."""
    bench.release()
    return step_until(bench, lambda: bench.release_confirmed, RELEASED_WITHIN)
