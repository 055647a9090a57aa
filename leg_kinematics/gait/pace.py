# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How fast to walk: the duty factor, and the twist of the next tick."""

from collections.abc import Sequence
from math import isfinite

from leg_kinematics.errors import CommandError
from leg_kinematics.gait.body import Offset
from leg_kinematics.gait.envelope import SMALLEST_STRIDE, Envelope, Envelopes
from leg_kinematics.gait.limits import (
    Limited,
    Stance,
    allowed,
    as_far_as_allowed,
    demand,
    limit_servo_speed,
    limit_speed,
    limit_stride,
    ramp,
)
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import Clock, Phases, check_duty_factor
from leg_kinematics.gait.planar import Twist

#: The duty factor is chosen for so much more speed than is asked for.
HEADROOM = 1.1


class Pace:
    """Chooses duty factors and twists.

    Parameters
    ----------
    names
        Of the legs.
    parameters
        How to walk.
    phases
        Of touchdown.
    envelopes
        What the robot may do.

    """

    def __init__(
        self,
        names: Sequence[str],
        parameters: GaitParameters,
        phases: Phases,
        envelopes: Envelopes,
    ) -> None:
        """Let the duty factor depend on the speed as the parameters have it."""
        self._names = names
        self._neutral = envelopes.neutral
        self._parameters = parameters
        self._family = phases.depends_on_duty_factor
        self._envelopes = envelopes
        self._smallest, self._largest = parameters.duty_factor, parameters.largest_duty_factor
        self._due: Envelope | None = None
        self._question: tuple[Limited, Envelope, float] | None = None
        self._answer = Limited(Twist())

    def keep_duty_factor(self, duty_factor: float, clock: Clock, way: Sequence[Offset]) -> None:
        """Choose the same duty factor at every speed from now on.

        Parameters
        ----------
        duty_factor
            Share of the cycle in which a leg stands.
        clock
            Of the walk.
        way
            Poses that the body may take.

        Raises
        ------
        CommandError
            It is outside [1/2, 1), the phases are declared for another one, or the walk would not
            keep its least margin; nothing has changed then.

        """
        if not isfinite(duty_factor):
            raise CommandError(f'duty_factor must be finite, got {duty_factor!r}')
        check_duty_factor(duty_factor)
        if duty_factor == self._smallest == self._largest:
            return
        if not self._family:
            raise CommandError(
                f'the phases are declared for the duty factor {clock.goal:g}; '
                f'{duty_factor:g} is only for the family of the wave gait'
            )
        envelope = self._envelopes.at(way, clock.cycle.duty_factor, duty_factor)
        self._envelopes.check_margin(f'duty_factor cannot be {duty_factor:g}', envelope)
        self._smallest = self._largest = duty_factor

    def duty_factor(self, wanted: Twist, clock: Clock, way: Sequence[Offset]) -> float:
        """Choose the steadiest duty factor that leaves time for what is asked.

        At the longest stride the speed is proportional to (1 - beta)/beta, since the swing takes
        its time; what the servos allow falls more slowly. The last steps keep what they have.

        What the velocity must keep is worked out at once. What the choice needs can wait: where the
        way is new to a walk, it comes a tick later, and the choice another, so that no tick has to
        work out both.

        Parameters
        ----------
        wanted
            Twist that is asked for.
        clock
            Of the walk.
        way
            Poses that the body may take.

        """
        smallest, largest = self._smallest, self._largest
        if largest <= smallest:
            return largest
        if not wanted:
            return clock.cycle.duty_factor
        envelope = self._envelopes.at(way, smallest, smallest)
        if clock.running and not envelope.fastest_is_known:
            if envelope is self._due:
                envelope.work_out_fastest()
            self._due = envelope
            return clock.goal
        stance_time = self._stance_time(smallest)
        share = demand(wanted, self._neutral, envelope.radii, envelope.fastest, stance_time)
        steadiest = 1.0 / (1.0 + HEADROOM * share * (1.0 - smallest) / smallest)
        return max(smallest, min(largest, steadiest))

    def within_bounds(self, command: Twist, envelope: Envelope) -> Limited:
        """Limit a command to the bounds of the speed; no foot that cannot step need follow it."""
        leg = envelope.narrowest
        if envelope.radii[leg] < SMALLEST_STRIDE:
            radius, label = envelope.radii[leg], envelope.labels[leg]
            return Limited(Twist(), f'stride radius {radius * 1e3:.3g} mm of {label}')
        return limit_speed(command, self._parameters.max_speed, self._parameters.max_yaw_rate)

    def steady(self, wanted: Limited, envelope: Envelope, duty_factor: float) -> Limited:
        """Limit further to what a steady walk with a duty factor may ask of the legs.

        A command is most often held for many ticks: the last answer is kept.
        """
        question = (wanted, envelope, duty_factor)
        if question != self._question:
            self._question, self._answer = question, self._steady(*question)
        return self._answer

    def _steady(self, wanted: Limited, envelope: Envelope, duty_factor: float) -> Limited:
        if not wanted.twist:
            return wanted
        slow = limit_servo_speed(wanted.twist, self._neutral, envelope.fastest, self._names)
        stance_time = self._stance_time(duty_factor)
        near = limit_stride(slow.twist, self._neutral, envelope.radii, envelope.labels, stance_time)
        return Limited(near.twist, near.reason or slow.reason or wanted.reason)

    def next_twist(
        self, current: Twist, target: Limited, stances: Sequence[Stance], dt: float
    ) -> Limited:
        """Go on towards a twist for dt seconds, as far as acceleration and stances allow."""
        fraction = self._ramp(current, target.twist, dt)
        reached = current.towards(target.twist, fraction)
        if allowed(reached, stances):
            return Limited(reached, target.reason)
        if not allowed(current, stances):
            brake = self._ramp(current, Twist(), dt)
            return Limited(current.towards(Twist(), brake), 'reach of a standing foot: braking')
        reached = as_far_as_allowed(current, target.twist, fraction, stances)
        return Limited(reached, target.reason or 'reach of a standing foot')

    def _ramp(self, current: Twist, target: Twist, dt: float) -> float:
        parameters = self._parameters
        return ramp(current, target, parameters.acceleration, parameters.yaw_acceleration, dt)

    def _stance_time(self, duty_factor: float) -> float:
        return duty_factor * self._parameters.swing_time / (1.0 - duty_factor)
