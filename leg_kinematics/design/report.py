# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The whole report on one robot."""

from collections.abc import Callable
from dataclasses import dataclass

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.design.battery import battery_findings
from leg_kinematics.design.clearance import (
    body_finding,
    clearance_finding,
    ground_findings,
)
from leg_kinematics.design.doubts import Doubt, find_doubts
from leg_kinematics.design.finding import Finding, Verdict
from leg_kinematics.design.lines import DrawnLine, lines_finding
from leg_kinematics.design.load import standing_torque, support_finding, walking_torque
from leg_kinematics.design.pulses import pulse_findings
from leg_kinematics.design.reach import freedom_findings, reach_findings, stride_finding
from leg_kinematics.design.speed import speed_bounds, speed_finding
from leg_kinematics.design.steady_walk import (
    DEFAULTS,
    DUTY_FACTORS,
    HEADINGS,
    SteadyWalk,
    duty_factors,
    usable_radii,
    widest_walk,
)
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, leg_solvers


@dataclass(frozen=True)
class Report:
    """What was found.

    Attributes
    ----------
    findings
        Line by line.
    legs
        Solvers within joint limits and, if given, servo maps.
    walks
        The walks that were looked at, the first one forward with the lowest duty factor; none
        when the robot cannot walk.
    lines
        What the foot of the first leg draws through its servo maps; none without maps.
    doubts
        What may be a slip of the pen; none of it fails.
    remarks
        What was assumed, or could not be looked at and why.

    """

    findings: tuple[Finding, ...]
    legs: tuple[LegSolver, ...]
    walks: tuple[SteadyWalk, ...]
    lines: tuple[DrawnLine, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The worst of all lines."""
        verdicts = {finding.verdict for finding in self.findings}
        return next(each for each in reversed(Verdict) if each in verdicts)


def check_robot(robot: Robot, maps: ServoMaps | None, tell: Callable[[str], None]) -> Report:
    """Question a design.

    Parameters
    ----------
    robot
        The description.
    maps
        Of its servos, if there are any yet.
    tell
        Called with what is being done.

    Returns
    -------
    Report
        A robot that cannot take its postures is not asked how it walks.

    """
    doubts = find_doubts(robot, maps)
    tell('reach')
    bare = leg_solvers(robot)
    findings, postures = reach_findings(robot, bare)
    if not postures:
        return Report(tuple(findings), bare, (), doubts=doubts)
    legs = bare
    if maps is not None:
        legs = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
    walks: tuple[SteadyWalk, ...] = ()
    radii: tuple[float, ...] = ()
    try:
        radii = usable_radii(robot, legs)
        findings += [stride_finding(robot, radii), *freedom_findings(robot, legs)]
        tell('walking')
        factors = duty_factors(robot)
        walks = tuple(
            widest_walk(robot, legs, radii, factor, heading)
            for factor in factors
            for heading in HEADINGS
        )
    except LegKinematicsError as error:
        findings.append(
            Finding(
                'fastest walk',
                'any',
                None,
                'm/s',
                speed_bounds(DUTY_FACTORS[0]),
                detail=str(error),
                remedy='first what fails above and below',
            )
        )
    by_factor = [walks[i : i + len(HEADINGS)] for i in range(0, len(walks), len(HEADINGS))]
    findings += [speed_finding(robot, legs, each[0]) for each in by_factor]
    tell('loads')
    findings.append(standing_torque(robot, bare, postures))
    if by_factor:
        findings.append(walking_torque(robot, legs, by_factor[0]))
        findings += [support_finding(robot, legs, each) for each in by_factor]
    tell('clearance')
    if by_factor:
        findings.append(clearance_finding(robot, legs, by_factor[0]))
    findings.append(body_finding(robot, bare, postures, walks))
    findings += ground_findings(robot, DEFAULTS.lift)
    tell('battery')
    found, remark = battery_findings(robot, legs, postures[-1], walks[:1])
    findings += found
    lines: tuple[DrawnLine, ...] = ()
    if maps is not None:
        findings += pulse_findings(maps, postures, walks)
    if maps is not None and radii:
        tell('straight lines')
        finding, lines = lines_finding(
            robot.legs[0], legs[0], maps, robot.standing.feet[0], radii[0]
        )
        findings.append(finding)
    return Report(tuple(findings), legs, walks, lines, doubts, (remark,))
