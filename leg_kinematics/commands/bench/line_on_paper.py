# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A line on paper at a terminal: one leg at the bench, the questions, and what comes of them."""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path

import numpy as np
from rich.console import Console

from leg_kinematics.calibration.foot_readings import LegStand
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.bench.mock_feet import MockFeet, mock_feet
from leg_kinematics.commands.bench.mock_robot import truth_beside
from leg_kinematics.commands.bench.question_screen import QuestionScreen
from leg_kinematics.commands.bench.survey_session import legs_at
from leg_kinematics.design.line_dialogue import Angles, LineDialogue
from leg_kinematics.design.line_on_paper import (
    MM,
    ExpectedLine,
    LinePlan,
    MarkedLine,
    beside_ruler,
    expected_line,
    line_in_words,
    plan_line,
)
from leg_kinematics.design.line_picture import draw_line_on_paper
from leg_kinematics.identification.approach import Point, way_to
from leg_kinematics.identification.room import Room

#: The line lies so far above the ground, m: a foot that is 20 mm lower than the maps have it, too.
ABOVE_GROUND = 0.030


class LineAtBench:
    """A line for one leg of a robot on its block.

    Parameters
    ----------
    room
        The robot and what is around it.
    calibrated
        The robot with its present maps.
    leg
        Name of the leg.
    lags
        How far each joint was measured to stay behind its pulse, rad by name.

    """

    def __init__(
        self, room: Room, calibrated: CalibratedRobot, leg: str, lags: Mapping[str, float]
    ) -> None:
        """Plan nothing yet."""
        self._room = room
        self._calibrated = calibrated
        self._leg = leg
        self._lags = lags

    def plan(self, speeds: Mapping[str, float]) -> LinePlan:
        """Plan the line where the foot stands by the description, but above the ground."""
        robot = self._calibrated.robot
        x, y, _ = robot.standing.feet[robot.leg_names.index(self._leg)]
        return plan_line(
            self._room.leg(self._leg), (x, y, ABOVE_GROUND - self._room.height), speeds
        )

    def way(self, plan: LinePlan, here: Angles) -> Sequence[Angles]:
        """Lead the leg to where the line starts, clear of everything."""
        coxa, femur, tibia = (here[joint] for joint in plan.joints)
        maps = self._calibrated.maps.by_joint
        first, second, third = (
            maps[joint].pulse_us(angle)
            for joint, angle in zip(plan.joints, plan.start_angles, strict=True)
        )
        stand = LegStand(self._leg, (first, second, third), (0, 0, 0))
        point = Point(stand, plan.start_angles, plan.start_angles, plan.start)
        return way_to(self._room, point, {**self._room.resting, self._leg: (coxa, femur, tibia)})

    def expected(self, plan: LinePlan, way: Sequence[Angles]) -> ExpectedLine:
        """Work out where the marks are to be expected."""
        robot = self._calibrated.robot
        leg = robot.legs[robot.leg_names.index(self._leg)]
        solver, maps = self._room.leg(self._leg), self._calibrated.maps.by_joint
        return expected_line(plan, way, leg, solver, maps, lags=self._lags)


def draw_line(
    line: LineAtBench,
    calibrated: CalibratedRobot,
    leg: str,
    specs: Sequence[str],
    console: Console,
    *,
    store_limits: bool,
) -> MarkedLine | None:
    """Lead through a line; returns it, or None where somebody left before its end.

    Parameters
    ----------
    line
        To be drawn.
    calibrated
        The robot with its present maps.
    leg
        Name of the leg.
    specs
        Its boards as NAME=DRIVER:PORT; a mock where there are none.
    console
        A terminal.
    store_limits
        Whether limits that the boards keep from before are replaced.

    """
    with ExitStack() as stack:
        mock = None
        if not specs:
            truth = truth_beside(calibrated.maps.document.file)
            mock = stack.enter_context(mock_feet(calibrated, [leg], truth))
            specs = tuple(mock.servos.specs)
            console.print('On mock boards: nothing real moves.')
        bench = stack.enter_context(
            legs_at(specs, calibrated, [leg], console, hold=False, store_limits=store_limits)
        )
        plan = line.plan(bench.speeds)
        asking = LineDialogue(
            plan,
            lambda here: line.way(plan, here),
            lambda way: line.expected(plan, way),
            bench,
        )
        marks = _MockMarks(mock, leg, asking)
        QuestionScreen(asking, bench, console, marks.shown).run()
    return asking.result


class _MockMarks:
    """What a ruler would show of the marks on the mock."""

    def __init__(self, mock: MockFeet | None, leg: str, asking: LineDialogue) -> None:
        self._mock = mock
        self._leg = leg
        self._asking = asking
        self._marks: dict[int, tuple[float, float]] = {}

    def shown(self) -> str:
        """Mark where the foot stands, or say how far the mark is that is asked for."""
        if self._mock is None:
            return ''
        stop, mark = self._asking.stop, self._asking.mark
        if stop is not None:
            x, y, _ = self._mock.foot(self._leg)
            self._marks[stop] = (x, y)
        if mark is None:
            return ''
        beside = beside_ruler(np.array([self._marks[each] for each in sorted(self._marks)]))
        return f'On the mock the ruler shows {MM * beside[mark]:.1f} mm.'


def tell_line(line: MarkedLine, folder: Path, console: Console) -> Path:
    """Say what a line was like, and draw it; returns the file of the picture."""
    for sentence in line_in_words(line):
        console.print(sentence, soft_wrap=True, highlight=False)
    file = folder / f'{line.plan.leg}-line.png'
    draw_line_on_paper(line).savefig(file, dpi=100)
    console.print(f'Picture: {file}', soft_wrap=True, highlight=False)
    return file


def line_facts(line: MarkedLine) -> dict[str, object]:
    """All that was found out about a line, for a script."""
    parts, (bow, error) = line.expected, line.bow
    return {
        'leg': line.plan.leg,
        'length_mm': MM * line.plan.length,
        'along_mm': (MM * line.plan.length * line.plan.shares).tolist(),
        'measured_mm': (MM * line.measured).tolist(),
        'steps_mm': (MM * parts.steps).tolist(),
        'dead_band_mm': (MM * parts.dead_band).tolist(),
        'slack_mm': (MM * parts.slack).tolist(),
        'left_mm': (MM * line.left).tolist(),
        'bow_mm': {'value': MM * bow, 'standard_error': MM * error},
        'probability_of_the_rest': line.probability,
        'verdict': line.verdict.name.lower(),
    }
