# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Two robots on one network, each in its namespace: neither obeys what the other is told."""

from typing import TYPE_CHECKING

from leg_kinematics.chain.power import PowerState

if TYPE_CHECKING:
    from test.chain.conftest import StartChain

#: Poses in which a robot that is led would be seen to move.
STILL = 20


def test_each_goes_its_own_way(start_chain: 'StartChain') -> None:
    """One walks while the other stands, and walks on while the other is released and rearmed."""
    walker, other = start_chain(), start_chain()
    for scene in (walker, other):
        scene.operator.bring_up()
        scene.operator.stand()
        scene.begin()

    def poses_of_other() -> list[tuple[tuple[int, float], ...]]:
        return [tuple(record.pulses_us.items()) for record in other.log.poses(other.since)]

    def stands_still() -> bool:
        # What is told of the walk is ahead of the servos by its preview.
        latest = poses_of_other()[-STILL:]
        return len(latest) == STILL and len(set(latest)) == 1

    walker.until(stands_still, 'the other standing still')
    before = len(poses_of_other())
    walker.walk_on()
    assert len(poses_of_other()) > before + STILL
    assert len(set(poses_of_other()[before - 1 :])) == 1

    other.operator.call('bridge/release')
    other.operator.wait_for_power(PowerState.RELEASED)
    other.operator.rearm()
    other.operator.wait_for_power(PowerState.FOLLOWING)
    walker.walk_on()
    assert {record.event for record in walker.log.records(walker.since)} == {'pose'}
    assert {'release', 'enable'} <= {record.event for record in other.log.records(other.since)}
    walker.assert_no_jump()
