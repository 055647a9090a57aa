# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A bench and its simulated boards, stepped in lock step, for those who watch it."""

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import Generic, Protocol, TypeVar

from leg_kinematics.board import Boards, Output
from leg_kinematics.board.simulated.line import SimulatedLine
from leg_kinematics.chain.values import Condition

TICK = 0.02


class Stepped(Protocol):
    """A bench, as far as time goes."""

    @property
    def busy(self) -> bool:
        """Whether what was ordered is still being done."""

    def condition(self) -> Condition:
        """Say how it is."""

    def step(self, now: float) -> None:
        """Advance to an instant, s."""


B = TypeVar('B', bound=Stepped)


class SteppedBench(ABC, Generic[B]):
    """Time goes by for bench and boards, and every tick is judged.

    Attributes
    ----------
    bench, boards, lines
        What is stepped.
    now
        s.
    patience
        How long it is waited for something that shall happen, s.

    """

    patience = 20.0
    bench: B
    boards: Boards
    lines: dict[str, SimulatedLine]
    now: float

    @abstractmethod
    def judge(self) -> None:
        """Judge what the tick has led to."""

    @property
    def pulses_us(self) -> Mapping[Output, float]:
        """What the boards put out, µs."""
        return {
            (name, channel): pulse
            for name, line in self.lines.items()
            if line.board is not None
            for channel, pulse in line.board.outputs_us.items()
        }

    @property
    def reached(self) -> bool:
        """Whether every board can be reached."""
        return all(
            line.board is not None and line.plugged and not line.cut for line in self.lines.values()
        )

    def step(self) -> None:
        """Advance by a tick and judge."""
        self.now += TICK
        for line in self.lines.values():
            line.advance(self.now)
        self.boards.step()
        self.bench.step(self.now)
        self.judge()

    def run(self, seconds: float) -> None:
        """Advance by so many seconds."""
        for _ in range(round(seconds / TICK)):
            self.step()

    def until(self, condition: Callable[[], bool], within: float | None = None) -> None:
        """Advance until something has happened."""
        end = self.now + (self.patience if within is None else within)
        while not condition():
            assert self.now < end, f'waited in vain: {self.bench.condition()}'
            self.step()

    def settle(self) -> None:
        """Advance until what was ordered is done."""
        self.until(lambda: not self.bench.busy)
