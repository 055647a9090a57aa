# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One leg of a walk: its foot stands in the world, swings, seeks the ground, or is carried."""

from dataclasses import dataclass, field

from leg_kinematics.gait.body import Point
from leg_kinematics.gait.swing import Swing
from leg_kinematics.solver import State, minimum_jerk

AT_REST: Point = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Standing:
    """A foot at a fixed place in the world, so that no rounding accumulates to a slip.

    Attributes
    ----------
    place
        Where it stands, m.
    z
        Elevation, m.

    """

    place: Point
    z: State

    @property
    def footprint(self) -> Point:
        """Where the foot stands, m."""
        return self.place

    @property
    def velocity(self) -> Point:
        """Velocity over the ground: zero, m/s."""
        return AT_REST


@dataclass(frozen=True, slots=True)
class Seeking:
    """A foot that goes straight down from where it should have met the ground.

    Attributes
    ----------
    place
        Above which it goes down, m.
    start
        Elevation where it began, m.
    depth
        Of the whole way, m.
    duration
        Of the whole way, s.
    elapsed
        s.

    """

    place: Point
    start: float
    depth: float
    duration: float
    elapsed: float = 0.0

    @property
    def footprint(self) -> Point:
        """Where the foot will stand, m."""
        return self.place

    @property
    def velocity(self) -> Point:
        """Velocity over the ground: zero, m/s."""
        return AT_REST

    @property
    def z(self) -> State:
        """Elevation, m, and its rates."""
        start = State(self.start)
        return minimum_jerk(start, self.start - self.depth, self.duration, self.elapsed)

    @property
    def over(self) -> bool:
        """Tell whether the search is over, and no ground was found."""
        return self.elapsed >= self.duration

    def after(self, dt: float) -> 'Seeking':
        """Go on for dt seconds."""
        return Seeking(self.place, self.start, self.depth, self.duration, self.elapsed + dt)


@dataclass(frozen=True, slots=True)
class Carried:
    """A foot that moves with the body, off the ground, above where it was lifted to, m."""

    footprint: Point


@dataclass(slots=True)
class Foot:
    """What a leg does, and what is known of its ground.

    Attributes
    ----------
    walks
        Whether it takes its turns; if not, it is carried.
    motion
        What it does.
    ground
        Elevation of the ground where it stood last, m.
    touching
        Whether it feels the ground.
    missed
        Whether it sought the ground in vain and has not felt it since.
    first_step
        Whether its first step of a walk is still to come.

    """

    walks: bool
    motion: Standing | Swing | Seeking | Carried
    ground: float = 0.0
    touching: bool = False
    missed: bool = False
    first_step: bool = field(init=False)

    def __post_init__(self) -> None:
        """Wait for the first turn."""
        self.begin_walk()

    @property
    def stands(self) -> bool:
        """Tell whether it is on the ground."""
        return isinstance(self.motion, Standing)

    @property
    def rests(self) -> bool:
        """Tell whether it stands or is carried, and is not on a way of its own."""
        return isinstance(self.motion, (Standing, Carried))

    @property
    def footprint(self) -> Point:
        """Where it stands, or will land, in the world, m."""
        return self.motion.footprint

    @property
    def settled(self) -> bool:
        """Tell whether it stands, or lands, where it must, whatever is commanded."""
        motion = self.motion
        return not isinstance(motion, Swing) or motion.lands_there

    def feel(self, *, touching: bool) -> None:
        """Take in whether it touches the ground."""
        self.touching = touching
        if touching and self.rests:
            self.missed = False

    def begin_walk(self) -> None:
        """Wait for the first turn."""
        self.first_step = self.walks

    def take_step(self, swing: Swing) -> None:
        """Leave the ground because its turn has come."""
        self.motion, self.first_step = swing, False

    def stand(self, place: Point, ground: float, *, missed: bool = False) -> None:
        """Stand from now on at a place and an elevation, m, perhaps without having felt ground."""
        self.motion = Standing(place, State(ground))
        self.ground, self.missed = ground, missed
