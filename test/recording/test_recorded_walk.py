# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A walk over several boards is measured from what each of them was told."""

from dataclasses import replace
from math import sin
from pathlib import Path

import numpy as np
import pytest
from nav_msgs.msg import Odometry

from leg_kinematics.board import Record
from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.chain.values import NANOSECONDS, FootTargets
from leg_kinematics.nodes.translation import messages
from leg_kinematics.recording.walk import foot_errors, read_walk
from leg_kinematics.robot import Robot, Vector, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers

CONFIG = Path(__file__).parents[2] / 'config'

TICK = 0.01
TICKS = 200

#: When each board hears of an instant, s after it: the second one a tick and a half later.
DELAYS = {'left': 0.010, 'right': 0.025}

#: Of the pulses of three joints, by rounding to half a microsecond, m.
ROUNDING = 0.5e-3


@pytest.fixture
def bracken() -> Robot:
    """Return the robot that ships with the package."""
    return load_robot(CONFIG / 'robots' / 'bracken.yaml')


@pytest.fixture
def maps(bracken: Robot) -> ServoMaps:
    """Return its servo maps, with the right legs on a board of their own."""
    maps = load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', bracken)
    return replace(
        maps,
        maps=tuple(replace(each, board=each.joint.partition('_')[0]) for each in maps.maps),
    )


def feet_at(robot: Robot, time: float) -> list[Vector]:
    """All feet swing to and fro, at 60 mm/s at most."""
    return [(x + 0.02 * sin(3.0 * time), y, z) for x, y, z in robot.standing.feet]


def targets(robot: Robot, time: float) -> FootTargets:
    """Tell where the feet shall be at an instant, and how fast."""
    later, earlier = feet_at(robot, time + 1e-5), feet_at(robot, time - 1e-5)
    speeds: list[Vector] = [
        ((a[0] - b[0]) / 2e-5, 0.0, 0.0) for a, b in zip(later, earlier, strict=True)
    ]
    return FootTargets(
        round(time * NANOSECONDS), robot.leg_names, (0.0,), [feet_at(robot, time)], [speeds]
    )


def records(
    robot: Robot, legs: tuple[LegSolver, ...], maps: ServoMaps, board: str, astray: float
) -> list[Record]:
    """Tell a board where its joints shall be, some of them astray, rad."""
    found = []
    for tick in range(TICKS):
        feet = feet_at(robot, tick * TICK)
        angles = [
            q + astray for leg, foot in zip(legs, feet, strict=True) for q in leg.angles(foot)
        ]
        pulses = {
            each.channel: each.pulse_us(angle)
            for each, angle in zip(maps.maps, angles, strict=True)
            if each.board == board
        }
        found.append(Record(tick * TICK + DELAYS[board], 'pose', pulses_us=pulses))
    return found


@pytest.mark.parametrize('astray', [0.0, 0.02])
def test_feet_are_compared_board_by_board(bracken: Robot, maps: ServoMaps, astray: float) -> None:
    """A board that hears later is no error; a joint that is told to be elsewhere is one."""
    legs = leg_solvers(bracken)
    odometry = Odometry()
    walk = read_walk(
        legs,
        maps,
        [
            messages.foot_targets_message(targets(bracken, tick * TICK))
            for tick in range(TICKS + 60)
        ],
        [odometry, odometry],
        {
            'left': records(bracken, legs, maps, 'left', 0.0),
            'right': records(bracken, legs, maps, 'right', astray),
        },
        clock_offset=0.0,
    )
    assert walk.groups == ((0, 1, 2), (3, 4, 5))
    found = foot_errors(walk)
    worst = found.errors.max(axis=0)
    assert worst[:3].max() < ROUNDING
    # By hand: 0.02 rad of the coxa turn a foot by 2.5 mm or more, which is 0.125 m from it.
    if astray:
        assert worst[3:].min() > 2e-3
    else:
        assert worst[3:].max() < ROUNDING
    assert np.median(found.latencies) == pytest.approx(np.mean(list(DELAYS.values())), abs=0.02)
