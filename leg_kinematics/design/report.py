# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The whole report on one robot."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.design.advice import Question, advised
from leg_kinematics.design.battery import battery_findings
from leg_kinematics.design.clearance import body_finding, clearance_finding, ground_findings
from leg_kinematics.design.design import Design
from leg_kinematics.design.doubts import Doubt, find_doubts
from leg_kinematics.design.finding import Finding, Verdict
from leg_kinematics.design.lines import DrawnLine, lines_finding
from leg_kinematics.design.load import standing_torque, support_finding, walking_torque
from leg_kinematics.design.one_foot import one_foot_findings
from leg_kinematics.design.pulses import pulse_findings
from leg_kinematics.design.reach import freedom_findings, stride_finding
from leg_kinematics.design.speed import (
    joint_speed_findings,
    speed_finding,
    standstill_finding,
    together,
)
from leg_kinematics.design.steady_walk import HEADINGS, SteadyWalk
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.gait import GaitParameters, Walker
from leg_kinematics.robot import FEWEST_STANDING, Robot
from leg_kinematics.solver import LegReach, LegSolver

#: What only a robot that walks can be asked, and what only one that stands on its feet.
OF_A_WALK = (
    'stride radius',
    'fastest walk',
    'servo speed',
    'torque of a walk',
    'support margin',
    'clearance of two legs',
    'minutes of a walk',
)
OF_STANDING = ('body over its feet', 'torque up to standing', 'underside', 'minutes of standing')


BOUNDS = 'After each value stands what it takes to pass and, in brackets, where the line fails.'

NUMBERS_OF_A_WALK = (
    'Torques are in percent of the stall torque, joint speeds of the no-load speed. The walks are '
    'the fastest that the gait walks with its parameters, each "at" a duty factor.'
)

NUMBERS_OF_ONE_FOOT = (
    'A load at one foot is the largest before a servo stalls, held by one leg whose body is held '
    'fast; a servo that holds more than half of its stall torque for long overheats.'
)


@dataclass(frozen=True)
class NotAsked:
    """What was not looked at, since the robot lacks what it takes.

    Attributes
    ----------
    questions
        In a word or a few each.
    reason
        What is missing.

    """

    questions: tuple[str, ...]
    reason: str


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
        The walks that were looked at, those with the lowest duty factor first; none when the robot
        cannot walk.
    lines
        What the foot of the first leg that is wired draws through its servo maps; none without
        maps.
    doubts
        What may be a mistake; none of it fails.
    remarks
        What was assumed, or could not be looked at and why.
    not_asked
        What nobody can ask of such a robot.

    """

    findings: tuple[Finding, ...]
    legs: tuple[LegSolver, ...]
    walks: tuple[SteadyWalk, ...]
    lines: tuple[DrawnLine, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    remarks: tuple[str, ...] = ()
    not_asked: tuple[NotAsked, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The worst of all lines."""
        verdicts = {finding.verdict for finding in self.findings}
        return next(each for each in reversed(Verdict) if each in verdicts)

    @property
    def how_to_read(self) -> str:
        """What the numbers mean."""
        return f'{BOUNDS} {NUMBERS_OF_ONE_FOOT if self.not_asked else NUMBERS_OF_A_WALK}'


def check_robot(
    robot: Robot,
    maps: ServoMaps | None,
    tell: Callable[[str], None],
    parameters: GaitParameters | None = None,
) -> Report:
    """Question a design.

    Parameters
    ----------
    robot
        The description.
    maps
        Of its servos, if there are any yet.
    tell
        Called with what is being done.
    parameters
        Of the gait; the defaults if none are given.

    Returns
    -------
    Report
        A robot that cannot take its postures is not asked how it walks; nor is one that lacks what
        a walk needs, which is asked what one of its feet can hold instead.

    """
    *_, report = check_in_stages(Design(robot, maps, parameters or GaitParameters()), tell)
    return report


def check_in_stages(design: Design, tell: Callable[[str], None]) -> Iterator[Report]:
    """Give the report of `check_robot` without advice first, and whole once that was tried.

    To try what would help takes several times as long as to see that something fails.
    """
    robot, maps = design.robot, design.maps
    doubts = find_doubts(robot, maps)
    tell('reach')
    asked: list[tuple[Question, list[Finding]]] = [(_reach, _reach(design))]
    if design.postures:
        for topic, question in _questions(design):
            tell(topic)
            asked.append((question, question(design)))
    findings = together([finding for _, found in asked for finding in found])
    remarks: tuple[str, ...] = ()
    if maps is not None and maps.not_wired:
        remarks += (f'{maps.not_wired_in_words}: nothing was asked of the pulses there',)
    walks = design.all_walks if design.postures and not design.lacks else ()
    # What nothing is tried for.
    further: tuple[Finding, ...] = ()
    lines: tuple[DrawnLine, ...] = ()
    if design.postures and maps is not None:
        further += tuple(pulse_findings(robot, maps, design.postures, walks))
        tell('straight lines')
        drawn, lines = _lines(design, maps)
        further += drawn
    if design.postures and robot.stands:
        tell('battery')
        minutes, remark = battery_findings(robot, design.legs, design.postures[-1], walks[:1])
        further += tuple(minutes)
        remarks += (remark,)
    report = Report(
        findings + further,
        design.legs if design.postures else design.bare,
        walks,
        lines,
        doubts,
        remarks,
        tuple(_not_asked(design)),
    )
    yield report
    tell('what would help')
    yield replace(report, findings=together(advised(design, asked)) + further)


def _not_asked(design: Design) -> Iterator[NotAsked]:
    """Say what is not asked of a robot with too few legs, or with legs in no order of steps."""
    robot = design.robot
    if design.lacks:
        legs = design.lack_of_legs if robot.stands else ''
        yield NotAsked(OF_A_WALK, '; '.join(filter(None, (design.lacks, legs))))
    if not robot.stands:
        yield NotAsked(
            OF_STANDING,
            f'fewer than {FEWEST_STANDING} legs do not stand, so something else carries the body',
        )


def _questions(design: Design) -> Iterator[tuple[str, Question]]:
    """Give what is asked about a robot that takes its postures, and what to tell meanwhile."""
    if not design.lacks:
        yield 'reach', _stride
    if design.robot.stands:
        yield 'reach', _freedom
    if not design.lacks:
        yield from _questions_of_a_walk(design)
    if design.robot.stands:
        yield 'loads', _standing_torque
    if design.lacks:
        yield 'loads', _one_foot
    else:
        yield 'loads', _walking_torque
        for factor in range(len(design.duty_factors)):
            yield 'support', partial(_support, factor)
        yield 'clearance', _clearance
    yield 'clearance', _body
    if design.robot.stands:
        yield 'clearance', _ground


def _questions_of_a_walk(design: Design) -> Iterator[tuple[str, Question]]:
    """Give what is asked about the speed of a robot, and what to tell meanwhile."""
    factors = range(len(design.duty_factors))
    for factor in factors:
        for heading in HEADINGS:
            yield f'walking {heading}', partial(_speed, factor, heading)
    for factor in factors:
        yield 'joint speeds', partial(_joint_speeds, factor)


def _reach(design: Design) -> list[Finding]:
    return list(design.reach[0])


def _stride(design: Design) -> list[Finding]:
    try:
        walker = Walker(
            design.robot,
            design.legs,
            design.with_duty_factor(design.duty_factors[0]),
            design.robot.standing.feet,
        )
    except LegKinematicsError:
        # The line of its speed tells why the robot does not walk.
        return []
    return [stride_finding(walker, design.robot.leg_names)]


def _freedom(design: Design) -> list[Finding]:
    return freedom_findings(design.robot, design.legs)


def _speed(factor: int, heading: str, design: Design) -> list[Finding]:
    duty_factor = design.duty_factors[factor]
    try:
        return [speed_finding(design.walk(duty_factor, heading), design.parameters)]
    except LegKinematicsError as error:
        reason = '; '.join(filter(None, (str(error), design.lack_of_legs)))
        return [standstill_finding(heading, duty_factor, design.parameters, reason)]


def _joint_speeds(factor: int, design: Design) -> list[Finding]:
    walks = design.walks(design.duty_factors[factor])
    return joint_speed_findings(design.robot, walks) if walks else []


def _standing_torque(design: Design) -> list[Finding]:
    return [standing_torque(design.robot, design.bare, design.postures)]


def _one_foot(design: Design) -> list[Finding]:
    return one_foot_findings(design.robot, design.bare, design.postures[-1])


def _walking_torque(design: Design) -> list[Finding]:
    walks = design.fastest_walks
    return [walking_torque(design.robot, design.legs, walks)] if walks else []


def _support(factor: int, design: Design) -> list[Finding]:
    walks = design.walks(design.duty_factors[factor])
    return [support_finding(design.robot, design.legs, walks)] if walks else []


def _clearance(design: Design) -> list[Finding]:
    walks = design.fastest_walks
    return [clearance_finding(design.robot, design.legs, walks)] if walks else []


def _body(design: Design) -> list[Finding]:
    walks = () if design.lacks else design.fastest_walks
    return [body_finding(design.robot, design.bare, design.postures, walks)]


def _ground(design: Design) -> list[Finding]:
    return ground_findings(design.robot, design.parameters.lift)


def _lines(design: Design, maps: ServoMaps) -> tuple[tuple[Finding, ...], tuple[DrawnLine, ...]]:
    """Draw lines around the standing foot of a leg, as far as it reaches on all sides.

    Of the first leg that is wired.
    """
    index = design.robot.leg_names.index(maps.wired(design.robot).leg_names[0])
    leg, foot = design.legs[index], design.robot.standing.feet[index]
    try:
        leg.angles(foot)
    except LegKinematicsError:
        # The line of its pulses tells that the foot cannot stand.
        return (), ()
    finding, lines = lines_finding(
        design.robot.legs[index], leg, maps, foot, LegReach(leg).margin(foot)
    )
    return (finding,), lines
