# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From a pad to what is wanted: the robot moves only while the hold control is pressed."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import copysign

from leg_kinematics.chain.values import Condition, Level
from leg_kinematics.gait import Offset, Twist
from leg_kinematics.parameters import number
from leg_kinematics.teleop.layout import LEAN, Act, Deflection, Layout
from leg_kinematics.teleop.pad import Pad

#: A driver who has let go says so for this long, s; then he is silent, and others may drive.
STOP_TOLD_FOR = 0.5

#: A body leans from level to its bound in this time at full deflection, s.
LEANING_TIME = 2.0

#: More time than this between two steps leans the body no farther, s.
LONGEST_STEP = 0.1

#: Tripod, tetrapod and wave.
DUTY_FACTORS = (1 / 2, 2 / 3, 5 / 6)


@dataclass(frozen=True, slots=True)
class SteeringParameters:
    """How far a pad moves a robot."""

    slow_speed: float = number(0.04, 'm/s', 0.001, 2.0, 'Speed at full deflection')
    fast_speed: float = number(0.12, 'm/s', 0.001, 2.0, 'The same while `fast` is pressed')
    slow_yaw_rate: float = number(0.2, 'rad/s', 0.01, 6.0, 'Yaw rate at full deflection')
    fast_yaw_rate: float = number(0.6, 'rad/s', 0.01, 6.0, 'The same while `fast` is pressed')
    dead_zone: float = number(0.12, '', 0.01, 0.5, 'Deflection of a stick that counts as none')
    curve: float = number(
        2.0, '', 1.0, 4.0, 'Exponent from deflection to speed: 1 is straight, more is finer in slow'
    )
    lean_angle: float = number(0.15, 'rad', 0.0, 0.6, 'How far the body leans at most')
    lean_shift: float = number(0.02, 'm', 0.0, 0.2, 'How far the body shifts at most')
    pad_silence: float = number(
        0.3, 's', 0.05, 2.0, 'Without input from the pad for this long the robot stops'
    )


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the driver wants now.

    Attributes
    ----------
    twist
        None while nobody drives: then nothing is to be sent, so that others may drive.
    offset
        Of the body; None unless it changes.

    """

    twist: Twist | None = None
    offset: Offset | None = None


def shaped(deflection: float, dead_zone: float, curve: float) -> float:
    """Give the share of the range that a deflection means: 0 in the dead zone, ±1 at the ends."""
    beyond = max(0.0, (abs(deflection) - dead_zone) / (1.0 - dead_zone))
    return copysign(min(1.0, beyond) ** curve, deflection) if beyond else 0.0


class Steering:
    """What somebody at a pad wants, as long as it is certain that he wants it.

    The robot is driven only while the hold control is pressed. It must have been seen let go
    before: at the start, and after every silence, loss, order and release, so that no button that
    is stuck and no device that comes back moves anything. A stick counts once it has been seen in
    its dead zone. `release` is obeyed whether or not the hold control is pressed.

    Parameters
    ----------
    layout
        What the controls do.
    parameters
        How far they move the robot.

    Attributes
    ----------
    refused
        Inputs that were none.
    duty_factor
        What was chosen last.

    """

    def __init__(self, layout: Layout, parameters: SteeringParameters) -> None:
        """Wait for a pad."""
        self._layout = layout
        self._parameters = parameters
        self._hold = layout.buttons[Act.HOLD]
        self._pad: Pad | None = None
        self._heard_at = 0.0
        self._stamp: int | None = None
        self._misfit = ''
        self._acts: frozenset[Act] = frozenset()
        self._centred: set[str] = set()
        self._let_go = False
        self._driving = False
        self._why = 'nothing has been heard from a pad yet'
        self._driven_at = -float('inf')
        self._stepped_at = 0.0
        self._offset = dict.fromkeys(LEAN, 0.0)
        self._level = False
        self.refused = 0
        self.duty_factor = DUTY_FACTORS[0]

    # ---- what comes in

    def take(self, pad: Pad, now: float, stamp: int | None = None) -> tuple[Act, ...]:
        """Take what the pad says.

        Parameters
        ----------
        pad
            Its controls.
        now
            Instant of receipt, s.
        stamp
            Of the message, ns; None where there is none. One that stands still is no input.

        Returns
        -------
        tuple of Act
            What is to be ordered now: stand, crouch, release, or another duty factor.

        """
        if stamp is not None and stamp == self._stamp:
            self.refuse('the stamp of the pad stands still: its reader repeats what it read before')
            return ()
        self._stamp = stamp
        if self._silent(now):
            self._lose_by_silence()
        first = self._pad is None
        acts = frozenset(
            act for act, control in self._layout.buttons.items() if pad.is_pressed(control)
        )
        pressed = acts - self._acts if not first else acts & {Act.RELEASE}
        self._acts, self._pad, self._heard_at, self._misfit = acts, pad, now, ''
        if first:
            self._why = 'the pad has just come'
        dead_zone = self._parameters.dead_zone
        self._centred |= {name for name, value in pad.axes.items() if abs(value) <= dead_zone}
        if Act.RELEASE in pressed:
            return self._order(Act.RELEASE)
        if Act.HOLD not in acts:
            self._let_go, self._driving = True, False
        elif self._let_go:
            self._driving = True
        return self._orders(pressed) if self._driving else ()

    def _orders(self, pressed: frozenset[Act]) -> tuple[Act, ...]:
        """Obey buttons that were pressed while the hold control is."""
        ordered = pressed & {Act.STAND, Act.CROUCH}
        if len(ordered) == 1:
            return self._order(*ordered)
        if Act.LEVEL in pressed:
            self._offset = dict.fromkeys(LEAN, 0.0)
            self._level = True
        step = (Act.STEADIER in pressed) - (Act.QUICKER in pressed)
        if not step:
            return ()
        index = DUTY_FACTORS.index(self.duty_factor) + step
        if not 0 <= index < len(DUTY_FACTORS):
            return ()
        self.duty_factor = DUTY_FACTORS[index]
        return (Act.STEADIER if step > 0 else Act.QUICKER,)

    def _order(self, act: Act) -> tuple[Act]:
        """Give an order after which the body is level, and stop."""
        self._offset = dict.fromkeys(LEAN, 0.0)
        self.stop(f'{act} was ordered')
        return (act,)

    def refuse(self, reason: str) -> None:
        """Note that something came that is no input, and why."""
        self.refused += 1
        self._misfit = reason

    def lose(self, reason: str) -> None:
        """Stop, since the pad is gone; when it comes back nothing moves."""
        self.stop(reason)
        self._pad = None
        self._acts = frozenset()
        self._centred.clear()

    # ---- time

    def step(self, now: float) -> Wanted:
        """Say what is wanted at an instant, s."""
        span = min(LONGEST_STEP, max(0.0, now - self._stepped_at))
        self._stepped_at = now
        if self._silent(now):
            self._lose_by_silence()
        if not self._driving:
            stopping = now - self._driven_at <= STOP_TOLD_FOR
            return Wanted(Twist() if stopping else None)
        self._driven_at = now
        offset = None
        if Act.LEAN in self._acts:
            offset = self._lean(span)
        if self._level:
            self._level, offset = False, Offset()
        return Wanted(Twist() if Act.LEAN in self._acts else self._twist(), offset)

    def _silent(self, now: float) -> bool:
        return self._pad is not None and now - self._heard_at > self._parameters.pad_silence

    def _lose_by_silence(self) -> None:
        silence = self._parameters.pad_silence
        self.lose(self._misfit or f'nothing was heard from the pad for {silence:g} s')

    def stop(self, why: str) -> None:
        """Stop, until the hold control is let go and pressed anew."""
        self._driving = self._let_go = self._level = False
        self._why = why

    def _shares(self, ways: Mapping[str, Deflection]) -> dict[str, float]:
        """How far the driver wants to go each way, from -1 to 1."""
        axes = {} if self._pad is None else self._pad.axes
        p = self._parameters
        return {
            way: deflection.sign * shaped(axes[deflection.axis], p.dead_zone, p.curve)
            for way, deflection in ways.items()
            if deflection.axis in self._centred
        }

    def _twist(self) -> Twist:
        p, shares = self._parameters, self._shares(self._layout.walk)
        fast = Act.FAST in self._acts
        speed = p.fast_speed if fast else p.slow_speed
        yaw_rate = p.fast_yaw_rate if fast else p.slow_yaw_rate
        return Twist(
            speed * shares.get('forward', 0.0),
            speed * shares.get('left', 0.0),
            yaw_rate * shares.get('turn', 0.0),
        )

    def _lean(self, span: float) -> Offset | None:
        """Go on with the lean of the body; None where it does not change."""
        before = dict(self._offset)
        for way, share in self._shares(self._layout.lean).items():
            shift = way in {'forward', 'left', 'up'}
            most = self._parameters.lean_shift if shift else self._parameters.lean_angle
            there = self._offset[way] + most * share * span / LEANING_TIME
            self._offset[way] = min(most, max(-most, there))
        return None if self._offset == before else Offset.of(tuple(self._offset.values()))

    # ---- what is known

    @property
    def driving(self) -> bool:
        """Whether the robot is driven now."""
        return self._driving

    def condition(self) -> Condition:
        """Say how it stands, as of the latest step or input."""
        if self._pad is None:
            return Condition(Level.WARN, 'no pad', self._misfit or self._why)
        if self._driving:
            state = 'leaning' if Act.LEAN in self._acts else 'driving'
            return self._with_sticks(Condition(Level.OK, state))
        if not self._let_go:
            return Condition(
                Level.WARN,
                'stopped',
                f'{self._why}; let go of {self._hold}, then press it again to drive',
            )
        return self._with_sticks(
            Condition(Level.OK, 'ready', f'the robot moves while {self._hold} is pressed')
        )

    def _with_sticks(self, condition: Condition) -> Condition:
        """Name the sticks that count for nothing yet."""
        used = {each.axis for each in (*self._layout.walk.values(), *self._layout.lean.values())}
        if not (stuck := sorted(used - self._centred)):
            return condition
        return Condition(
            Level.WARN,
            condition.state,
            f'{", ".join(stuck)} never came to the middle, and counts for nothing until it does',
        )
