# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A random drive as joint trajectories, replayed by MuJoCo's kinematics: the feet agree.

The way is that of the running chain without its wires: gait, `foot_targets`, inverse kinematics,
`joint_trajectory`, both messages serialised. MuJoCo has the robot from our URDF, its body held.
"""

import random
from collections.abc import Callable, Iterator
from contextlib import suppress

import mujoco
import numpy as np
import pytest

from leg_kinematics.chain.solving import Solving, SolvingParameters
from leg_kinematics.chain.values import FootTargets
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters, GaitSample, Offset, Twist, Walker
from leg_kinematics.nodes.translation.streams import FootTrajectories, JointTrajectories
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.robot.urdf import urdf
from leg_kinematics.solver import LegSolver

TICK = 0.01

#: Rounding of two forward kinematics and an inverse in between, m.
AGREEMENT = 1e-12

CROUCH_SHARE = 0.05


def drive(walker: Walker, seconds: float, seed: int) -> Iterator[GaitSample]:
    """Drive at random: any direction, duty factor and body offset, now and then down and up again.

    A body offset in which a foot could not walk is refused, and left out as the node does.
    """
    chance = random.Random(seed)
    while seconds > 0.0:
        hold = chance.uniform(0.3, 4.0)
        command = Twist(
            chance.uniform(-0.2, 0.2), chance.uniform(-0.2, 0.2), chance.uniform(-0.8, 0.8)
        )
        command = command.scaled(chance.choice((0.0, 0.3, 1.0)))
        crouches = chance.random() < CROUCH_SHARE
        if crouches:
            walker.crouch()
            hold = 8.0
        else:
            walker.stand()
            angles = (chance.uniform(-0.1, 0.1) for _ in range(3))
            shift = (chance.uniform(-0.015, 0.015) for _ in range(3))
            with suppress(CommandError):
                walker.offset_body(Offset(vector(shift), vector(angles)))
        for _ in range(round(hold / TICK)):
            yield walker.step(TICK, command)
        seconds -= hold


def vector(numbers: Iterator[float]) -> Vector:
    """Take three numbers."""
    return (next(numbers), next(numbers), next(numbers))


def joint_trajectory(
    robot: Robot, legs: tuple[LegSolver, ...], sample: GaitSample
) -> tuple[float, ...]:
    """Send a tick through both messages of the chain; return the joint angles that arrive."""
    targets = FootTargets(1, robot.leg_names, (0.0,), (sample.feet,), (sample.velocities,))
    feet = FootTrajectories(robot.leg_names)
    joints = JointTrajectories(robot.joints)
    solved = Solving(robot, legs, SolvingParameters()).solve(feet.read(feet.write(targets)))
    return joints.read(joints.write(solved)).trajectory.positions[0]


@pytest.mark.parametrize(
    ('seconds', 'seed'),
    [
        (20.0, 1),
        pytest.param(600.0, 2, marks=[pytest.mark.soak, pytest.mark.timeout(600)]),
    ],
)
def test_a_random_drive_replayed_by_mujoco(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    stand_up: Callable[[GaitParameters], Walker],
    seconds: float,
    seed: int,
) -> None:
    """Each foot is where the gait wants it, at every tick."""
    spec = mujoco.MjSpec.from_string(urdf(bracken))
    spec.compiler.fusestatic = False
    model = spec.compile()
    data = mujoco.MjData(model)
    feet = [model.body(f'{leg.name}_foot').id for leg in bracken.legs]
    order = [model.joint(joint).qposadr[0] for joint in bracken.joints]
    worst, walked = 0.0, 0.0
    for sample in drive(stand_up(GaitParameters()), seconds, seed):
        data.qpos[order] = joint_trajectory(bracken, bracken_legs, sample)
        mujoco.mj_kinematics(model, data)
        away = np.linalg.norm(data.xpos[feet] - np.array(sample.feet), axis=1).max()
        assert away < AGREEMENT
        worst = max(worst, float(away))
        walked += sample.twist.speed * TICK
    assert walked > 0.02 * seconds
    assert worst > 0.0
