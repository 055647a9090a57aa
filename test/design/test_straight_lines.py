# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A grid of lines on the ground, as one foot follows them through pulses and servos.

A dead band of 5 µs is what sellers print for many micro servos (from memory; such sheets have no
number).
"""

from collections.abc import Callable
from dataclasses import replace
from math import hypot, inf, sqrt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from leg_kinematics.board.simulated.servo import ServoDynamics, SimulatedServo
from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.design.finding import Verdict
from leg_kinematics.design.lines import (
    STEPS,
    TOLERANCE,
    DrawnLine,
    draw_grid,
    grid,
    lines_finding,
    rest,
    spacing,
)
from leg_kinematics.robot import Leg, Robot, load_robot
from leg_kinematics.solver import LegSolver, jacobian, leg_solvers

CONFIG = Path(__file__).parents[2] / 'config'

#: What bracken's first leg can use on the ground and lifted, rounded down, m.
RADIUS = 0.05

Floats = NDArray[np.float64]


@pytest.fixture(scope='module')
def robot() -> Robot:
    """Load the example robot."""
    return load_robot(CONFIG / 'robots' / 'bracken.yaml')


@pytest.fixture(scope='module')
def maps(robot: Robot) -> ServoMaps:
    """Load its servo maps."""
    return load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', robot)


@pytest.fixture(scope='module')
def solver(robot: Robot) -> LegSolver:
    """Solve its first leg."""
    return leg_solvers(robot)[0]


def with_dead_band(leg: Leg, dead_band_us: float) -> Leg:
    """Give all servos of a leg another dead band."""
    coxa, femur, tibia = (
        replace(link, servo=replace(link.servo, dead_band_us=dead_band_us)) for link in leg.links
    )
    return replace(leg, coxa=coxa, femur=femur, tibia=tibia)


@pytest.fixture(scope='module')
def draw(
    robot: Robot, maps: ServoMaps, solver: LegSolver
) -> Callable[[float], tuple[DrawnLine, ...]]:
    """Return a function that draws the grid with servos of a dead band, µs."""
    centre = robot.standing.feet[0]
    return lambda band: draw_grid(with_dead_band(robot.legs[0], band), solver, maps, centre, RADIUS)


def bound(
    robot: Robot, maps: ServoMaps, solver: LegSolver, line: DrawnLine, off_us: float
) -> float:
    """How far from a line pulses that are off by as much can put the foot, m, to first order.

    Joint by joint the part of the Jacobian's column across the line, times the angle.
    """
    along = np.subtract(line.goal, line.start) / np.linalg.norm(np.subtract(line.goal, line.start))
    gains = [
        abs(maps.by_joint[joint].pulse_us(0.1) - maps.by_joint[joint].pulse_us(0.0)) / 0.1
        for joint in robot.legs[0].joints
    ]
    worst = 0.0
    for share in np.linspace(0.0, 1.0, 41).tolist():
        x, y, z = (np.array(line.start) + share * np.subtract(line.goal, line.start)).tolist()
        rows = np.array(jacobian(solver.geometry, solver.angles((x, y, z))))
        columns = np.array(solver.mount.rotation) @ rows
        across = columns - np.outer(along, along @ columns)
        worst = max(worst, float((np.linalg.norm(across, axis=0) * off_us / gains).sum()))
    return worst


def test_the_grid_fills_the_square_within_the_radius() -> None:
    """Seven lines along and seven across, each there and back, out to the corners (by hand)."""
    lines = grid((0.2, 0.1, -0.08), RADIUS)
    assert len(lines) == 2 * 2 * 7
    assert {goal: start for start, goal in lines[1::2]} == dict(lines[::2])
    along = sorted({start[1] for start, goal in lines if start[1] == goal[1]})
    assert np.diff(along) == pytest.approx(2 * STEPS * [0.05 / sqrt(2.0) / 3.0])
    for line in lines:
        for x, y, z in line:
            assert z == -0.08
            assert hypot(x - 0.2, y - 0.1) <= RADIUS + 1e-12
    assert max(hypot(x - 0.2, y - 0.1) for line in lines for x, y, _ in line) > RADIUS - 1e-12
    assert grid((0.2, 0.1, -0.08), 0.002) == []
    assert len(grid((0.2, 0.1, -0.08), 2.0)) == len(lines)


def test_exact_pulses_draw_within_the_tolerance(
    draw: Callable[[float], tuple[DrawnLine, ...]],
) -> None:
    """There and back through the servo maps the foot stays within the tolerance of every line."""
    for line in draw(5.0):
        assert line.straying(line.exact) <= TOLERANCE * spacing(RADIUS)
        # The foot goes all the way.
        np.testing.assert_allclose(line.exact[[0, -1]], (line.start, line.goal), atol=1e-12)


@pytest.mark.parametrize('dead_band_us', [0.0, 5.0])
def test_pulses_stray_as_far_as_the_jacobian_allows(
    robot: Robot,
    maps: ServoMaps,
    solver: LegSolver,
    draw: Callable[[float], tuple[DrawnLine, ...]],
    dead_band_us: float,
) -> None:
    """Half a step of 0.5 µs, and half a dead band of 5 µs, bound every line; some come close."""
    shares = []
    for line in draw(dead_band_us):
        exact = line.straying(line.exact)
        half_step = bound(robot, maps, solver, line, 0.25)
        assert line.straying(line.rounded) <= 1.02 * half_step + exact
        limit = bound(robot, maps, solver, line, 0.25 + 0.5 * dead_band_us)
        assert line.straying(line.rested) <= 1.02 * limit + exact
        shares.append(line.straying(line.rested) / limit)
    assert max(shares) > 0.6


def test_a_dead_band_tells_there_from_back(
    draw: Callable[[float], tuple[DrawnLine, ...]],
) -> None:
    """The middle of a line is not where it was on the way there: dead bands have a memory."""
    lines = draw(5.0)
    apart = [
        np.linalg.norm(there.rested - back.rested[::-1], axis=1)[len(there.rested) // 2]
        for there, back in zip(lines[::2], lines[1::2], strict=True)
    ]
    assert min(apart) > 2e-4
    for line in draw(0.0):
        np.testing.assert_array_equal(line.rested, line.rounded)


@given(st.lists(st.floats(600.0, 2400.0), min_size=1), st.floats(0.0, 20.0))
def test_rests_as_the_simulated_servo_does(pulses_us: list[float], dead_band_us: float) -> None:
    """Pulse by pulse it stands where the servo of the mock stands when nothing slows it."""
    servo = SimulatedServo(ServoDynamics(inf, dead_band_us))
    stands = np.array([pulses_us[0]])
    for pulse in pulses_us:
        servo.advance(pulse, 1.0)
        stands = rest(stands, np.array([pulse]), np.array([0.5 * dead_band_us]))
        assert stands[0] == pytest.approx(servo.position_us, abs=1e-9)


def test_a_line_strays_by_its_distance_in_space() -> None:
    """3 mm aside and 4 mm above are 5 mm; beyond the end of the line nothing counts (by hand)."""
    feet = np.array([(0.0, 0.0, 0.0), (0.01, 0.003, 0.004), (0.05, 0.0, 0.0)])
    line = DrawnLine('leg', (0.0, 0.0, 0.0), (0.02, 0.0, 0.0), feet, feet, feet)
    assert line.straying(feet) == pytest.approx(0.005, abs=1e-15)


def test_the_report_tells_the_worst_line(robot: Robot, maps: ServoMaps, solver: LegSolver) -> None:
    """Value and picture are of the same lines; a dead band of 40 µs fails."""
    leg, centre = robot.legs[0], robot.standing.feet[0]
    finding, lines = lines_finding(leg, solver, maps, centre, RADIUS)
    assert finding.value == max(line.straying(line.rested) for line in lines)
    assert finding.verdict is Verdict.PASS
    finding, _ = lines_finding(with_dead_band(leg, 40.0), solver, maps, centre, RADIUS)
    assert finding.verdict is Verdict.FAIL


@pytest.mark.parametrize(('radius', 'reason'), [(0.002, 'no room for lines'), (0.3, 'left_front')])
def test_the_report_tells_why_there_is_no_line(
    robot: Robot, maps: ServoMaps, solver: LegSolver, radius: float, reason: str
) -> None:
    """A disc that holds no square, and one beyond the reach, fail with the reason."""
    finding, lines = lines_finding(robot.legs[0], solver, maps, robot.standing.feet[0], radius)
    assert (finding.verdict, lines) == (Verdict.FAIL, ())
    assert reason in finding.detail
