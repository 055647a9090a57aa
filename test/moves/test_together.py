# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The joints of a straight move set off in the same tick, and arrive in the same tick."""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.playing import PlayState
from leg_kinematics.moves.steps import FeetStep
from leg_kinematics.robot import load_robot

if TYPE_CHECKING:
    from test.played_robot import PlayedRobot
else:
    from played_robot import PlayedRobot

CONFIG = Path(__file__).parents[2] / 'config'

#: A joint that turns by less in a tick stands, rad.
STANDS = 1e-12


@pytest.mark.parametrize('name', ['bench_leg', 'bracken'])
def test_they_set_off_and_arrive_together(name: str) -> None:
    """To the tick, whatever way each of them has to go."""
    robot = load_robot(CONFIG / 'robots' / f'{name}.yaml')
    played = PlayedRobot(robot, load_servo_maps(CONFIG / 'servo_maps' / f'{name}.yaml', robot))
    place = Place(Frame.RESTING, x=0.03, y=-0.02, z=0.01)
    plan = played.planner.plan([FeetStep(dict.fromkeys(robot.leg_names, place))], played.feet)
    playing = played.take(plan)
    assert playing.play(played.life.now).success
    rows = [played.life.driving.positions]
    while playing.state is PlayState.PLAYING:
        played.step()
        rows.append(played.life.driving.positions)
    turning = np.abs(np.diff(np.array(rows), axis=0)) > STANDS
    assert turning.any(axis=0).all()
    first = turning.argmax(axis=0)
    last = len(turning) - turning[::-1].argmax(axis=0)
    assert set(first) == {first[0]}
    assert set(last) == {last[0]}
