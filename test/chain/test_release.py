# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Release in the middle of a walk, with real processes: off at once, and off for good."""

from collections.abc import Callable, Sequence

import pytest

from leg_kinematics.board import Record, read_log
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.chain import Chain
from leg_kinematics.commands.operator import Operator
from leg_kinematics.gait import Twist
from leg_kinematics.robot import Robot
from leg_kinematics.solver import leg_solvers, posture_angles

AHEAD = Twist(x=0.08)

RELEASED = 'released: pulses off until bridge/rearm'


def test_release_is_latched(
    bracken: Robot,
    servo_maps: ServoMaps,
    walking: tuple[Chain, Operator],
    assert_no_jump: Callable[[Sequence[Record]], None],
) -> None:
    """Nothing but rearm ends it, no stream and no restart of the board; then it starts at rest."""
    chain, operator = walking
    operator.call('bridge/release')
    operator.wait_for('bridge', RELEASED)
    operator.drive(AHEAD, 1.0, 'released')
    before = len(read_log(chain.pulse_log))
    assert chain.mock is not None
    chain.mock.end()
    operator.spin(lambda: operator.values['bridge']['main.state'] == 'lost', 'the loss')
    chain.start_mock()
    operator.spin(lambda: operator.values['bridge']['main.state'] == 'ready', 'the board again')
    operator.drive(AHEAD, 1.0, 'still released')
    assert operator.states['bridge'] == RELEASED

    records = read_log(chain.pulse_log)
    start = next(index for index, record in enumerate(records) if record.event == 'release')
    assert start < before < len(records)
    assert 'boot' in {record.event for record in records[before:]}
    assert {record.enabled for record in records[start:]} == {0}

    operator.call('bridge/rearm')
    operator.wait_for('bridge', 'active')
    after = read_log(chain.pulse_log)[len(records) :]
    enabled = [
        (channel, pulse)
        for record in after
        if record.event == 'enable'
        for channel, pulse in record.pulses_us.items()
    ]
    legs = leg_solvers(bracken, {each.joint: each.angle_range for each in servo_maps.maps})
    resting = [angle for leg in posture_angles(bracken, legs, 'resting') for angle in leg]
    assert [channel for channel, _ in enabled] == [each.channel for each in servo_maps.maps]
    assert [pulse for _, pulse in enabled] == [
        pytest.approx(each.pulse_us(angle), abs=0.25)
        for each, angle in zip(servo_maps.maps, resting, strict=True)
    ]
    operator.drive(AHEAD, 2.0, 'walking again')
    assert operator.states['gait'] == 'walking'
    assert_no_jump(read_log(chain.pulse_log))
