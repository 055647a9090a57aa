# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One foot of a walk: it stands in the world, or swings to its next footprint."""

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
    duration
        From liftoff to touchdown, s.
    elapsed
        Since liftoff, s.
    lift
        Rise of the foot above its way, m.
    start_elevation
        Height above ground at the start, m: zero, unless the walk began with the foot in the air.
    goal
        Footprint to land on, in the world, m.

    """

    duration: float
    elapsed: float
    lift: float
    start_elevation: float
    goal: Point

    @property
    def remaining(self) -> float:
        """Time until touchdown, s."""
        return self.duration - self.elapsed

    @property
    def goal_is_fixed(self) -> bool:
        """Tell whether the landing point no longer follows the command."""
        return self.elapsed >= LANDING_FIXED * self.duration


@dataclass(slots=True)
class Foot:
    """State of one foot in the world, where the ground is z = 0.

    A standing foot has a fixed place in the world, so that no rounding accumulates to a slip.

    Attributes
    ----------
    x, y, z
        Position, velocity, acceleration, m, s.
    swing
        None while the foot stands.

    """

    x: State
    y: State
    z: State = field(default_factory=lambda: State(0.0))
    swing: Swing | None = None

    @property
    def footprint(self) -> Point:
        """Where the foot stands, or will land, m."""
        return (self.x.position, self.y.position) if self.swing is None else self.swing.goal

    def lift_off(self, duration: float, lift: float) -> Swing:
        """Start a swing, for now back to where the foot is."""
        place = (self.x.position, self.y.position)
        elevation = self.z.position
        self.swing = Swing(duration, 0.0, max(0.0, lift - elevation), elevation, place)
        return self.swing

    def advance(self, swing: Swing, dt: float, tolerance: float) -> None:
        """Move along the swing by dt seconds; land when it is over within the tolerance, s."""
        if swing.remaining - dt <= tolerance:
            self.x, self.y, self.z = State(swing.goal[0]), State(swing.goal[1]), State(0.0)
            self.swing = None
            return
        self.x = minimum_jerk(self.x, swing.goal[0], swing.remaining, dt)
        self.y = minimum_jerk(self.y, swing.goal[1], swing.remaining, dt)
        swing.elapsed += dt
        self.z = _elevation(swing)


def _elevation(swing: Swing) -> State:
    """Rise and fall of the foot: a bump of sixth degree, at rest at both ends."""
    u = swing.elapsed / swing.duration
    start = minimum_jerk(State(swing.start_elevation), 0.0, swing.duration, swing.elapsed)
    bump = 64.0 * swing.lift * (u * (1.0 - u)) ** 3
    rate = 192.0 * swing.lift * (u * (1.0 - u)) ** 2 * (1.0 - 2.0 * u) / swing.duration
    return State(start.position + bump, start.velocity + rate)
