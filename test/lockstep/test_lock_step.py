# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The whole robot in lock step: the same orders give the same pulses, and time is its own."""

import hashlib
import os
import struct
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Record
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.driving import DrivingParameters
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.gait import Twist
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test.watched import WatchedRobot, bracken, pair_of_legs
else:
    from watched import WatchedRobot, bracken, pair_of_legs


def digest_of_a_life(*, linked: bool) -> str:
    """Live a life with all kinds of trouble, and digest every pulse of every tick, bit by bit."""
    robot, maps = bracken()
    walking = WalkingParameters(preview=0.07 if linked else 0.0)
    life = LockStep(robot, maps, LockStepParameters(walking=walking, linked=linked))
    digest = hashlib.sha256()

    def run(seconds: float) -> None:
        for _ in range(round(seconds / life.tick)):
            life.step()
            for channel, pulse in life.pulses_us('main').items():
                digest.update(struct.pack('<id', channel, pulse))
            digest.update(str(life.walking.sample).encode())

    life.driving.configure()
    run(0.1)
    life.driving.activate()
    run(2.0)
    life.walking.stand(life.now)
    run(2.5)
    life.command = Twist(0.06, 0.02, 0.2)
    run(1.7)
    life.lines['main'].cut = True
    run(0.4)
    life.lines['main'].cut = False
    run(1.5)
    life.driving.release()
    run(0.5)
    life.driving.rearm()
    run(2.5)
    life.walking.stand(life.now)
    run(3.0)
    return digest.hexdigest()


@pytest.mark.parametrize('linked', [False, True])
def test_the_same_orders_give_the_same_pulses(*, linked: bool) -> None:
    """Twice here, and once in a process that hashes otherwise: the same to the last bit."""
    here = digest_of_a_life(linked=linked)
    assert digest_of_a_life(linked=linked) == here
    root = Path(__file__).parents[2]
    script = (
        'import importlib.util, sys\n'
        f'spec = importlib.util.spec_from_file_location("life", {__file__!r})\n'
        'module = importlib.util.module_from_spec(spec)\n'
        'sys.modules["life"] = module\n'
        'spec.loader.exec_module(module)\n'
        f'print(module.digest_of_a_life(linked={linked}))\n'
    )
    seed = '1' if os.environ.get('PYTHONHASHSEED') != '1' else '2'
    path = os.pathsep.join(str(each) for each in (root, root / 'test'))
    elsewhere = subprocess.run(
        [sys.executable, '-c', script],
        env={**os.environ, 'PYTHONHASHSEED': seed, 'PYTHONPATH': path},
        capture_output=True,
        text=True,
        check=True,
    )
    assert elsewhere.stdout.strip() == here


def test_a_copy_lives_the_same_life(bracken: Robot, bracken_maps: ServoMaps) -> None:
    """What the explorations stand on: a copy goes on as its original does, and apart from it."""
    robot = WatchedRobot(bracken, bracken_maps)
    robot.bring_up()
    robot.stand_up()
    robot.walk()
    copy = robot.copy()
    other = robot.copy()
    other.life.driving.release()
    other.run(0.5)
    copy.run(0.7)
    robot.run(0.7)
    assert copy.outputs == robot.outputs
    assert copy.life.walking.sample == robot.life.walking.sample
    assert copy.life.driving.report() == robot.life.driving.report()
    assert other.outputs == {}


def test_time_is_counted_in_ticks(bracken: Robot, bracken_maps: ServoMaps) -> None:
    """It begins at 1 s and no rounding adds up."""
    life = LockStep(bracken, bracken_maps)
    assert life.now == 1.0
    for _ in range(12345):
        life._count += 1  # noqa: SLF001
    assert life.now == 1.0 + 12345 * 0.01


def test_waiting_in_vain_says_what_was_there(bracken: Robot, bracken_maps: ServoMaps) -> None:
    """A condition that never comes ends the wait, with the conditions of the stages."""
    life = LockStep(bracken, bracken_maps)
    with pytest.raises(TimeoutError, match=r'not within 0\.5 s; bridge unconfigured'):
        life.run_until(lambda: False, 0.5)


def test_boards_record_what_they_are_told() -> None:
    """By the name of the board, in simulated time."""
    robot, maps = pair_of_legs()
    records: list[tuple[str, Record]] = []
    life = LockStep(
        robot,
        maps,
        LockStepParameters(driving=DrivingParameters(enable_interval=0.1)),
        record=lambda name, record: records.append((name, record)),
    )
    life.driving.configure()
    life.run(0.1)
    life.driving.activate()
    life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)
    enables = [(name, record) for name, record in records if record.event == 'enable']
    assert [name for name, _ in enables] == ['left', 'right']
    assert enables[1][1].time - enables[0][1].time == pytest.approx(0.1, abs=0.0101)
    assert {name for name, record in records if record.event == 'boot'} == {'left', 'right'}


@pytest.mark.parametrize('linked', [False, True])
def test_a_velocity_reaches_the_pulses(
    bracken: Robot, bracken_maps: ServoMaps, *, linked: bool
) -> None:
    """Handed on directly within the tick; over links within preview and a tick."""
    walking = WalkingParameters(preview=0.07 if linked else 0.0)
    life = LockStep(bracken, bracken_maps, LockStepParameters(walking=walking, linked=linked))
    life.driving.configure()
    life.run(0.1)
    life.driving.activate()
    life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)
    life.run(0.1)
    life.walking.stand(life.now)
    life.run_until(lambda: life.walking.condition(life.now).state == 'standing')
    life.run(0.3)
    before = life.pulses_us('main')
    life.command = Twist(x=0.1)
    ticks = 0
    while life.pulses_us('main') == before:
        life.step()
        ticks += 1
    # From rest a pulse of half a microsecond takes a few ticks of acceleration by itself.
    still = 3
    assert ticks <= still + (8 if linked else 0)
