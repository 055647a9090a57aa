# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The clock of a walk, whose duty factor may change while it runs."""

from leg_kinematics.gait.phases import Cycle, Phases

#: How much faster or slower the cycle of a leg may run while the duty factor changes. Below 1 no
#: leg ever goes back in its cycle, so that at every instant those stand that stand in the walk of
#: the present duty factor: support is never less than that of the family.
CHANGE = 0.2

#: The clock starts just before the first liftoff.
START_PHASE = -1e-6


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

    def stop(self) -> None:
        """Stand still; the next start is at the beginning of a cycle, with the duty factor due."""
        self._phase = None
        self._set(self.goal)

    def take_back(self) -> None:
        """Be again where the clock was before it advanced last."""
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
