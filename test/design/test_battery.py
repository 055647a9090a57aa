# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Current and minutes from the description, or what the description lacks for them."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from leg_kinematics.commands.main import main
from leg_kinematics.design.battery import IDLE, USED, battery_findings, currents_of, lasting
from leg_kinematics.design.finding import Finding, Verdict
from leg_kinematics.robot import Battery, load_robot
from leg_kinematics.solver import leg_solvers, posture_angles

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'

#: A function that asks for the minutes of bracken with texts replaced.
Ask = Callable[..., tuple[list[Finding], str]]


def written(folder: Path, *changes: tuple[str, str]) -> Path:
    """Write bracken with something changed."""
    text = BRACKEN.read_text(encoding='utf-8')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = folder / 'robot.yaml'
    file.write_text(text, encoding='utf-8')
    return file


@pytest.fixture
def ask(tmp_path: Path) -> Ask:
    """Return a function that asks a changed bracken how long it stands."""

    def asked(*changes: tuple[str, str]) -> tuple[list[Finding], str]:
        robot = load_robot(written(tmp_path, *changes))
        legs = leg_solvers(robot)
        return battery_findings(robot, legs, posture_angles(robot, legs, 'standing'), ())

    return asked


def minutes(found: tuple[list[Finding], str]) -> float:
    """Read the only value."""
    ((finding,), _) = found
    assert finding.value is not None
    return finding.value / 60.0


def test_currents_and_time_by_hand() -> None:
    """Two servos of 2 A and 1 A at half and a quarter of stall torque, one without load.

    1.25 A and three times the idle current; 3 Ah of which the usable share lasts so long.
    """
    shares = np.array([[[0.5, 0.25, 0.0]], [[0.0, 0.0, 0.0]]])
    currents = currents_of(shares, np.array([[2.0, 1.0, 4.0]]))
    assert currents == pytest.approx([1.25 + 3 * IDLE, 3 * IDLE])
    hours = 3.0 * USED / (0.625 + 3 * IDLE)
    assert lasting(Battery(3.0 * 3600.0, 7.4), currents) == pytest.approx(hours * 3600.0)


def test_twice_the_capacity_lasts_twice_as_long(ask: Ask) -> None:
    """5000 mAh are 5 Ah, and half of 10 Ah."""
    assert minutes(ask(('5000 mAh', '5 Ah'))) == pytest.approx(minutes(ask()))
    assert minutes(ask(('5000 mAh', '10 Ah'))) == pytest.approx(2.0 * minutes(ask()))


def test_a_servo_that_draws_more_lasts_shorter(ask: Ask) -> None:
    """With twice the stall current the loads draw twice as much, and the idle current stays."""
    drawn = [5.0 * USED * 60.0 / minutes(ask(('2.5 A', current))) for current in ('2.5 A', '5 A')]
    idle = 18 * IDLE
    assert drawn[1] - idle == pytest.approx(2.0 * (drawn[0] - idle))


def test_a_small_battery_fails(ask: Ask) -> None:
    """100 mAh last for little more than a minute."""
    ((finding,), _) = ask(('5000 mAh', '100 mAh'))
    assert finding.verdict is Verdict.FAIL
    assert 'with all servos stalled 45 A' in finding.detail


@pytest.mark.parametrize(
    ('changes', 'wanted'),
    [
        ((('battery:\n  capacity: 5000 mAh\n  voltage: 7.4 V  ', '#'),), 'battery: {capacity:'),
        ((('    stall_current: 2.5 A', '    #'),), 'servos.standard.stall_current: 2 A'),
    ],
)
def test_what_is_missing_is_told(
    ask: Ask, tmp_path: Path, changes: tuple[tuple[str, str], ...], wanted: str
) -> None:
    """A description may leave both out; then the report says what to add, and fails nothing."""
    findings, remark = ask(*changes)
    assert findings == []
    assert str(tmp_path / 'robot.yaml') in remark
    assert wanted in remark


def test_the_command_tells_what_was_assumed(tmp_path: Path) -> None:
    """For people and for scripts."""
    arguments = ['check', str(BRACKEN), '--output', str(tmp_path)]
    done = CliRunner().invoke(main, arguments, env={'COLUMNS': '200'})
    assert 'note battery: of postures held still' in done.stdout
    told = json.loads(CliRunner().invoke(main, [*arguments, '--json']).stdout)
    assert told['remarks'][0].startswith('battery: of postures held still')
    names = [each['name'] for each in told['findings'] if each['group'] == 'battery']
    assert names == ['standing', 'walking forward']
