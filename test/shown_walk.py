# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A walk of the example robot in lock step, as messages for the page."""

from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.translation.messages import quaternion
from leg_kinematics.robot import Vector
from leg_kinematics.robot.urdf import urdf
from leg_kinematics.solver import leg_solvers
from leg_kinematics.view.messages import Frame, Joint, Leg, Pose, Robot, Velocity

if TYPE_CHECKING:
    from test import watched
else:
    import watched


@cache
def shown_walk() -> tuple[Robot, tuple[Frame, ...]]:
    """Walk a curve for four seconds; give the robot, and frames every 0.1 s."""
    robot, maps = watched.bracken()
    solvers = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
    joints = [
        Joint(name, link.lower, link.upper, None, None)
        for leg in robot.legs
        for name, link in zip(leg.joints, leg.links, strict=True)
    ]
    legs = [
        Leg(leg.name, (3 * index, 3 * index + 1, 3 * index + 2))
        for index, leg in enumerate(robot.legs)
    ]
    told = Robot(robot.name, '/', urdf(robot), tuple(legs), tuple(joints))

    life = LockStep(robot, maps, LockStepParameters())
    life.driving.configure()
    life.run(0.1)
    life.driving.activate()
    life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)
    life.run(0.1)
    assert life.walking.stand(life.now).success
    life.run(4.0)
    life.command = Twist(0.05, 0.02, 0.3)
    frames = []
    for tick in range(round(4.0 / life.tick)):
        walked = life.step().walked
        if tick % round(0.1 / life.tick):
            continue
        assert walked is not None
        assert walked.targets is not None
        motion = walked.odometry[-1].motion
        angles = life.driving.positions
        feet: list[Vector] = [
            solver.foot((angles[a], angles[b], angles[c]))
            for solver, (a, b, c) in zip(solvers, (leg.joints for leg in legs), strict=True)
        ]
        frames.append(
            Frame(
                at=life.now,
                power=life.driving.state,
                angles=tuple(angles),
                base=Pose(motion.position, quaternion(motion.rpy)),
                feet=tuple(feet),
                foot_targets=tuple(walked.targets.feet[0]),
                walked=Velocity(motion.linear[0], motion.linear[1], motion.angular[2]),
            )
        )
    assert all(one.at < other.at for one, other in pairwise(frames))
    return told, tuple(frames)
