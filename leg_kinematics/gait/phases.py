# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""When each leg stands and when it swings: one family, given by the duty factor.

Wave gait of n leg pairs: leg m = 0 ... n-1 from the front touches down at the phase F(m beta),
F the fractional part; the other side half a cycle later. McGhee and Frank, Mathematical
Biosciences 3 (1968) 331-351; Song and Waldron, Machines That Walk, MIT Press 1989. With
beta = 1/2, 2/3, 5/6 six legs walk the tripod, the tetrapod and the wave.
"""

from dataclasses import dataclass

from leg_kinematics.errors import CommandError
from leg_kinematics.robot import Robot

#: A boundary of stance and swing counts as reached this much of a cycle early, so that two legs
#: whose boundaries coincide by design never act on different sides of a rounding.
BOUNDARY_TOLERANCE = 1e-9

LOWEST_DUTY_FACTOR = 0.5


def touchdown_phases(robot: Robot, duty_factor: float) -> tuple[float, ...]:
    """Phase at which each leg touches down, in the order of the description, in [0, 1).

    Raises
    ------
    CommandError
        The duty factor is outside [1/2, 1), or the sides have different numbers of legs.

    """
    if not LOWEST_DUTY_FACTOR <= duty_factor < 1.0:
        message = f'duty_factor must be at least 0.5 and below 1 (got {duty_factor!r})'
        raise CommandError(message)
    phases: dict[str, float] = {}
    sides = (
        [leg for leg in robot.legs if leg.mount.position[1] > 0.0],
        [leg for leg in robot.legs if leg.mount.position[1] <= 0.0],
    )
    if len(sides[0]) != len(sides[1]):
        message = (
            f'the walking phases need as many legs on the left as on the right: '
            f'{robot.name} has {len(sides[0])} and {len(sides[1])}'
        )
        raise CommandError(message)
    for side, legs in enumerate(sides):
        legs.sort(key=lambda leg: -leg.mount.position[0])
        for place, leg in enumerate(legs):
            phases[leg.name] = (place * duty_factor + side / 2.0) % 1.0
    return tuple(phases[name] for name in robot.leg_names)


@dataclass(frozen=True, slots=True)
class Cycle:
    """Timing of a walk.

    Attributes
    ----------
    period
        Of one cycle, s.
    duty_factor
        Share of the cycle in which a leg stands.
    touchdown
        Phase of touchdown of each leg.

    """

    period: float
    duty_factor: float
    touchdown: tuple[float, ...]

    @property
    def stance_time(self) -> float:
        """How long a leg stands in a cycle, s."""
        return self.duty_factor * self.period

    @property
    def swing_time(self) -> float:
        """How long a leg swings in a cycle, s."""
        return (1.0 - self.duty_factor) * self.period

    def since_touchdown(self, leg: int, phase: float) -> float:
        """Share of the cycle that has passed since the leg's touchdown, in [0, 1)."""
        return (phase - self.touchdown[leg]) % 1.0

    def until_liftoff(self, leg: int, phase: float) -> float:
        """Time until the leg lifts next, s."""
        share = (self.duty_factor - BOUNDARY_TOLERANCE - self.since_touchdown(leg, phase)) % 1.0
        return share * self.period

    def swinging(self, leg: int, phase: float) -> bool:
        """Tell whether the leg's turn to swing has come."""
        share = self.since_touchdown(leg, phase) + BOUNDARY_TOLERANCE
        return self.duty_factor <= share < 1.0
