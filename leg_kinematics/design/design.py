# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A design: a robot, the maps of its servos, how it shall walk, and what follows from these."""

from dataclasses import dataclass, field, replace
from functools import cached_property

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.design.finding import Finding
from leg_kinematics.design.reach import reach_findings
from leg_kinematics.design.steady_walk import HEADINGS, SteadyWalk, steady_walk
from leg_kinematics.errors import CannotWalkError, CommandError, LegKinematicsError
from leg_kinematics.gait import TETRAPOD, TRIPOD, WAVE, GaitParameters, walking_phases
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, leg_solvers

#: With 3, 4 and 5 of six feet on the ground.
DUTY_FACTORS = (TRIPOD, TETRAPOD, WAVE)

#: Of three legs none can swing while three stand.
FEWEST_LEGS = 4
FOUR_LEGS = 'a walk that never falls needs three feet on the ground, so four legs or more'
BALANCING = (
    'while one of four feet is lifted, a centre of mass in the middle is on the edge of the '
    'other three: such a robot walks only with min_margin below zero, such as -0.03'
)

#: Duty factors that differ by less are looked at once.
SAME = 0.01


@dataclass(frozen=True)
class Design:
    """What is questioned; what costs time is worked out once, when it is asked for.

    Attributes
    ----------
    robot
        The description.
    maps
        Of its servos, if there are any yet.
    parameters
        Of the gait.

    """

    robot: Robot
    maps: ServoMaps | None
    parameters: GaitParameters
    _walks: dict[tuple[float, str], SteadyWalk | LegKinematicsError] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @cached_property
    def bare(self) -> tuple[LegSolver, ...]:
        """Solvers within the joint limits."""
        return leg_solvers(self.robot)

    @cached_property
    def legs(self) -> tuple[LegSolver, ...]:
        """Solvers within the servo maps as well, as the robot walks."""
        if self.maps is None:
            return self.bare
        # Of legs that are not wired only the limits are known.
        limits = {
            joint: (link.lower, link.upper)
            for leg in self.robot.legs
            for joint, link in zip(leg.joints, leg.links, strict=True)
        }
        mapped = {each.joint: each.angle_range for each in self.maps.maps}
        return leg_solvers(self.robot, limits | mapped)

    @cached_property
    def lacks(self) -> str:
        """What the robot lacks that a walk needs, by the words of the gait; empty if nothing."""
        try:
            parameters = self.parameters
            walking_phases(self.robot, parameters.phases, parameters.min_margin)
        except CannotWalkError as error:
            return str(error)
        except CommandError:
            # Phases that do not fit the robot are told by the lines of its walks.
            return ''
        return ''

    @cached_property
    def reach(self) -> tuple[list[Finding], tuple[tuple[Vector, ...], ...]]:
        """What `reach_findings` tells."""
        return reach_findings(self.robot, self.bare)

    @property
    def postures(self) -> tuple[tuple[Vector, ...], ...]:
        """Angles of resting, standing and standing up, rad; none when one is out of reach."""
        return self.reach[1]

    @cached_property
    def duty_factors(self) -> tuple[float, ...]:
        """Those that the parameters name, and steadier ones that may be ordered; in this order.

        The steadier ones are those with three feet on the ground on average or more.
        """
        parameters = self.parameters
        factors = [parameters.duty_factor]
        if not parameters.phases:
            steadier = [each for each in DUTY_FACTORS if each * len(self.robot.legs) >= 3.0 - 1e-9]
            factors += sorted({*steadier, parameters.largest_duty_factor})
        chosen = factors[:1]
        for factor in factors[1:]:
            if factor > chosen[-1] + SAME:
                chosen.append(factor)
        return tuple(chosen)

    @property
    def lack_of_legs(self) -> str:
        """What too few legs have to do with it when the robot does not walk; else empty."""
        legs = len(self.robot.legs)
        if legs < FEWEST_LEGS:
            return FOUR_LEGS
        return BALANCING if legs == FEWEST_LEGS and self.parameters.min_margin >= 0.0 else ''

    def with_duty_factor(self, duty_factor: float) -> GaitParameters:
        """Return the parameters for one duty factor at every speed."""
        return replace(self.parameters, duty_factor=duty_factor, slow_duty_factor=duty_factor)

    def walk(self, duty_factor: float, heading: str) -> SteadyWalk:
        """Return the fastest walk with a duty factor.

        Raises
        ------
        LegKinematicsError
            The gait refuses the robot, or does not move it.

        """
        key = (duty_factor, heading)
        if key not in self._walks:
            parameters = self.with_duty_factor(duty_factor)
            try:
                self._walks[key] = steady_walk(self.robot, self.legs, parameters, heading)
            except LegKinematicsError as error:
                self._walks[key] = error
        walk = self._walks[key]
        if isinstance(walk, LegKinematicsError):
            raise walk
        return walk

    def walks(self, duty_factor: float) -> tuple[SteadyWalk, ...]:
        """Return the walks with a duty factor, in the order of `HEADINGS`; as far as it walks."""
        found = []
        for heading in HEADINGS:
            try:
                found.append(self.walk(duty_factor, heading))
            except LegKinematicsError:
                # What hinders it is told by the line of its speed.
                continue
        return tuple(found)

    @property
    def walked(self) -> int:
        """How many walks have been walked."""
        return sum(isinstance(walk, SteadyWalk) for walk in self._walks.values())

    @cached_property
    def fastest_walks(self) -> tuple[SteadyWalk, ...]:
        """The walks with the lowest duty factor with which it walks at all."""
        return next(filter(None, map(self.walks, self.duty_factors)), ())

    @property
    def all_walks(self) -> tuple[SteadyWalk, ...]:
        """The walks with all duty factors, the lowest first."""
        return tuple(walk for factor in self.duty_factors for walk in self.walks(factor))
