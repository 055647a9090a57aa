# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How many times faster than the robot lock step walks it.

Nothing fails for being slow; the line printed says whether the bar is met.
"""

import time
from pathlib import Path
from statistics import median

import pytest

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.gait import Twist
from leg_kinematics.robot import load_robot

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]

CONFIG = Path(__file__).parents[2] / 'config'

BAR = 20.0


@pytest.mark.parametrize('linked', [False, True])
def test_bracken_walks_faster_than_time(*, linked: bool) -> None:
    """Walking at 100 Hz, in blocks of two seconds."""
    robot = load_robot(CONFIG / 'robots' / 'bracken.yaml')
    maps = load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', robot)
    walking = WalkingParameters(preview=0.07 if linked else 0.0)
    life = LockStep(robot, maps, LockStepParameters(walking=walking, linked=linked))
    life.driving.configure()
    life.run(0.1)
    life.driving.activate()
    life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)
    life.run(0.1)
    assert life.walking.stand(life.now).success
    life.run_until(lambda: life.walking.condition(life.now).state == 'standing')
    life.command = Twist(x=0.08, yaw=0.1)
    ratios = []
    for _ in range(15):
        begun = time.perf_counter()
        life.run(2.0)
        ratios.append(2.0 / (time.perf_counter() - begun))
    assert life.walking.condition(life.now).state == 'walking'
    met = 'met' if median(ratios) >= BAR else 'NOT met'
    print(
        f'\nlock step, {"linked" if linked else "direct"}: {median(ratios):.0f} times real time '
        f'(from {min(ratios):.0f} to {max(ratios):.0f}); {BAR:.0f} times is {met}'
    )
