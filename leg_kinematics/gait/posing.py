# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The body over its feet: how high it stands, and the offset that is ordered.

The body sets out for an offset once all feet are where they can walk all along the way; until then
the order waits, and the walk is bounded by what is allowed in every pose of the way.
"""

from collections.abc import Sequence

import numpy as np

from leg_kinematics.errors import CommandError
from leg_kinematics.gait.body import LEVEL, Offset
from leg_kinematics.gait.envelope import SMALLEST_STRIDE, Envelope, Envelopes
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import Clock
from leg_kinematics.robot import Vector
from leg_kinematics.solver import PEAK_SPEED, State, minimum_jerk

#: Shortest time of a move of the body over its feet, s, so that small changes of the order or of
#: the ground do not jerk it.
SHORTEST_MOVE = 0.3

#: Number of instants at which a way is checked before it is taken.
WAY_SAMPLES = 40

#: By how much the body may overshoot its goal, m.
WAY_TOLERANCE = 1e-4


class SmoothMove:
    """Coordinates of the body that move together, from their present motion to rest at a goal.

    Parameters
    ----------
    start
        Where they rest at first, m or rad.

    Attributes
    ----------
    states
        Of the coordinates, m or rad, and their rates.
    goal
        Where they are going.
    moving
        Whether they are on their way.

    """

    def __init__(self, *start: float) -> None:
        """Begin at rest."""
        self.states = tuple(map(State, start))
        self.goal: tuple[float, ...] = start
        self._remaining = 0.0

    @property
    def moving(self) -> bool:
        """Tell whether they are on their way."""
        return self._remaining > 0.0

    def aim(self, goal: tuple[float, ...], duration: float) -> None:
        """Go to another goal in so many seconds."""
        self.goal, self._remaining = goal, duration

    def duration(self, goal: tuple[float, ...], peaks: Sequence[float]) -> float:
        """Time of a way to a goal, s, that keeps to the peak speeds if it begins at rest."""
        ways = zip(self.states, goal, peaks, strict=True)
        times = (PEAK_SPEED * abs(end - state.position) / peak for state, end, peak in ways)
        return max(SHORTEST_MOVE, *times)

    def may_turn(self, goal: tuple[float, ...], duration: float) -> bool:
        """Tell whether the way to another goal stays between that goal and the present one."""
        times = [duration * look / WAY_SAMPLES for look in range(1, WAY_SAMPLES)]
        for state, old, new in zip(self.states, self.goal, goal, strict=True):
            ends = (new, old, state.position)
            low, high = min(ends) - WAY_TOLERANCE, max(ends) + WAY_TOLERANCE
            way = (minimum_jerk(state, new, duration, time).position for time in times)
            if not all(low <= position <= high for position in way):
                return False
        return True

    def step(self, dt: float) -> None:
        """Advance by dt seconds."""
        if self._remaining > 0.0:
            self.states = tuple(
                minimum_jerk(state, end, self._remaining, dt)
                for state, end in zip(self.states, self.goal, strict=True)
            )
            self._remaining -= dt


class Posing:
    """Moves the body over its feet.

    Parameters
    ----------
    names
        Of the legs.
    parameters
        How to walk.
    envelopes
        What the robot may do.
    height
        Of the body above its feet now, m.

    Attributes
    ----------
    offset, rate
        Of the body, and how fast shift and angles change, m/s and rad/s.
    goal
        The offset that is ordered.
    way
        Offsets that represent the whole way there.

    """

    def __init__(
        self,
        names: Sequence[str],
        parameters: GaitParameters,
        envelopes: Envelopes,
        height: float,
    ) -> None:
        """Begin level."""
        self._names = names
        self._envelopes = envelopes
        self._speed = parameters.body_speed
        self._peaks = 3 * (parameters.body_speed,) + 3 * (parameters.body_rate,)
        self._stand_time = envelopes.stand_time()
        self._rise = SmoothMove(height)
        self._level = SmoothMove(0.0)
        self._move = SmoothMove(*LEVEL.components)
        self.offset = self.rate = self.goal = LEVEL
        self.way: tuple[Offset, ...] = (LEVEL,)
        self._question: tuple[tuple[Offset, ...], float, float] | None = None
        self._answer: Envelope

    # ---- height

    @property
    def rise(self) -> State:
        """Height of the level body above the level of its feet, m, and its rates."""
        return self._rise.states[0]

    @property
    def height(self) -> State:
        """Height of the level body above z = 0, m, and its rates."""
        (level,), rise = self._level.states, self.rise
        return State(level.position + rise.position, level.velocity + rise.velocity)

    def follow(self, ground: float, dt: float) -> None:
        """Go on for dt seconds towards the level (m) that the ground seems to have."""
        if (ground,) != self._level.goal:
            self._level.aim((ground,), self._level.duration((ground,), (self._speed,)))
        self._level.step(dt)

    def go_to_height(self, height: float, dt: float) -> bool:
        """Rise or sink for dt seconds towards a height (m); tell whether it is reached.

        Turned round on its way, the body goes on until the way back leads beyond neither end: at
        the latest until it has come to the first goal.
        """
        rise = self._rise
        if (height,) != rise.goal and rise.may_turn((height,), self._stand_time):
            rise.aim((height,), self._stand_time)
        rise.step(dt)
        return not rise.moving and rise.goal == (height,)

    # ---- offset

    @property
    def level(self) -> bool:
        """Tell whether the body is level, at rest, and nothing else is ordered."""
        return self.goal == LEVEL and not self.off_level

    @property
    def waits(self) -> bool:
        """Tell whether the body has yet to set out."""
        return self.goal.components != self._move.goal

    def see(self, point: Vector, velocity: Vector) -> tuple[Vector, Vector]:
        """Express a moving point of the level body in the body as it is, m and m/s."""
        return self.offset.see_moving(self.rate, point, velocity)

    @property
    def off_level(self) -> bool:
        """Tell whether the body is elsewhere than the level body, or on its way there."""
        return self._move.moving or self._move.goal != LEVEL.components

    def envelope(self, clock: Clock) -> Envelope:
        """Tell what a walk may ask of the legs all along the way; asked for in every tick."""
        question = (self.way, clock.cycle.duty_factor, clock.goal)
        if question != self._question:
            self._question, self._answer = question, self._envelopes.at(*question)
        return self._answer

    def order(self, goal: Offset, clock: Clock) -> None:
        """Order another pose.

        Raises
        ------
        CommandError
            A foot could not walk in it, or not stay on the ground on the way, or the walk would
            not keep its least margin; nothing has changed then.

        """
        way = self._way_to(goal)
        along = self._along(way, clock)
        there = self._along((goal,), clock)
        self._envelopes.check_margin('the body cannot be posed so', there)
        if there.radii[there.narrowest] < SMALLEST_STRIDE:
            leg = self._names[there.narrowest]
            raise CommandError(f'the body cannot be posed so: {leg} could not take a step')
        times = self._envelopes.posing_times(self.offset, goal, along)
        cannot = np.flatnonzero(~np.isfinite(times).all(axis=1))
        if cannot.size:
            leg = self._names[self._envelopes.walking[cannot[0]]]
            raise CommandError(
                f'the body cannot be posed so: {leg} would be out of reach on the way; go there by '
                'another pose'
            )
        self.goal, self.way = goal, way

    def level_out(self) -> None:
        """Order the level pose; this is never refused."""
        self.goal, self.way = LEVEL, self._way_to(LEVEL)

    def set_out(self, envelope: Envelope) -> None:
        """Go to the pose that is ordered, with all feet within the radii of an envelope."""
        times = self._envelopes.posing_times(self.offset, self.goal, envelope)
        # No foot stands where it would be out of reach.
        slowest = times[np.isfinite(times)].max(initial=0.0)
        goal = self.goal.components
        self._move.aim(goal, max(float(slowest), self._move.duration(goal, self._peaks)))

    def step(self, dt: float) -> None:
        """Advance by dt seconds."""
        move = self._move
        if move.moving:
            move.step(dt)
            self.offset = Offset.of([state.position for state in move.states])
            self.rate = Offset.of([state.velocity for state in move.states])
        if not move.moving and not self.waits:
            self.way = (self.goal,)

    def _way_to(self, goal: Offset) -> tuple[Offset, ...]:
        now = self.offset
        # It may have to wait on the way to its last goal.
        return (now, Offset.of(self._move.goal), now.towards(goal, 0.5), goal)

    def _along(self, way: Sequence[Offset], clock: Clock) -> Envelope:
        return self._envelopes.at(way, clock.cycle.duty_factor, clock.goal)
