# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How close legs come to the body and the body to the ground."""

import re
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from leg_kinematics.design.clearance import body_finding, ground_findings
from leg_kinematics.design.finding import Finding, Verdict
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import box_distances, leg_solvers, posture_angles

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'
LIFT = 0.030


@pytest.mark.parametrize(
    ('start', 'end', 'expected'),
    [
        pytest.param((2.0, 0.0, 0.0), (5.0, 0.0, 0.0), 1.0, id='away from a face'),
        pytest.param((-2.0, 5.0, 0.0), (2.0, 5.0, 0.0), 3.0, id='along a face'),
        pytest.param((4.0, 6.0, 0.0), (4.0, 6.0, 9.0), 5.0, id='beside an edge, 3-4-5'),
        pytest.param((3.0, 4.0, 5.0), (9.0, 9.0, 9.0), 12.0**0.5, id='from a corner'),
        pytest.param((-9.0, 0.0, 0.0), (9.0, 0.1, 0.0), 0.0, id='through the box'),
        pytest.param((0.0, 0.0, 0.0), (9.0, 0.0, 0.0), 0.0, id='out of the box'),
    ],
)
def test_distances_of_segments_from_a_box_by_hand(
    start: tuple[float, ...], end: tuple[float, ...], expected: float
) -> None:
    """The box reaches 1, 2 and 3 from the origin along x, y and z."""
    distances = box_distances(np.array([start]), np.array([end]), (2.0, 4.0, 6.0))
    assert distances == pytest.approx([expected])


def test_distances_of_segments_from_a_box_against_a_search() -> None:
    """SciPy's bounded search finds no nearer point on 300 random segments."""
    random = np.random.default_rng(4)
    starts, ends = random.normal(scale=3.0, size=(2, 300, 3))
    size = (2.0, 4.0, 1.0)
    half = np.array(size) / 2.0

    def distance(share: float, start: np.ndarray, way: np.ndarray) -> float:
        return float(np.linalg.norm(np.maximum(np.abs(start + share * way) - half, 0.0)))

    searched = [
        minimize_scalar(
            distance, bounds=(0.0, 1.0), args=(start, end - start), options={'xatol': 1e-10}
        ).fun
        for start, end in zip(starts, ends, strict=True)
    ]
    found = box_distances(starts, ends, size)
    assert np.all(found <= np.array(searched) + 1e-12)
    assert found == pytest.approx(np.array(searched), abs=1e-6)


def robot_with(folder: Path, *changes: tuple[str, str]) -> Robot:
    """Load bracken with something changed wherever it stands."""
    text = BRACKEN.read_text(encoding='utf-8')
    for old, new in changes:
        text, count = re.subn(re.escape(old), new, text)
        assert count
    file = folder / 'robot.yaml'
    file.write_text(text, encoding='utf-8')
    return load_robot(file)


def standing_body_finding(robot: Robot) -> Finding:
    """Ask for the clearance of the body from the legs of a robot that stands."""
    legs = leg_solvers(robot)
    return body_finding(robot, legs, [posture_angles(robot, legs, 'standing')], ())


def test_femora_beside_the_body_by_hand(tmp_path: Path) -> None:
    """Standing, a middle femur begins 85 + 32 mm to the side; the body there is 65 mm wide.

    With legs only in the middle, nothing is nearer than its inner end, 14 mm thick.
    """
    text = BRACKEN.read_text(encoding='utf-8')
    corners = re.findall(r'  (?:left|right)_(?:front|rear):\n.*\n', text)
    robot = robot_with(tmp_path, *((each, '') for each in corners))
    assert robot.leg_names == ('left_middle', 'right_middle')
    found = standing_body_finding(robot)
    assert found.value == pytest.approx(0.085 + 0.032 - 0.065 - 0.014)
    assert 'left_middle_femur' in found.detail


def test_a_mount_that_points_into_the_body_collides(tmp_path: Path) -> None:
    """A middle leg with the sign of its yaw wrong goes through the body, which fails."""
    turned = robot_with(
        tmp_path,
        (
            '[0 mm, 85 mm, 0 mm], rpy: [0 deg, 0 deg, 90',
            '[0 mm, 85 mm, 0 mm], rpy: [0 deg, 0 deg, -90',
        ),
    )
    found = standing_body_finding(turned)
    assert found.verdict is Verdict.FAIL
    assert found.detail.startswith('left_middle_')
    assert 'coxae, which begin in the body, are left out' in found.detail


@pytest.mark.parametrize(
    ('thickness', 'resting', 'walking', 'verdicts'),
    [
        ('50 mm', 0.005, 0.060, ['pass', 'pass']),
        ('60 mm', 0.0, 0.055, ['pass', 'pass']),
        ('63 mm', -0.0015, 0.0535, ['tight', 'pass']),
        ('120 mm', -0.030, 0.025, ['fail', 'tight']),
        ('162 mm', -0.051, 0.004, ['fail', 'fail']),
    ],
)
def test_the_underside_is_half_the_thickness_below_the_mounts(
    tmp_path: Path, thickness: str, resting: float, walking: float, verdicts: list[str]
) -> None:
    """By hand from 30 and 85 mm: in the ground it fails, lower than feet are lifted it is tight."""
    robot = robot_with(tmp_path, ('130 mm, 50 mm]', f'130 mm, {thickness}]'))
    found = ground_findings(robot, LIFT)
    assert [each.value for each in found] == pytest.approx([resting, walking])
    assert [each.verdict for each in found] == verdicts
