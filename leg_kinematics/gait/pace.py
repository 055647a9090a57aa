# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How fast to walk: the duty factor, and the twist of the next tick.

Limits scale the whole twist and keep its direction. Feet that stand, or are about to land, let the
body go only where they stay in reach. Slower is always allowed, so that this can never trap the
robot.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import asin, dist, hypot, inf, isfinite
from typing import NamedTuple

from leg_kinematics.errors import CommandError
from leg_kinematics.gait.body import Offset, Point, Twist
from leg_kinematics.gait.envelope import SMALLEST_STRIDE, Envelope, Envelopes
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import Clock, Phases, check_duty_factor
from leg_kinematics.gait.workspace import fastest_towards

#: The duty factor is chosen for so much more speed than is asked for.
HEADROOM = 1.1

#: Halvings by which the allowed part of a change is found: to 1/4096 of what a tick may change.
HALVINGS = 12


@dataclass(frozen=True, slots=True)
class Limited:
    """A twist and what held it back.

    Attributes
    ----------
    twist
        What may be done.
    reason
        Empty when nothing bound; else the limit with its value.

    """

    twist: Twist
    reason: str = ''


def limit_speed(twist: Twist, max_speed: float, max_yaw_rate: float) -> Limited:
    """Keep the speed of the origin (m/s) and the yaw rate (rad/s) within their bounds."""
    linear = max_speed / twist.speed if twist.speed > max_speed else 1.0
    angular = max_yaw_rate / abs(twist.yaw) if abs(twist.yaw) > max_yaw_rate else 1.0
    if linear >= 1.0 and angular >= 1.0:
        return Limited(twist)
    reason = (
        f'max_speed {max_speed:g} m/s (asked {twist.speed:.3g})'
        if linear <= angular
        else f'max_yaw_rate {max_yaw_rate:g} rad/s (asked {abs(twist.yaw):.3g})'
    )
    return Limited(twist.scaled(min(linear, angular)), reason)


def limit_stride(
    twist: Twist,
    neutral: Sequence[Point],
    radii: Sequence[float],
    names: Sequence[str],
    stance_time: float,
) -> Limited:
    """Keep every foot within its disc in a steady walk.

    A foot that passes its neutral point at mid stance goes half a stance each way on an arc, whose
    chord must not exceed the radius.

    Parameters
    ----------
    twist
        What is asked.
    neutral
        Neutral points in the body's frame, m.
    radii
        Of the discs, m.
    names
        Of the legs, for the reason.
    stance_time
        s.

    """
    factor, reason = 1.0, ''
    half = 0.5 * stance_time
    for point, radius, name in zip(neutral, radii, names, strict=True):
        allowed = _longest_chord(twist, hypot(*twist.at(point)), radius, half)
        if allowed < factor:
            factor = allowed
            reason = f'stride radius {radius * 1e3:.3g} mm of {name}'
    return Limited(twist.scaled(factor), reason)


def limit_servo_speed(
    twist: Twist,
    neutral: Sequence[Point],
    fastest: Sequence[Sequence[float]],
    names: Sequence[str],
) -> Limited:
    """Keep the ground under every foot as slow as its servos need it for their swings.

    Parameters
    ----------
    twist
        What is asked.
    neutral
        Neutral points in the body's frame, m.
    fastest
        Of each leg, the speeds of `fastest_stances`, m/s.
    names
        Of the legs, for the reason.

    """
    factor, reason = 1.0, ''
    for point, stances, name in zip(neutral, fastest, names, strict=True):
        velocity = twist.at(point)
        speed = hypot(*velocity)
        allowed = fastest_towards(stances, velocity)
        if allowed < factor * speed:
            factor = allowed / speed
            reason = f'servo speed: {allowed:.3g} m/s at the foot of {name} (asked {speed:.3g})'
    return Limited(twist.scaled(factor), reason)


def demand(
    twist: Twist,
    neutral: Sequence[Point],
    radii: Sequence[float],
    fastest: Sequence[Sequence[float]],
    stance_time: float,
) -> float:
    """Estimate the share of what reach and servos allow that a twist asks for; 1 is all of it."""
    share = 0.0
    for point, radius, stances in zip(neutral, radii, fastest, strict=True):
        velocity = twist.at(point)
        speed = hypot(*velocity)
        if speed > 0.0:
            allowed = min(2.0 * radius / stance_time, fastest_towards(stances, velocity))
            share = max(share, speed / allowed if allowed > 0.0 else inf)
    return share


def _longest_chord(twist: Twist, speed: float, radius: float, time: float) -> float:
    """Largest factor of the twist whose chord after a time stays within the radius."""
    if speed * time <= radius:
        return inf
    if abs(twist.yaw) * time < 1e-6:
        return radius / (speed * time)
    half_turn = 0.5 * abs(twist.yaw)
    sine = radius * half_turn / speed
    return inf if sine >= 1.0 else asin(sine) / (half_turn * time)


def ramp(current: Twist, target: Twist, parameters: GaitParameters, dt: float) -> float:
    """Share of the way to the target that the acceleration limits allow in one tick of dt s."""
    linear = hypot(target.x - current.x, target.y - current.y)
    angular = abs(target.yaw - current.yaw)
    return min(
        1.0,
        parameters.acceleration * dt / linear if linear > 0.0 else 1.0,
        parameters.yaw_acceleration * dt / angular if angular > 0.0 else 1.0,
    )


class Stance(NamedTuple):
    """A foot whose footprint is settled, seen from the body.

    Attributes
    ----------
    neutral, place
        Its neutral point and its footprint, m.
    time
        Until it is lifted, s.
    room
        How far from its neutral point it may be then, m.

    """

    neutral: Point
    place: Point
    time: float
    room: float

    def allows(self, twist: Twist) -> bool:
        """Tell whether the foot is in reach when it is lifted, if the body goes on like this."""
        return dist(twist.over(self.time).locate(self.place), self.neutral) <= self.room


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
                _ = envelope.fastest
            self._due = envelope
            return clock.goal
        stance_time = self._stance_time(smallest)
        share = demand(wanted, self._neutral, envelope.radii, envelope.fastest, stance_time)
        steadiest = 1.0 / (1.0 + HEADROOM * share * (1.0 - smallest) / smallest)
        return max(smallest, min(largest, steadiest))

    def within_bounds(self, command: Twist, envelope: Envelope) -> Limited:
        """Limit a command to the bounds of the speed, and to zero where some foot cannot step."""
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

        def allowed(share: float) -> bool:
            reached = current.towards(target.twist, share)
            return all(stance.allows(reached) for stance in stances)

        low, high = 0.0, ramp(current, target.twist, self._parameters, dt)
        if allowed(high):
            return Limited(current.towards(target.twist, high), target.reason)
        if not allowed(low):
            brake = ramp(current, Twist(), self._parameters, dt)
            return Limited(current.towards(Twist(), brake), 'reach of a standing foot: braking')
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if allowed(middle) else (low, middle)
        reason = target.reason or 'reach of a standing foot'
        return Limited(current.towards(target.twist, low), reason)

    def _stance_time(self, duty_factor: float) -> float:
        return duty_factor * self._parameters.swing_time / (1.0 - duty_factor)
