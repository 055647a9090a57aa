# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The body offset that is ordered, and the way to it.

The body sets out once all feet are where they can walk all along the way; until then the order
waits, and the walk is bounded by what is allowed in every pose of the way.
"""

from collections.abc import Sequence
from itertools import chain
from math import isfinite

from leg_kinematics.errors import CommandError
from leg_kinematics.gait.body_offset import LEVEL, BodyOffset, Offset
from leg_kinematics.gait.clock import Clock
from leg_kinematics.gait.envelope import SMALLEST_STRIDE, Envelope, Envelopes
from leg_kinematics.gait.parameters import GaitParameters


class Posing:
    """Takes orders for body offsets and carries them out.

    Parameters
    ----------
    names
        Of the legs.
    parameters
        How to walk.
    envelopes
        What the robot may do.

    Attributes
    ----------
    offset
        The body on its way.
    goal
        The pose that is ordered.
    way
        Poses that stand for all of the way there.

    """

    def __init__(
        self, names: Sequence[str], parameters: GaitParameters, envelopes: Envelopes
    ) -> None:
        """Begin level."""
        self._names = names
        self._envelopes = envelopes
        self.offset = BodyOffset(parameters.body_speed, parameters.body_rate)
        self.goal = LEVEL
        self.way: tuple[Offset, ...] = (LEVEL,)

    @property
    def level(self) -> bool:
        """Tell whether the body is level and nothing else is ordered."""
        return self.offset.level and self.goal == LEVEL

    @property
    def waits(self) -> bool:
        """Tell whether the body has yet to set out."""
        return self.goal != self.offset.goal

    def envelope(self, clock: Clock) -> Envelope:
        """Tell what a walk may ask of the legs all along the way."""
        return self._along(self.way, clock)

    def order(self, goal: Offset, clock: Clock) -> None:
        """Order another pose.

        Raises
        ------
        CommandError
            A foot could not walk in it, or not stay on the ground on the way, or the walk would
            not keep its least margin; nothing has changed then.

        """
        there = self._along((goal,), clock)
        self._envelopes.check_margin('the body cannot be posed so', there)
        if there.radii[there.narrowest] < SMALLEST_STRIDE:
            leg = self._names[there.narrowest]
            raise CommandError(f'the body cannot be posed so: {leg} could not take a step')
        way = self._way_to(goal)
        along = self._along(way, clock)
        posing_times = self._envelopes.posing_times(self.offset.now, goal, along)
        for leg, times in zip(self._names, posing_times, strict=True):
            if not all(map(isfinite, times)):
                raise CommandError(
                    f'the body cannot be posed so: {leg} would be out of reach on the way; go '
                    'there by another pose'
                )
        self.goal, self.way = goal, way

    def level_out(self) -> None:
        """Order the level pose, come what may."""
        self.goal, self.way = LEVEL, self._way_to(LEVEL)

    def set_out(self, envelope: Envelope) -> None:
        """Go to the pose that is ordered, with all feet within the radii of an envelope."""
        times = chain.from_iterable(
            self._envelopes.posing_times(self.offset.now, self.goal, envelope)
        )
        # No foot stands where it would be out of reach.
        self.offset.aim(self.goal, max(filter(isfinite, times), default=0.0))

    def step(self, dt: float) -> None:
        """Advance by dt seconds."""
        self.offset.step(dt)
        if not self.offset.moving and not self.waits:
            self.way = (self.goal,)

    def _way_to(self, goal: Offset) -> tuple[Offset, ...]:
        now = self.offset.now
        # It may have to wait on the way to its last goal.
        return (now, self.offset.goal, now.towards(goal, 0.5), goal)

    def _along(self, way: Sequence[Offset], clock: Clock) -> Envelope:
        return self._envelopes.at(way, clock.cycle.duty_factor, clock.goal)
