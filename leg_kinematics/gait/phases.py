# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""When each leg stands and when it swings: one family, given by the duty factor.

Wave gait of n leg pairs: leg m = 0 ... n-1 from the front touches down at the phase F(m beta),
F the fractional part; the other side half a cycle later. McGhee and Frank, Mathematical
Biosciences 3 (1968) 331-351; Song and Waldron, Machines That Walk, MIT Press 1989. With
beta = 1/2, 2/3, 5/6 six legs walk the tripod, the tetrapod and the wave.

Any other arrangement of legs has its phases declared.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite

from leg_kinematics.errors import CannotWalkError, CommandError
from leg_kinematics.robot import FEWEST_STANDING, Robot

TRIPOD, TETRAPOD, WAVE = 1.0 / 2.0, 2.0 / 3.0, 5.0 / 6.0

#: A boundary of stance and swing counts as reached this much of a cycle early, so that two legs
#: whose boundaries coincide by design never act on different sides of a rounding.
BOUNDARY_TOLERANCE = 1e-9

LOWEST_DUTY_FACTOR = 0.5

#: How much faster or slower the cycle of a leg may run while the duty factor changes. Below 1 no
#: leg ever goes back in its cycle, so that at every instant those stand that stand in the walk of
#: the present duty factor: support is never less than that of the family.
CHANGE = 0.2

#: The clock starts just before the first liftoff.
START_PHASE = -1e-6


@dataclass(frozen=True, slots=True)
class Phases:
    """The touchdown phase of each leg, as it depends on the duty factor beta.

    Attributes
    ----------
    slopes, offsets
        The phase is slope * beta + offset, modulo 1. A leg without a slope does not walk: it is
        carried.

    """

    slopes: tuple[float | None, ...]
    offsets: tuple[float, ...]

    @property
    def walking(self) -> tuple[bool, ...]:
        """Tell of each leg whether it walks."""
        return tuple(slope is not None for slope in self.slopes)

    @property
    def span(self) -> tuple[float, float]:
        """Least slope of a touchdown and greatest of a liftoff, whose phase is beta later."""
        slopes = [slope for slope in self.slopes if slope is not None]
        return min(slopes), max(slopes) + 1.0

    @property
    def depends_on_duty_factor(self) -> bool:
        """Tell whether the phases are those of the family."""
        return any(self.slopes)

    def at(self, duty_factor: float) -> tuple[float, ...]:
        """Phase of touchdown of each leg, in [0, 1); of no meaning for a leg that is carried."""
        return tuple(
            ((slope or 0.0) * duty_factor + offset) % 1.0
            for slope, offset in zip(self.slopes, self.offsets, strict=True)
        )


def walking_phases(robot: Robot, table: Mapping[str, float], least_margin: float) -> Phases:
    """Return the phases that are declared or, where none are, the family of the wave gait.

    Two feet keep no margin: two legs walk only where less than none is asked for, and something
    else holds the body.

    Parameters
    ----------
    robot
        The description.
    table
        Declared phases by leg; empty where none are.
    least_margin
        That the walk has to keep, m.

    Raises
    ------
    CannotWalkError
        The robot has too few legs, or legs that are no pairs and no declared phases.
    CommandError
        The declared phases do not fit the robot.

    """
    if not robot.stands and (table or least_margin >= 0.0):
        legs = 'leg' if len(robot.legs) == 1 else 'legs'
        raise CannotWalkError(
            f'a walk needs at least {FEWEST_STANDING} legs to stand on: {robot.name} has '
            f'{len(robot.legs)} {legs}'
        )
    return declared_phases(robot, table) if table else wave_phases(robot)


def wave_phases(robot: Robot) -> Phases:
    """Return the family of the wave gait.

    Raises
    ------
    CannotWalkError
        The sides have different numbers of legs.

    """
    sides = (
        [leg for leg in robot.legs if leg.mount.position[1] > 0.0],
        [leg for leg in robot.legs if leg.mount.position[1] <= 0.0],
    )
    if len(sides[0]) != len(sides[1]):
        example = ', '.join(f"'{leg.name}={place / 10:g}'" for place, leg in enumerate(robot.legs))
        raise CannotWalkError(
            f'a walk needs as many legs on the left as on the right, or phases: {robot.name} has '
            f'{len(sides[0])} and {len(sides[1])}; declare the touchdown phases in [0, 1) yourself '
            f'with the parameter phases, such as [{example}], and leave out legs to be carried'
        )
    places: dict[str, tuple[float, float]] = {}
    for side, legs in enumerate(sides):
        legs.sort(key=lambda leg: -leg.mount.position[0])
        for place, leg in enumerate(legs):
            places[leg.name] = (float(place), side / 2.0)
    slopes, offsets = zip(*(places[name] for name in robot.leg_names), strict=True)
    return Phases(slopes, offsets)


def declared_phases(robot: Robot, table: Mapping[str, float]) -> Phases:
    """Take touchdown phases as declared; legs that are not named are carried.

    Raises
    ------
    CommandError
        A name that the robot does not have, a phase outside [0, 1), or fewer than three legs.

    """
    for name, phase in table.items():
        if name not in robot.leg_names:
            known = ', '.join(robot.leg_names)
            raise CommandError(f"phases: {robot.name} has no leg '{name}'; it has {known}")
        if not (isfinite(phase) and 0.0 <= phase < 1.0):
            raise CommandError(f'phases: {name} must be at least 0 and below 1 (got {phase!r})')
    if len(table) < FEWEST_STANDING:
        raise CommandError(
            f'phases: a walk needs at least {FEWEST_STANDING} legs (got {len(table)}); name every '
            'leg that shall walk'
        )
    return Phases(
        tuple(0.0 if name in table else None for name in robot.leg_names),
        tuple(table.get(name, 0.0) for name in robot.leg_names),
    )


def check_duty_factor(duty_factor: float) -> None:
    """Raise CommandError where the duty factor is outside [1/2, 1)."""
    if not LOWEST_DUTY_FACTOR <= duty_factor < 1.0:
        raise CommandError(f'duty_factor must be at least 0.5 and below 1 (got {duty_factor!r})')


def touchdown_phases(robot: Robot, duty_factor: float) -> tuple[float, ...]:
    """Phase at which each leg touches down, in the order of the description, in [0, 1).

    Raises
    ------
    CommandError
        The duty factor is outside [1/2, 1), or the sides have different numbers of legs.

    """
    check_duty_factor(duty_factor)
    return wave_phases(robot).at(duty_factor)


@dataclass(frozen=True, slots=True)
class Cycle:
    """Timing of a walk with one duty factor.

    The swing takes its time whatever the duty factor, and the stance what follows from it. So do
    insects: Mendes et al., eLife 2:e00231 (2013).

    Attributes
    ----------
    swing_time
        How long a leg swings in a cycle, s.
    duty_factor
        Share of the cycle in which a leg stands.
    touchdown
        Phase of touchdown of each leg.

    """

    swing_time: float
    duty_factor: float
    touchdown: tuple[float, ...]

    @property
    def period(self) -> float:
        """Of one cycle, s."""
        return self.swing_time / (1.0 - self.duty_factor)

    @property
    def stance_time(self) -> float:
        """How long a leg stands in a cycle, s."""
        return self.duty_factor * self.period

    def since_touchdown(self, leg: int, phase: float) -> float:
        """Share of the cycle that has passed since the leg's touchdown, in [0, 1)."""
        return (phase - self.touchdown[leg]) % 1.0

    def until_touchdown(self, leg: int, phase: float) -> float:
        """Time until the leg touches down next, s."""
        return (1.0 - self.since_touchdown(leg, phase)) * self.period

    def until_liftoff(self, leg: int, phase: float) -> float:
        """Time until the leg lifts next, s."""
        share = (self.duty_factor - BOUNDARY_TOLERANCE - self.since_touchdown(leg, phase)) % 1.0
        return share * self.period

    def swinging(self, leg: int, phase: float) -> bool:
        """Tell whether the leg's turn to swing has come."""
        share = self.since_touchdown(leg, phase) + BOUNDARY_TOLERANCE
        return self.duty_factor <= share < 1.0


class Clock:
    """Phase and duty factor.

    Parameters
    ----------
    phases
        Of touchdown.
    swing_time
        s.
    duty_factor
        At the start.

    Attributes
    ----------
    goal
        The duty factor that is due.
    cycle
        Timing with the present one.

    """

    def __init__(self, phases: Phases, swing_time: float, duty_factor: float) -> None:
        """Do not run yet."""
        self._phases = phases
        self._swing_time = swing_time
        self._phase: float | None = None
        self.goal = duty_factor
        self.cycle = Cycle(swing_time, duty_factor, phases.at(duty_factor))
        self._before: tuple[float | None, Cycle] = (None, self.cycle)
        # The clock runs evenly for events of the middle slope, so that when beta changes the first
        # and the last event shift alike, and no other by more.
        first, last = phases.span
        self._middle, self._shift = 0.5 * (first + last), 0.5 * (last - first)

    @property
    def running(self) -> bool:
        """Tell whether legs take their turns."""
        return self._phase is not None

    @property
    def phase(self) -> float:
        """Share of the cycle that has passed; where it will start, when it does not run."""
        return START_PHASE if self._phase is None else self._phase

    def start(self) -> None:
        """Run."""
        self._phase = self.phase

    def aim(self, duty_factor: float) -> None:
        """Go over to another duty factor: step by step while running, otherwise at once."""
        self.goal = duty_factor
        if not self.running:
            self._set(duty_factor)

    def stop(self) -> None:
        """Stand still; the next start is at the beginning of a cycle, with the duty factor due."""
        self._phase = None
        self._set(self.goal)

    def take_back(self) -> None:
        """Return to where the clock was before it last advanced."""
        self._phase, self.cycle = self._before

    def advance(self, dt: float) -> None:
        """Run for dt seconds, and bring the duty factor nearer to its goal."""
        cycle = self.cycle
        self._before = self._phase, cycle
        phase = self.phase + dt / cycle.period
        if self.goal != cycle.duty_factor:
            most = CHANGE / (self._shift * cycle.period) * dt
            change = min(most, max(-most, self.goal - cycle.duty_factor))
            near = abs(self.goal - cycle.duty_factor) <= most
            self._set(self.goal if near else cycle.duty_factor + change)
            phase += self._middle * change
        self._phase = phase % 1.0

    def _set(self, duty_factor: float) -> None:
        if duty_factor != self.cycle.duty_factor:
            self.cycle = Cycle(self._swing_time, duty_factor, self._phases.at(duty_factor))
