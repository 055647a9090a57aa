# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The three nodes in one process: stages hand values on, and topics are for whoever listens."""

import sys
from collections import deque
from collections.abc import Iterator, Mapping
from time import monotonic

from rclpy.node import Node

from leg_kinematics.chain.chain import Chain
from leg_kinematics.chain.values import NANOSECONDS, FootTargets, JointTargets
from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.gait_node import GaitNode
from leg_kinematics.nodes.kinematics_node import Feet, KinematicsNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.running.process import run
from leg_kinematics.parameters import Value

#: Targets of our own that are remembered, of either kind.
REMEMBERED_TARGETS = 64

Rows = tuple[tuple[float, ...], ...]


def one_process(files: Mapping[str, Value], bridge_values: Mapping[str, Value]) -> Iterator[Node]:
    """Make the three nodes, each when it is asked for, and have the last one tick.

    Parameters
    ----------
    files
        Parameters of every node.
    bridge_values
        Of the bridge.

    """
    kinematics = KinematicsNode(as_overrides(files), direct=True)
    yield kinematics
    gait = GaitNode(as_overrides(files), direct=True)
    yield gait
    bridge = BridgeNode(as_overrides(bridge_values), ticks=False)
    yield bridge
    if bridge.rate != gait.rate:
        raise CommandError(
            f"in one process 'rate' of the gait and of the bridge must be the same, got "
            f'{gait.rate:g} and {bridge.rate:g} Hz'
        )
    chain = Chain(gait.stage, kinematics.stage, bridge.driving)

    # When somebody listens to our own targets we hear them too, and know them: those of the gait by
    # their stamps, those of the joints, which may have no stamp, by where they lead as well.
    told_feet: deque[int] = deque(maxlen=REMEMBERED_TARGETS)
    told_joints: deque[tuple[int, Rows]] = deque(maxlen=REMEMBERED_TARGETS)

    def tell(stamp: int, joints: JointTargets | None, feet: Feet | None) -> None:
        if joints is not None:
            told_joints.append((joints.stamp, joints.trajectory.positions))
        kinematics.tell(stamp, joints, feet)

    def solve(targets: FootTargets) -> None:
        """Take foot targets of somebody else."""
        now = monotonic()
        if targets.stamp not in told_feet:
            stamp = round(now * NANOSECONDS) + gait.clock_offset()
            tell(stamp, chain.pass_on(targets, now), None)

    def follow(targets: JointTargets) -> None:
        """Take joint targets of somebody else."""
        if (targets.stamp, targets.trajectory.positions) not in told_joints:
            bridge.driving.follow(targets, monotonic())

    def tick() -> None:
        now, offset = monotonic(), gait.clock_offset()
        step = chain.step(now, offset)
        if step.walked is not None and step.walked.targets is not None:
            told_feet.append(step.walked.targets.stamp)
        gait.tell(step.walked)
        tell(round(chain.at * NANOSECONDS) + offset, step.joints, step.feet)
        bridge.tell(now, chain.at)

    kinematics.pass_on = solve
    bridge.pass_on = follow
    bridge.create_timer(1.0 / gait.rate, tick)


def main() -> None:
    """Run all nodes as one process."""
    sys.exit(run(lambda: one_process({}, {})))


if __name__ == '__main__':
    main()
