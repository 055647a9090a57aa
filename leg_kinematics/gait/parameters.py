# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How to walk."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from leg_kinematics.errors import CommandError
from leg_kinematics.gait.phases import TRIPOD, check_duty_factor


@dataclass(frozen=True)
class GaitParameters:
    """How to walk.

    Attributes
    ----------
    swing_time
        From liftoff to touchdown, s, whatever the duty factor: the servos' speed dictates it.
    duty_factor
        Share of the cycle in which a leg stands: 1/2 tripod, 2/3 tetrapod, 5/6 wave. The smallest
        one, with which the robot is fastest.
    slow_duty_factor
        The largest one: a command that leaves time for it is walked with a duty factor up to this.
        Where it is not above `duty_factor`, the duty factor does not depend on the speed.
    phases
        Touchdown phase of each leg by name, for an arrangement other than pairs; a leg that is
        not named is carried. Empty: the family of the wave gait.
    carry_height
        Of the foot of a leg that is carried above the ground, m.
    lift
        Height of a swing, m.
    max_speed, max_yaw_rate
        Bounds of the body velocity, m/s and rad/s.
    acceleration, yaw_acceleration
        Bounds of its change, m/s^2 and rad/s^2.
    speed_share
        Share of its no-load speed that a servo is asked for at most. Seen up to accelerations of
        0.6 m/s^2; harder ones may ask for some percent more while a foot lands.
    min_margin
        Least distance of the centre of mass from the edge of the support polygon, m. Every stride
        is short enough to keep it, whatever is commanded. A robot whose feet, at their neutral
        points, do not leave more than this does not walk until its body is posed so that they do.
        One with four legs balances on an edge: it walks only where this is below zero.
    stand_time
        Of standing up and of crouching, s; longer where the servos need longer.
    body_speed, body_rate
        Peak speed of the body over its feet, m/s and rad/s, on the way to another body offset;
        slower where the servos need it.
    contacts
        Whether every foot feels the ground: `Walker.touch` tells.
    search_depth
        How much lower or higher than expected the ground may be, m, with contacts.

    """

    swing_time: float = 0.5
    duty_factor: float = TRIPOD
    slow_duty_factor: float = TRIPOD
    phases: Mapping[str, float] = field(default_factory=dict)
    carry_height: float = 0.05
    lift: float = 0.030
    max_speed: float = 0.12
    max_yaw_rate: float = 0.6
    acceleration: float = 0.15
    yaw_acceleration: float = 0.8
    speed_share: float = 0.9
    min_margin: float = 0.01
    stand_time: float = 2.0
    body_speed: float = 0.05
    body_rate: float = 0.4
    contacts: bool = False
    search_depth: float = 0.02

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
