# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Steps solved and checked whole, before anything moves."""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.gait import Offset
from leg_kinematics.moves.balance import Balance
from leg_kinematics.moves.paths import Feet, FeetPath, FeetSample, at_rest, longest_way, sample
from leg_kinematics.moves.steps import Step, WaitStep
from leg_kinematics.moves.timing import Timed, Timing
from leg_kinematics.moves.ways import PlaceError, Way, Ways
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver

#: A way that is no longer is none, m.
ROUNDING = 1e-9


class StepError(CommandError):
    """A step cannot be done.

    Attributes
    ----------
    step
        Which one.
    reason
        Why, without saying which.
    leg
        As the step names it, where that is to blame; empty for none.

    """

    def __init__(self, number: int, step: Step, reason: str, leg: str = '') -> None:
        """Say which and why."""
        super().__init__(f'step {number + 1}: {reason}')
        self.step = step
        self.reason = reason
        self.leg = leg


@dataclass(frozen=True)
class Move:
    """One move from rest to rest.

    Attributes
    ----------
    number
        Of the step that it belongs to, from 0.
    step
        That step.
    path
        Of all feet.
    duration
        s.
    wanted
        What was asked for, s; less than the duration where the servos need more.
    sub_moves
        Joint moves that hold the feet within tolerance of their straight lines; 0 where no foot
        moves in a straight line.

    """

    number: int
    step: Step
    path: FeetPath
    duration: float
    wanted: float
    sub_moves: int = 0


@dataclass(frozen=True, slots=True)
class Caution:
    """What may go wrong in a step although it can be done.

    Attributes
    ----------
    number
        Of the step, from 0.
    reason
        What, and unless what.

    """

    number: int
    reason: str

    def __str__(self) -> str:
        """Say which step and what."""
        return f'step {self.number + 1}: {self.reason}'


@dataclass(frozen=True)
class Plan:
    """Moves one after another.

    Attributes
    ----------
    start
        Feet at the beginning, in `base_link`, m.
    moves
        In their order; none where all feet are where they shall be.
    cautions
        What may go wrong; what is repeated is cautioned against once.

    """

    start: Feet
    moves: tuple[Move, ...]
    cautions: tuple[Caution, ...] = ()

    @cached_property
    def ends(self) -> tuple[float, ...]:
        """When each move ends, s."""
        return tuple(accumulate(move.duration for move in self.moves))

    @property
    def duration(self) -> float:
        """Of all moves, s."""
        return self.ends[-1] if self.moves else 0.0

    @property
    def end(self) -> Feet:
        """Feet at the end, in `base_link`, m."""
        return self.moves[-1].path.feet(1.0) if self.moves else self.start

    def move_at(self, time: float) -> int:
        """Find the move that is under way at a time, s, by its number; at the end the last one."""
        return min(bisect_right(self.ends, time), len(self.moves) - 1)

    def at(self, time: float) -> FeetSample:
        """Give the feet at a time, s."""
        if not self.moves:
            return at_rest(self.start)
        number = self.move_at(time)
        move = self.moves[number]
        return sample(move.path, move.duration, time - (self.ends[number] - move.duration))

    def step_end(self, time: float) -> float:
        """When the step that is under way at a time ends, s."""
        if not self.moves:
            return 0.0
        number = self.moves[self.move_at(time)].number
        return max(
            end for end, move in zip(self.ends, self.moves, strict=True) if move.number == number
        )


class Planner:
    """Plans moves of a robot whose feet are somewhere.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers, with the ranges of the servo maps.
    tolerance
        Distance of a foot from its straight line, m.
    speeds
        Highest speed of each joint, rad/s, by name.

    """

    def __init__(
        self,
        robot: Robot,
        legs: Sequence[LegSolver],
        *,
        tolerance: float,
        speeds: Mapping[str, float],
    ) -> None:
        """Know the robot."""
        self._ways = Ways(robot, legs)
        self._timing = Timing(legs, tolerance=tolerance, speeds=speeds)
        self._balance = Balance(robot, legs)

    def plan(self, steps: Sequence[Step], feet: Sequence[Vector]) -> Plan:
        """Solve steps one after another.

        Parameters
        ----------
        steps
            What shall be done.
        feet
            Where the feet are before, in `base_link`, m.

        Raises
        ------
        StepError
            A step cannot be done; says which, and leg, value and bound. Nothing is planned then.

        """
        now: Feet = tuple(feet)
        offset = Offset()
        # What is repeated is solved once.
        solved: dict[tuple[Offset, Way], tuple[Timed, str]] = {}
        moves: list[Move] = []
        cautions: dict[str, Caution] = {}
        for number, step in enumerate(steps):
            try:
                for way in self._ways.of(step, now, offset):
                    if longest_way(way.path) <= ROUNDING and not isinstance(step, WaitStep):
                        continue
                    if (offset, way) not in solved:
                        solved[offset, way] = (
                            self._timing.of(way.path, way.haste),
                            self._balance.caution(way.path, offset, way.offset),
                        )
                    timed, caution = solved[offset, way]
                    moves.append(Move(number, step, way.path, *timed))
                    if caution:
                        cautions.setdefault(step.where or str(number), Caution(number, caution))
                    now, offset = way.path.feet(1.0), way.offset
            except LegKinematicsError as error:
                leg = error.leg if isinstance(error, PlaceError) else ''
                raise StepError(number, step, str(error), leg) from error
        return Plan(tuple(feet), tuple(moves), tuple(cautions.values()))
