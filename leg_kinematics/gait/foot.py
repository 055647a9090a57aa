# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One foot of a walk: it stands in the world, swings to its next footprint, or seeks the ground."""

from dataclasses import dataclass, field

from leg_kinematics.gait.planar import Point
from leg_kinematics.solver import State, minimum_jerk

#: From this share of the swing on, the landing point stays where it is, so that the last part
#: of the swing is not bent by late changes of the command.
LANDING_FIXED = 0.7


@dataclass(slots=True)
class Swing:
    """A swing under way.

    Attributes
    ----------
    remaining
        Time until touchdown, s.
    lift
        Rise of the foot above the straight way from start to end, m.
    start, end
        Elevation at liftoff and where the ground is expected, m.
    goal
        Footprint to land on, in the world, m.
    progress
        Share of the swing that is done.
    held_back
        Whether the goal could not follow the command all the way.

    """

    remaining: float
    lift: float
    start: float
    end: float
    goal: Point
    progress: float = 0.0
    held_back: bool = False

    @property
    def goal_is_fixed(self) -> bool:
        """Tell whether the landing point no longer follows the command."""
        return self.progress >= LANDING_FIXED

    @property
    def descending(self) -> bool:
        """Tell whether the foot may meet the ground."""
        return self.progress >= 0.5

    def progress_after(self, dt: float) -> float:
        """Share of the swing that is done after dt more seconds.

        What is left of the swing is spread evenly over the time that is left, so that the foot
        rises and falls smoothly even where that time is changed on the way.
        """
        return self.progress + dt * (1.0 - self.progress) / self.remaining

    def elevation(self, progress: float) -> State:
        """Elevation and its rate: a bump of sixth degree, at rest at both ends, on the way."""
        rate = (1.0 - self.progress) / self.remaining
        u, v = progress, 1.0 - progress
        way = self.end - self.start
        smooth = u * u * u * (10.0 + u * (6.0 * u - 15.0))
        place = self.start + way * smooth + 64.0 * self.lift * (u * v) ** 3
        slope = (30.0 * way + 192.0 * self.lift * (v - u)) * (u * v) ** 2
        return State(place, slope * rate)


@dataclass(slots=True)
class Search:
    """A foot that goes straight down from where it should have met the ground.

    Attributes
    ----------
    start, end
        Elevation at its start and where it gives up, m.
    duration
        Of the whole way, s.
    elapsed
        s.

    """

    start: float
    end: float
    duration: float
    elapsed: float = 0.0


@dataclass(slots=True)
class Foot:
    """State of one foot in the world.

    A standing foot has a fixed place in the world, so that no rounding accumulates to a slip.

    Attributes
    ----------
    x, y, z
        Position, velocity, acceleration, m, s.
    ground
        Elevation of the ground where it stood last, m.
    swing, search
        None while the foot stands.
    missed
        Whether it sought the ground in vain and has not felt it since.

    """

    x: State
    y: State
    z: State = field(default_factory=lambda: State(0.0))
    ground: float = 0.0
    swing: Swing | None = None
    search: Search | None = None
    missed: bool = False

    @property
    def stands(self) -> bool:
        """Tell whether the foot is on the ground."""
        return self.swing is None and self.search is None

    @property
    def footprint(self) -> Point:
        """Where the foot stands, or will land, m."""
        return (self.x.position, self.y.position) if self.swing is None else self.swing.goal

    def lift_off(self, duration: float, lift: float, end: float) -> Swing:
        """Start a swing, for now back to where the foot is.

        Parameters
        ----------
        duration
            s.
        lift
            Above the straight way from here to its end, m.
        end
            Expected elevation where it will land, m.

        """
        place = (self.x.position, self.y.position)
        self.swing = Swing(duration, lift, self.z.position, end, place)
        return self.swing

    def advance(self, swing: Swing, dt: float, tolerance: float) -> bool:
        """Move along the swing by dt seconds; tell whether it is over, within the tolerance, s."""
        if swing.remaining - dt <= tolerance:
            self.arrive(swing)
            return True
        self.x = minimum_jerk(self.x, swing.goal[0], swing.remaining, dt)
        self.y = minimum_jerk(self.y, swing.goal[1], swing.remaining, dt)
        progress = swing.progress_after(dt)
        self.z = swing.elevation(progress)
        swing.progress = progress
        swing.remaining -= dt
        return False

    def arrive(self, swing: Swing) -> None:
        """Be at the end of the swing."""
        self.x, self.y, self.z = State(swing.goal[0]), State(swing.goal[1]), State(swing.end)

    def stand(self, *, missed: bool = False) -> None:
        """Stand here from now on."""
        self.x, self.y, self.z = (State(axis.position) for axis in (self.x, self.y, self.z))
        self.ground = self.z.position
        self.swing = self.search = None
        self.missed = missed

    def seek(self, depth: float, duration: float) -> None:
        """Go straight down from here, in search of the ground."""
        self.swing = None
        self.search = Search(self.z.position, self.z.position - depth, duration)

    def descend(self, search: Search, dt: float) -> bool:
        """Go down by dt seconds; tell whether the search is over."""
        search.elapsed += dt
        start = State(search.start)
        self.z = minimum_jerk(start, search.end, search.duration, search.elapsed)
        return search.elapsed >= search.duration
