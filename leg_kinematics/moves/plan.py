# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Steps solved and checked whole, before anything moves."""

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from math import dist, hypot

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.gait import Offset
from leg_kinematics.moves.paths import (
    BodyMove,
    Feet,
    FeetPath,
    FeetSample,
    StraightLines,
    at_rest,
    sample,
)
from leg_kinematics.moves.places import LegFrames
from leg_kinematics.moves.steps import (
    BodyStep,
    FeetStep,
    Haste,
    Posture,
    PostureStep,
    Step,
    WaitStep,
)
from leg_kinematics.robot import FEWEST_STANDING, Robot, Vector
from leg_kinematics.solver import (
    PEAK_SPEED,
    LegReach,
    LegSolver,
    State,
    Trajectory,
    minimum_jerk,
    peak_speeds,
    polyline_move,
    position_ranges,
)

#: A foot that is set over is lifted so high, m.
LIFT = 0.02

#: A foot is where it shall be, or on the ground, within this, m.
THERE = 1e-4

#: A way that is no longer is none, m.
ROUNDING = 1e-9

#: A move of the body is looked at at so many instants.
BODY_SAMPLES = 100

#: No move takes less, s: a servo that has hardly any way to go shall not jerk.
SHORTEST_MOVE = 0.2


class StepError(CommandError):
    """A step cannot be done.

    Attributes
    ----------
    step
        Which one.
    reason
        Why, without saying which.

    """

    def __init__(self, number: int, step: Step, reason: str) -> None:
        """Say which and why."""
        super().__init__(f'step {number + 1}: {reason}')
        self.step = step
        self.reason = reason


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
        Joint moves that hold the feet within tolerance of their straight lines; 0 where nothing
        moves in a straight line.

    """

    number: int
    step: Step
    path: FeetPath
    duration: float
    wanted: float
    sub_moves: int = 0


@dataclass(frozen=True)
class Plan:
    """Moves one after another.

    Attributes
    ----------
    start
        Feet at the beginning, in `base_link`, m.
    moves
        In their order; none where all feet are where they shall be.

    """

    start: Feet
    moves: tuple[Move, ...]

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
        self._robot = robot
        self._legs = tuple(legs)
        self._tolerance = tolerance
        self._speeds = speeds
        self._frames = LegFrames(robot)

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
        moves: list[Move] = []
        for number, step in enumerate(steps):
            try:
                for path, haste, goal_offset in self._paths(step, now, offset):
                    move = self._move(number, step, path, haste)
                    moves.append(move)
                    now, offset = move.path.feet(1.0), goal_offset
            except LegKinematicsError as error:
                raise StepError(number, step, str(error)) from error
        return Plan(tuple(feet), tuple(moves))

    # ---- what a step asks for

    def _paths(
        self, step: Step, feet: Feet, offset: Offset
    ) -> Iterator[tuple[FeetPath, Haste, Offset]]:
        """Paths of a step, each with the offset of the body at its end."""
        match step:
            case WaitStep():
                yield StraightLines(feet, feet), Haste(time=step.time), offset
            case FeetStep():
                goal = self._goal(step, feet)
                if step.haste.time is not None or _farthest(feet, goal) > ROUNDING:
                    yield StraightLines(feet, goal), step.haste, offset
            case BodyStep():
                goal_offset = _with(offset, step.offset)
                if step.haste.time is not None or goal_offset != offset:
                    yield _body_move(feet, offset, goal_offset), step.haste, goal_offset
            case PostureStep():
                if offset != Offset():
                    yield _body_move(feet, offset, Offset()), step.haste, Offset()
                    feet = tuple(offset.place(foot) for foot in feet)
                goals = list(self._posture(step.posture, feet))
                for goal in goals:
                    if _farthest(feet, goal) > ROUNDING:
                        yield StraightLines(feet, goal), step.haste, Offset()
                        feet = goal

    def _goal(self, step: FeetStep, feet: Feet) -> Feet:
        """Where the feet shall be."""
        names = self._robot.leg_names
        if unknown := [name for name in step.places if name not in names]:
            raise CommandError(
                f'{self._robot.name} has no leg {unknown[0]!r}; its legs are: {", ".join(names)}'
            )
        goal = list(feet)
        for index, (leg, foot) in enumerate(zip(self._legs, feet, strict=True)):
            if leg.name in step.places:
                place = step.places[leg.name]
                goal[index] = self._frames.goal(leg.name, place, foot)
                try:
                    leg.angles(goal[index])
                except LegKinematicsError as error:
                    nearest = LegReach(leg).nearest(goal[index])
                    x, y, z = self._frames.coordinates(leg.name, place.frame, nearest)
                    raise CommandError(
                        f'{error}; the nearest place that it can take is x {x * 1e3:.1f}, '
                        f'y {y * 1e3:.1f}, z {z * 1e3:.1f} mm in the {place.frame} frame'
                    ) from error
        return tuple(goal)

    def _posture(self, which: Posture, feet: Feet) -> Iterator[Feet]:
        """Feet on the way to a posture, from straight line to straight line.

        No foot that stands is dragged. With its belly on the ground the robot sets all feet over
        at once, on its feet one after another.
        """
        robot = self._robot
        posture = robot.standing if which is Posture.STANDING else robot.resting
        if len(feet) < FEWEST_STANDING:
            yield posture.feet
            return
        height = -min(z for _, _, z in feet)
        lying = height <= robot.resting.height + THERE
        if which is Posture.RESTING and not lying:
            feet = tuple((x, y, z + height - robot.resting.height) for x, y, z in feet)
            yield feet
            height, lying = robot.resting.height, True
        elsewhere = [
            index
            for index, (foot, goal) in enumerate(zip(feet, posture.feet, strict=True))
            if dist(foot, (goal[0], goal[1], -height)) > THERE
        ]
        for group in [elsewhere] if lying else [[index] for index in elsewhere]:
            for stage in _set_over(feet, posture.feet, group, -height):
                yield stage
                feet = stage
        yield posture.feet

    # ---- whether it can be done, and how long it takes

    def _move(self, number: int, step: Step, path: FeetPath, haste: Haste) -> Move:
        """Solve a path."""
        if isinstance(path, BodyMove):
            return self._body(number, step, path, haste)
        start, goal = path.feet(0.0), path.feet(1.0)
        wanted = _wanted(haste, _farthest(start, goal))
        moving = [index for index, foot in enumerate(start) if foot != goal[index]]
        if not moving:
            return Move(number, step, path, wanted, wanted)
        legs = [self._legs[index] for index in moving]
        trajectory = polyline_move(
            legs,
            [[start[index] for index in moving], [goal[index] for index in moving]],
            [wanted],
            tolerance=self._tolerance,
            speeds=[self._speeds[joint] for leg in legs for joint in leg.joints],
        )
        return Move(number, step, path, trajectory.end, wanted, len(trajectory.times) - 1)

    def _body(self, number: int, step: Step, path: BodyMove, haste: Haste) -> Move:
        """Solve a move of the body, as one of a second first."""
        shares = [index / BODY_SAMPLES for index in range(BODY_SAMPLES + 1)]
        progress = [minimum_jerk(State(0.0), 1.0, 1.0, share) for share in shares]
        feet = [path.feet(each.position) for each in progress]
        rates = [path.rates(each.position) for each in progress]
        angles = [[leg.angles(foot) for leg, foot in self._each(row)] for row in feet]
        speeds = [
            [
                each.velocity * speed
                for leg, three, rate in zip(self._legs, row, moving, strict=True)
                for speed in leg.velocity(three, rate)
            ]
            for each, row, moving in zip(progress, angles, rates, strict=True)
        ]
        unit = Trajectory(
            tuple(shares),
            tuple(tuple(angle for three in row for angle in three) for row in angles),
            tuple(map(tuple, speeds)),
        )
        ranges = position_ranges(unit)
        for index, leg in enumerate(self._legs):
            for three in zip(*ranges[3 * index : 3 * index + 3], strict=True):
                leg.check(three)
        fastest = max(hypot(*rate) for row in rates for rate in row)
        wanted = _wanted(haste, fastest)
        joints = (joint for leg in self._legs for joint in leg.joints)
        needed = (
            peak / self._speeds[joint]
            for joint, peak in zip(joints, peak_speeds(unit), strict=True)
        )
        return Move(number, step, path, max(wanted, *needed), wanted)

    def _each(self, feet: Feet) -> Iterator[tuple[LegSolver, Vector]]:
        return zip(self._legs, feet, strict=True)


def _wanted(haste: Haste, longest: float) -> float:
    """How long a way, m, shall take, s."""
    if haste.time is not None:
        return haste.time
    return max(SHORTEST_MOVE, PEAK_SPEED * longest / haste.speed)


def _farthest(start: Feet, goal: Feet) -> float:
    """Way of the foot that has the longest, m."""
    return max(dist(foot, end) for foot, end in zip(start, goal, strict=True))


def _with(offset: Offset, wanted: Sequence[float | None]) -> Offset:
    """Give an offset with the components that are wanted, and its own for the others."""
    pairs = zip(wanted, offset.components, strict=True)
    return Offset.of([have if want is None else want for want, have in pairs])


def _body_move(feet: Feet, start: Offset, goal: Offset) -> BodyMove:
    return BodyMove(tuple(start.place(foot) for foot in feet), start, goal)


def _set_over(feet: Feet, goal: Feet, group: Sequence[int], ground: float) -> Iterator[Feet]:
    """Lift a group of feet, carry them to above their goals, and put them on the ground."""
    if not group:
        return
    lifted, over, down = list(feet), list(feet), list(feet)
    for index in group:
        (x, y, z), (u, v, _) = feet[index], goal[index]
        above = max(z, ground + LIFT)
        lifted[index], over[index], down[index] = (x, y, above), (u, v, above), (u, v, ground)
    yield tuple(lifted)
    yield tuple(over)
    yield tuple(down)
