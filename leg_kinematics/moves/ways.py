# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a step asks for: the ways that the feet take."""

from collections.abc import Iterator, Mapping, Sequence
from math import dist
from typing import NamedTuple

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.gait import Offset
from leg_kinematics.moves.paths import (
    STILL,
    BodyMove,
    Circle,
    Circles,
    Feet,
    FeetPath,
    StraightLines,
)
from leg_kinematics.moves.places import LegFrames, Place
from leg_kinematics.moves.postures import stages, takes
from leg_kinematics.moves.steps import (
    ALL,
    BodyStep,
    CircleStep,
    FeetStep,
    Haste,
    PostureStep,
    Step,
    WaitStep,
)
from leg_kinematics.robot import Robot, Vector, did_you_mean
from leg_kinematics.solver import LegReach, LegSolver, Range, inverse

LEVEL = Offset()

#: A foot that is closer to the centre of its circle is there, m.
SMALLEST_RADIUS = 5e-4


#: Coordinates of the centre of a circle.
PLANE = 2

#: To this a place is told, m.
TYPED = 1e-5

#: So far within their ranges joints are put to find a place that can be told, rad: where what a leg
#: reaches has a sharp edge, rounded places near it are beyond.
INSIDE = (0.0, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2)


class PlaceError(CommandError):
    """A foot cannot be where a step has it; knows the leg, as the step names it."""

    def __init__(self, message: str, leg: str) -> None:
        """Keep the leg beside the text."""
        super().__init__(message)
        self.leg = leg


class Way(NamedTuple):
    """A path, how fast it shall be gone, and the offset of the body from level at its end."""

    path: FeetPath
    haste: Haste
    offset: Offset


class Ways:
    """Turns steps into ways.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers, with the ranges of the servo maps.

    """

    def __init__(self, robot: Robot, legs: Sequence[LegSolver]) -> None:
        """Know the robot."""
        self._robot = robot
        self._legs = tuple(legs)
        self._frames = LegFrames(robot)

    def of(self, step: Step, feet: Feet, offset: Offset) -> Iterator[Way]:
        """Give the ways of a step, one after another.

        Parameters
        ----------
        step
            What shall be done.
        feet
            Where the feet are before, in `base_link`, m.
        offset
            Of the body from level before.

        Raises
        ------
        PlaceError
            A foot cannot be where it shall be, or there is no such leg.

        """
        match step:
            case WaitStep():
                yield Way(StraightLines(feet, feet), Haste(time=step.time), offset)
            case FeetStep():
                yield Way(StraightLines(feet, self._goal(step, feet)), step.haste, offset)
            case CircleStep():
                yield Way(self._circles(step, feet), step.haste, offset)
            case BodyStep():
                goal = _with(offset, step.offset)
                yield Way(_body_move(feet, offset, goal), step.haste, goal)
            case PostureStep():
                if offset != LEVEL:
                    yield Way(_body_move(feet, offset, LEVEL), step.haste, LEVEL)
                now = tuple(offset.place(foot) for foot in feet)
                for stage in stages(self._robot, self._legs, step.posture, now):
                    yield Way(StraightLines(now, stage), step.haste, LEVEL)
                    now = stage

    def _goal(self, step: FeetStep, feet: Feet) -> Feet:
        """Where the feet shall be."""
        goal = list(feet)
        for index, name, place in self._named(step.places):
            leg = self._legs[index]
            goal[index] = self._frames.goal(leg.name, place, feet[index])
            try:
                leg.angles(goal[index])
            except LegKinematicsError as error:
                raise PlaceError(
                    f'{error}; the nearest place that it can take is '
                    f'{self._nearest(leg, place, goal[index])}',
                    name,
                ) from error
        return tuple(goal)

    def _nearest(self, leg: LegSolver, place: Place, goal: Vector) -> str:
        """Say the nearest place that a foot can take, so that it can be typed."""
        reach = LegReach(leg)
        nearest = reach.nearest(goal)
        low, high = reach.ranges[0]
        angles = inverse(leg.geometry, leg.mount.to_mount(nearest), min(max(0.0, low), high))
        x, y, z = self._frames.coordinates(leg.name, place.frame, nearest)
        for inside in INSIDE:
            foot = leg.foot(_within(angles, reach.ranges, inside))
            coordinates = self._frames.coordinates(leg.name, place.frame, foot)
            x, y, z = (round(each / TYPED) * TYPED for each in coordinates)
            if takes(leg, self._frames.point(leg.name, place.frame, (x, y, z))):
                break
        return f'x {x * 1e3:z.2f}, y {y * 1e3:z.2f}, z {z * 1e3:z.2f} mm in the {place.frame} frame'

    def _circles(self, step: CircleStep, feet: Feet) -> Circles:
        """Where the feet go round."""
        circles = [Circle(foot, STILL, STILL) for foot in feet]
        for index, name, place in self._named(step.centres):
            circles[index] = self._circle(self._legs[index].name, name, place, feet[index])
        return Circles(tuple(circles), step.turn)

    def _circle(self, leg: str, name: str, place: Place, foot: Vector) -> Circle:
        """Where one foot goes round."""
        now = self._frames.coordinates(leg, place.frame, foot)
        given = {
            axis: value
            for axis, value in enumerate((place.x, place.y, place.z))
            if value is not None
        }
        if len(given) != PLANE:
            raise PlaceError(
                f'the centre of the circle of {leg} needs two of x, y and z, which are its plane',
                name,
            )
        x, y, z = (given.get(axis, each) for axis, each in enumerate(now))
        centre = (x, y, z)
        if dist(centre, now) < SMALLEST_RADIUS:
            raise PlaceError(
                f'the foot of {leg} is at the centre of its circle: move it away from there first, '
                'as far as the radius shall be',
                name,
            )
        first, second = given
        quarter = list(centre)
        quarter[first] -= now[second] - centre[second]
        quarter[second] += now[first] - centre[first]
        x, y, z = quarter
        middle = self._frames.point(leg, place.frame, centre)
        across = _minus(self._frames.point(leg, place.frame, (x, y, z)), middle)
        return Circle(middle, _minus(foot, middle), across)

    def _named(self, places: Mapping[str, Place]) -> Iterator[tuple[int, str, Place]]:
        """Give the legs with a place by their number, and the name by which they have it."""
        names = self._robot.leg_names
        for name in places:
            if name != ALL and name not in names:
                raise PlaceError(
                    f'{self._robot.name} has no leg {name!r}; its legs are: {", ".join(names)}, '
                    f'and {ALL} stands for all of them{did_you_mean(name, names)}',
                    name,
                )
        for index, leg in enumerate(names):
            name = leg if leg in places else ALL
            if name in places:
                yield index, name, places[name]


def _with(offset: Offset, wanted: Sequence[float | None]) -> Offset:
    """Give an offset with the components that are wanted, and its own for the others."""
    pairs = zip(wanted, offset.components, strict=True)
    return Offset.of([have if want is None else want for want, have in pairs])


def _within(angles: Vector, ranges: Sequence[Range], inside: float) -> Vector:
    """Put joints within their ranges, rad, and as far from the ends."""
    q1, q2, q3 = (
        min(max(angle, low + inside), high - inside)
        for angle, (low, high) in zip(angles, ranges, strict=True)
    )
    return (q1, q2, q3)


def _body_move(feet: Feet, start: Offset, goal: Offset) -> BodyMove:
    return BodyMove(tuple(start.place(foot) for foot in feet), start, goal)


def _minus(a: Vector, b: Vector) -> Vector:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])
