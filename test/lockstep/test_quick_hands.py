# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody who releases, rearms and stands up as fast as he is obeyed."""

import pytest

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.driving import DrivingParameters
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.gait import Twist
from leg_kinematics.robot import Robot


@pytest.mark.parametrize('linked', [False, True])
@pytest.mark.parametrize('rate', [10.0, 100.0])
def test_a_walk_that_was_cut_off_is_none_of_the_next(
    bracken: Robot, bracken_maps: ServoMaps, rate: float, *, linked: bool
) -> None:
    """The legs have their pulses again within the pause that tells a new stream from an old one."""
    life = LockStep(
        bracken,
        bracken_maps,
        LockStepParameters(
            walking=WalkingParameters(rate=rate, preview=0.07 if linked else 0.0),
            driving=DrivingParameters(enable_interval=0.0),
            linked=linked,
        ),
    )
    life.driving.configure()
    life.run(0.1)
    life.driving.activate()
    for _ in range(2):
        life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)
        life.run_until(lambda: life.walking.stand(life.now).success)
        life.run_until(lambda: life.walking.condition(life.now).state == 'standing')
        life.command = Twist(x=0.08)
        life.run(1.3)
        assert life.driving.release().success
        life.run_until(lambda: life.driving.rearm().success)
