# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How to walk."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from leg_kinematics.errors import CommandError
from leg_kinematics.gait.phases import LOWEST_DUTY_FACTOR, TRIPOD, check_duty_factor
from leg_kinematics.parameters import flag, number, texts


def _phases(pairs: Sequence[str]) -> Mapping[str, float]:
    """Read touchdown phases written as LEG=PHASE."""
    phases = {}
    for pair in pairs:
        leg, _, phase = pair.partition('=')
        try:
            phases[leg] = float(phase)
        except ValueError:
            raise CommandError(
                f"'phases' must list LEG=PHASE, such as left_front=0.25 (got {pair!r})"
            ) from None
    return phases


@dataclass(frozen=True)
class GaitParameters:
    """How to walk.

    The swing time is the same for every duty factor, since the servos' speed dictates it. The
    duty factor is the smallest one, with which the robot is fastest; a velocity that leaves time
    for it is walked with one up to `slow_duty_factor`. Without declared phases the legs walk the
    family of the wave gait.

    `speed_share` holds for accelerations up to 0.6 m/s^2; harder ones may ask for some percent
    more while a foot lands. Every stride is short enough to keep `min_margin`, whatever is
    commanded. A robot whose feet, at their neutral points, do not leave more than this does not
    walk until its body is posed so that they do; one with four legs balances on an edge: it walks
    only where the margin is below zero. Standing up, crouching and body offsets take longer where
    the servos need it. With `contacts`, `Walker.touch` tells what the feet feel.
    """

    swing_time: float = number(0.5, 's', 0.1, 10.0, 'Time of a swing, whatever the duty factor')
    duty_factor: float = number(
        TRIPOD,
        '',
        LOWEST_DUTY_FACTOR,
        0.95,
        'Share of the cycle in which a leg stands: 1/2 tripod, 2/3 tetrapod, 5/6 wave',
    )
    slow_duty_factor: float = number(
        TRIPOD,
        '',
        LOWEST_DUTY_FACTOR,
        0.95,
        'Duty factor of slow walks; unless above duty_factor, that one holds at every speed',
    )
    phases: Mapping[str, float] = texts(
        _phases, 'Touchdown phases as LEG=PHASE, of legs not in pairs; legs left out are carried'
    )
    carry_height: float = number(0.05, 'm', 0.0, 0.5, 'Height of a carried foot above the ground')
    lift: float = number(0.030, 'm', 0.001, 0.5, 'Height to which a swing lifts a foot')
    max_speed: float = number(0.12, 'm/s', 0.001, 5.0, 'Highest body speed')
    max_yaw_rate: float = number(0.6, 'rad/s', 0.001, 10.0, 'Highest yaw rate')
    acceleration: float = number(0.15, 'm/s^2', 0.001, 10.0, 'Highest body acceleration')
    yaw_acceleration: float = number(0.8, 'rad/s^2', 0.001, 50.0, 'Highest yaw acceleration')
    speed_share: float = number(
        0.9, '', 0.05, 1.0, 'Share of the no-load servo speed that a walk may use'
    )
    min_margin: float = number(
        0.01, 'm', -1.0, 1.0, 'Least distance of the centre of mass from tipping'
    )
    contacts: bool = flag(default=False, meaning='Every foot reports when it touches the ground')
    search_depth: float = number(
        0.02, 'm', 0.001, 0.2, 'How much lower or higher the ground may be, with contacts'
    )
    stand_time: float = number(2.0, 's', 0.2, 60.0, 'Time to stand up or to crouch')
    body_speed: float = number(0.05, 'm/s', 0.001, 1.0, 'Peak speed on the way to a body offset')
    body_rate: float = number(0.4, 'rad/s', 0.001, 10.0, 'Peak rate on the way to a body offset')

    @property
    def largest_duty_factor(self) -> float:
        """With which the robot walks where the command leaves time for it."""
        return max(self.duty_factor, self.slow_duty_factor)

    def check(self) -> None:
        """Raise CommandError where the parameters contradict each other."""
        check_duty_factor(self.duty_factor)
        check_duty_factor(self.largest_duty_factor)
        if self.phases and self.largest_duty_factor > self.duty_factor:
            raise CommandError(
                f'declared phases hold for one duty factor: slow_duty_factor '
                f'{self.slow_duty_factor:g} must not be above duty_factor {self.duty_factor:g}'
            )
        if self.contacts and self.search_depth >= self.lift:
            raise CommandError(
                f'a foot must be lifted higher than the ground may be: search_depth '
                f'{self.search_depth:g} m must be below lift {self.lift:g} m'
            )
