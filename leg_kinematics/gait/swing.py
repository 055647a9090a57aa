# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The way of a foot through the air: walked, planned and bounded by one and the same function.

Over the ground it is the smoothest way from how the foot moves now to rest at its goal, upwards a
bump of sixth degree on the smoothest way from the ground here to the ground there.
"""

from dataclasses import dataclass
from functools import cache
from math import inf

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.gait.body import LEVEL, BodyState, Offset, Point, carried, seen_from
from leg_kinematics.robot import Vector
from leg_kinematics.solver import LegSolver, ManyLegs, State, Time, on_the_way

Floats = NDArray[np.float64]

#: From this share of the swing on, the landing point stays where it is, so that the last part
#: of the swing is not bent by late changes of the command.
LANDING_FIXED = 0.7

#: From this share of the swing on the foot may meet the ground.
DESCENDING = 0.5

#: Instants of the rest of a swing, as shares of it, at which its joint speeds are checked.
INSTANTS_AHEAD = (0.2, 0.33, 0.46, 0.62, 0.78)

#: The joint speeds of a whole swing are checked at the ends of so many equal parts.
PARTS = 16

#: Points of a swing at which its overshoot is sought; more change it by less than 1e-4.
OVERSHOOT_PARTS = 200


@dataclass(slots=True)
class Swing:
    """A foot in the air.

    Attributes
    ----------
    x, y, z
        Where it is now in the world, and how it moves, m, s.
    goal
        Footprint to land on, in the world, m.
    remaining
        Time until touchdown, s.
    start, end
        Elevation at liftoff and where the ground is expected, m.
    lift
        Rise of the foot above the straight way from start to end, m.
    progress
        Share of the swing that is done.
    held_back
        Whether the goal could not follow the command all the way.

    """

    x: State
    y: State
    z: State
    goal: Point
    remaining: float
    start: float
    end: float
    lift: float
    progress: float = 0.0
    held_back: bool = False

    @classmethod
    def from_rest(cls, place: Vector, duration: float, *, lift: float, end: float) -> 'Swing':
        """Begin a swing of a duration (s) at a place (m), for now back to that place."""
        x, y, z = place
        return cls(State(x), State(y), State(z), (x, y), duration, z, end, lift)

    @property
    def place(self) -> Point:
        """Where the foot is over the ground, m."""
        return (self.x.position, self.y.position)

    @property
    def velocity(self) -> Point:
        """How fast it goes over the ground, m/s."""
        return (self.x.velocity, self.y.velocity)

    @property
    def footprint(self) -> Point:
        """Where the foot will land, m."""
        return self.goal

    @property
    def lands_there(self) -> bool:
        """Tell whether the landing point no longer follows the command, or not all the way."""
        return self.held_back or self.progress >= LANDING_FIXED

    def path(
        self, time: Time, goal: Point
    ) -> tuple[tuple[Time, Time, Time], tuple[Time, Time, Time], tuple[Time, Time]]:
        """Position, velocity and acceleration along x and y, position and velocity along z.

        What is left of the swing is spread evenly over the time that is left, so that the foot
        rises and falls smoothly even where that time is changed on the way.

        Parameters
        ----------
        time
            From now on, within what remains, s; one instant or an array.
        goal
            Footprint to land on, m.

        """
        remaining = self.remaining
        u = self.progress + time * (1.0 - self.progress) / remaining
        v = 1.0 - u
        z, climb, _ = on_the_way(State(self.start), self.end, 1.0, u)
        bump = (u * v) ** 2
        rate = (climb + 192.0 * self.lift * (v - u) * bump) * ((1.0 - self.progress) / remaining)
        return (
            on_the_way(self.x, goal[0], remaining, time),
            on_the_way(self.y, goal[1], remaining, time),
            (z + 64.0 * self.lift * bump * (u * v), rate),
        )

    def advance(self, dt: float, tolerance: float) -> bool:
        """Move on by dt seconds; tell whether it is over, within the tolerance, s."""
        if self.remaining - dt <= tolerance:
            self.arrive()
            return True
        x, y, z = self.path(dt, self.goal)
        self.x, self.y, self.z = State(*x), State(*y), State(*z)
        self.progress += dt * (1.0 - self.progress) / self.remaining
        self.remaining -= dt
        return False

    def arrive(self) -> None:
        """Be at the end of the swing."""
        self.x, self.y, self.z = State(self.goal[0]), State(self.goal[1]), State(self.end)

    def end_within(self, time: float) -> None:
        """Come down in so many seconds, or as soon as it does by itself."""
        self.remaining = min(self.remaining, time)

    def slow_down(self, factor: float) -> None:
        """Take so many times as long for what remains, but no less than now."""
        self.remaining *= max(1.0, factor)

    def aim(self, goal: Point, *, held_back: bool = False) -> None:
        """Land elsewhere, m; held back where that is short of where the command wants it."""
        self.goal, self.held_back = goal, held_back


def steady_swing(
    shares: Floats, duty_factor: float, *, swing_time: float = 1.0, lift: float = 0.0
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Way of a foot in a steady walk over level ground, as a body sees it that goes straight on.

    Parameters
    ----------
    shares
        Of the swing that are done.
    duty_factor
        Share of the cycle in which the leg stands, beta: the body goes half a stride each way
        while the foot stands, and (1 - beta) / beta of a stride in its swing.
    swing_time
        s.
    lift
        m.

    Returns
    -------
    tuple
        Along the stride, in halves of it, -1 where the foot lifts, and the rate of that, 1/s;
        upwards, m, and the rate of that, m/s.

    """
    swing = Swing.from_rest((0.0, 0.0, 0.0), swing_time, lift=lift, end=0.0)
    time = shares * swing_time
    (x, u, _), _, up = swing.path(time, (2.0 / duty_factor, 0.0))
    ground = 2.0 * (1.0 - duty_factor) / (duty_factor * swing_time)
    return (x - ground * time - 1.0, u - ground), up


@cache
def swing_overshoot(duty_factor: float) -> float:
    """How far a foot goes beyond its stride, as a factor of half the stride.

    A foot lifts at rest in the world, so that the body carries it further back before it has
    gained speed, and it lands the same way.

    Parameters
    ----------
    duty_factor
        Share of the cycle in which a leg stands.

    """
    (along, _), _ = steady_swing(np.linspace(0.0, 1.0, OVERSHOOT_PARTS + 1), duty_factor)
    return float(-along.min())


def swing_effort(
    leg: LegSolver, speeds: Vector, swing: Swing, goal: Point, *, body: BodyState
) -> float:
    """Tell how much of the permitted joint speed the rest of a swing to a goal asks for.

    Parameters
    ----------
    leg
        Its solver.
    speeds
        What may be asked of each joint, rad/s.
    swing
        As it is now.
    goal
        Footprint, m.
    body
        As it is now; its twist is taken to last.

    Returns
    -------
    float
        Infinite where the foot would leave its reach.

    """
    pose, twist, height, offset = body
    highest = 0.0
    for share in INSTANTS_AHEAD:
        time = share * swing.remaining
        (x, dx, _), (y, dy, _), (z, dz) = swing.path(time, goal)
        (x, y), (dx, dy) = seen_from(pose * twist.over(time), twist)((x, y), (dx, dy))
        place, velocity = (x, y, z - height), (dx, dy, dz)
        if offset != LEVEL:
            place, velocity = offset.see(place), offset.turn_back(velocity)
        try:
            rates = leg.velocity(leg.angles(place), velocity)
        except LegKinematicsError:
            return inf
        highest = max(
            highest, *(abs(rate) / most for rate, most in zip(rates, speeds, strict=True))
        )
    return highest


def placing_effort(leg: ManyLegs, speeds: Vector, swing: Swing, *, body: BodyState) -> float:
    """Tell what `swing_effort` tells, of a whole swing under a level body that does not move.

    The leg is a single row.
    """
    time = np.linspace(0.0, swing.remaining, PARTS + 1)
    (x, dx, _), (y, dy, _), (z, dz) = swing.path(time, swing.goal)
    pose = body.pose
    leg = carried(leg, [Offset((pose.x, pose.y, body.height), (0.0, 0.0, pose.yaw))])
    rates = leg.rates(np.array(((x, y, z),)), np.array(((dx, dy, dz),)))
    return float((np.abs(rates[:, 0]).max(axis=-1) / speeds).max())
