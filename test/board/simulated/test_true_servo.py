# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Servos as they come out of a bag, and the protractor; computed by hand."""

import json
from pathlib import Path
from random import Random

import pytest

from leg_kinematics.board.simulated.true_servo import (
    Protractor,
    TrueJoint,
    TrueServo,
    load_true_servos,
    save_true_servos,
)
from leg_kinematics.errors import BoardError


def joint_at(pulse_us: float, truth: TrueServo) -> TrueJoint:
    """Let a servo come to rest at a pulse, from wherever it stood."""
    joint = TrueJoint(truth)
    joint.advance(pulse_us, 10.0)
    return joint


@pytest.mark.parametrize(
    ('gain', 'horn_offset', 'pulse_us', 'angle'),
    [(10.0, 0.0, 1700.0, 20.0), (-10.0, 0.0, 1700.0, -20.0), (8.0, 25.0, 1420.0, 15.0)],
)
def test_gain_and_horn(gain: float, horn_offset: float, pulse_us: float, angle: float) -> None:
    """The pulse from 1500 us, divided by the gain, on top of the horn."""
    truth = TrueServo(0, gain=gain, horn_offset=horn_offset, dead_band_us=0.0)
    assert joint_at(pulse_us, truth).angle == pytest.approx(angle)


def test_a_bent_servo_departs_from_the_line() -> None:
    """By as much as told, 500 us from the middle, and by nothing in the middle."""
    truth = TrueServo(0, gain=10.0, bend=3.0)
    assert truth.angle(2000.0) == pytest.approx(53.0)
    assert truth.angle(1000.0) == pytest.approx(-53.0)
    assert truth.angle(1500.0) == 0.0


def test_slack_is_seen_between_both_ways() -> None:
    """The shaft has to take up the slack before the joint follows: 1 deg of it here."""
    truth = TrueServo(0, gain=10.0, slack=1.0, dead_band_us=0.0)
    joint = joint_at(1400.0, truth)
    joint.advance(1600.0, 10.0)
    assert joint.angle == pytest.approx(9.5)
    joint.advance(1595.0, 10.0)
    assert joint.angle == pytest.approx(9.5)
    joint.advance(1700.0, 10.0)
    joint.advance(1600.0, 10.0)
    assert joint.angle == pytest.approx(10.5)


def test_a_stop_ends_the_way() -> None:
    """And the pulse beyond it is what presses; within the stops nothing does."""
    joint = joint_at(1900.0, TrueServo(0, gain=10.0, stops_us=(1200.0, 1800.0), dead_band_us=0.0))
    assert (joint.position_us, joint.angle, joint.pressed_us) == (1800.0, 30.0, 100.0)
    joint.advance(1150.0, 10.0)
    assert (joint.angle, joint.pressed_us) == (-30.0, 50.0)
    joint.advance(1150.0 + 50.0, 10.0)
    assert joint.pressed_us == 0.0
    joint.advance(1900.0, 10.0)
    joint.advance(None, 1.0)
    assert joint.pressed_us == 0.0


def test_a_dead_servo_does_not_turn() -> None:
    """At no pulse."""
    assert joint_at(2000.0, TrueServo(0, dead=True, horn_offset=7.0)).angle == 7.0


def test_a_servo_that_binds_moves_in_jerks() -> None:
    """It stays until the pulse is far enough away, and then goes all the way."""
    joint = joint_at(1530.0, TrueServo(0, sticks_us=40.0, dead_band_us=0.0))
    assert joint.position_us == 1500.0
    joint.advance(1541.0, 0.005)
    assert joint.position_us == pytest.approx(1520.0)
    joint.advance(1541.0, 1.0)
    assert joint.position_us == pytest.approx(1541.0)
    joint.advance(1560.0, 1.0)
    assert joint.position_us == pytest.approx(1541.0)


def test_it_runs_to_its_first_pulse_from_where_it_stood() -> None:
    """At its speed, 4000 us/s: 40 us in 10 ms."""
    joint = TrueJoint(TrueServo(0, gain=10.0, stood_us=1000.0))
    assert joint.angle == -50.0
    joint.advance(2000.0, 0.01)
    assert joint.position_us == pytest.approx(1040.0)


def test_what_is_drawn_is_written_and_read_again(tmp_path: Path) -> None:
    """The same servos, whose numbers are within the spans that the issue of calibration has."""
    path = tmp_path / 'servos.json'
    drawn = load_true_servos(path)
    assert load_true_servos(path) == drawn
    assert len(drawn) == 18
    for channel, truth in drawn.items():
        assert truth.joint == channel
        assert 8.0 <= abs(truth.gain) <= 14.0
        assert abs(truth.horn_offset) <= 25.0
    assert len({truth.gain > 0.0 for truth in drawn.values()}) == 2


@pytest.mark.parametrize('text', ['', '[]', '{"a": {}}', '{"0": {"jont": 0}}', '{"0": 3}', '\x00'])
def test_another_file_is_refused(tmp_path: Path, text: str) -> None:
    """With what to do, and it stays as it was."""
    path = tmp_path / 'servos.json'
    path.write_text(text)
    with pytest.raises(BoardError, match='delete it'):
        load_true_servos(path)
    assert path.read_text() == text


def test_the_protractor_shows_joints_and_not_channels(tmp_path: Path) -> None:
    """With two plugs swapped, another joint turns; a file that is swapped can be written, too."""
    truths = {3: TrueServo(4, gain=10.0), 4: TrueServo(3, gain=10.0, horn_offset=1.0)}
    save_true_servos(tmp_path / 'servos.json', truths)
    read = load_true_servos(tmp_path / 'servos.json')
    assert read == truths
    joints = {channel: TrueJoint(truth) for channel, truth in read.items()}
    protractor = Protractor(tmp_path / 'angles.json', joints)
    joints[3].advance(1602.5, 10.0)
    protractor.show()
    assert json.loads((tmp_path / 'angles.json').read_text()) == {'3': 1.0, '4': 10.0}


def test_drawn_servos_have_stops_beyond_the_middle() -> None:
    """So that each can be powered in the middle of its range without touching anything."""
    for seed in range(200):
        truth = TrueServo.draw(0, Random(seed))
        assert truth.stops_us[0] < 1500.0 < truth.stops_us[1]
