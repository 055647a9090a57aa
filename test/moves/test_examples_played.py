# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Examples of sequences, played in lock step and judged by the pulses."""

from math import atan2, cos, dist, hypot, sin
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.moves.playing import PlayState
from leg_kinematics.moves.sequence import load_sequence
from leg_kinematics.robot import Vector, load_robot

if TYPE_CHECKING:
    from test.played_robot import PlayedRobot, farthest
else:
    from played_robot import PlayedRobot, farthest

CONFIG = Path(__file__).parents[2] / 'config'

#: By the rounding of pulses to half a microsecond, 0.8 mrad, at the 170 mm of a stretched leg, m.
BY_PULSES = 2e-4


def played(robot_name: str) -> PlayedRobot:
    """Return a robot of the examples, powered."""
    robot = load_robot(CONFIG / 'robots' / f'{robot_name}.yaml')
    return PlayedRobot(robot, load_servo_maps(CONFIG / 'servo_maps' / f'{robot_name}.yaml', robot))


def tour(one: PlayedRobot, name: str) -> list[tuple[int, Vector]]:
    """Play an example to its end; give the step, from 1, and the first foot by the pulses."""
    plan = one.planner.plan(load_sequence(CONFIG / 'sequences' / f'{name}.yaml').steps, one.feet)
    playing = one.take(plan)
    assert playing.play(one.life.now).success
    seen = []
    while playing.state is PlayState.PLAYING:
        one.step()
        assert playing.move is not None
        seen.append((playing.move.number + 1, one.feet_by_pulses[0]))
    one.run(2)
    assert playing.state is PlayState.FINISHED, playing.condition()
    assert farthest(one.feet_by_pulses, plan.end) <= BY_PULSES
    return seen


@pytest.mark.parametrize('robot', ['bracken', 'bench_leg'])
def test_circles_by_the_pulses(robot: str) -> None:
    """Radius, plane and sense as the file has them, worked out here from the description."""
    one = played(robot)
    rest, mount = one.robot.resting.feet[0], one.robot.legs[0].mount.position
    outwards = atan2(rest[1] - mount[1], rest[0] - mount[0])
    turns = {2: [0.0, 0.0], 3: [0.0, 0.0]}
    before: dict[int, float] = {}
    for step, foot in tour(one, 'circle'):
        x, y, z = (a - b for a, b in zip(foot, rest, strict=True))
        out, left = x * cos(outwards) + y * sin(outwards), y * cos(outwards) - x * sin(outwards)
        # The tick in which a step begins lies in both.
        if step == 2 and z > 0.0248:
            assert hypot(out, left) == pytest.approx(0.020, abs=BY_PULSES)
            assert z == pytest.approx(0.025, abs=BY_PULSES)
            angle = atan2(left, out)
        elif step == 3:
            assert hypot(out - 0.005, z - 0.025) == pytest.approx(0.015, abs=BY_PULSES)
            assert left == pytest.approx(0.0, abs=BY_PULSES)
            angle = atan2(z - 0.025, out - 0.005)
        else:
            continue
        if step in before and abs(angle - before[step]) < 1.0:
            turns[step][angle < before[step]] += abs(angle - before[step])
        before[step] = angle
    # Nearly a whole turn each, one from x to y and one from z to x; the seam of atan2 is left out.
    assert min(turns[2][0], turns[3][1]) > 6.0
    assert max(turns[2][1], turns[3][0]) < 0.1


def test_a_row_of_lines_by_the_pulses() -> None:
    """On the paper the foot is on one of three parallel lines, 40 mm long and 15 mm apart."""
    one = played('bench_leg')
    rest = one.robot.resting.feet[0]
    # The leg points forward: x is outwards, and y to the left of it.
    drawn: dict[float, list[float]] = {-0.015: [], 0.0: [], 0.015: []}
    for step, (x, y, z) in tour(one, 'lines'):
        if step in {4, 8, 12}:
            assert z - rest[2] == pytest.approx(0.0, abs=BY_PULSES)
            line = min(drawn, key=lambda each: abs(each - (y - rest[1])))
            assert y - rest[1] == pytest.approx(line, abs=BY_PULSES)
            drawn[line].append(x - rest[0])
    for ends in drawn.values():
        assert dist([min(ends)], [max(ends)]) == pytest.approx(0.040, abs=2.0 * BY_PULSES)
        assert ends[0] == pytest.approx(-0.020, abs=BY_PULSES)
