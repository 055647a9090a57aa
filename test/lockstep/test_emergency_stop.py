# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The emergency stop of the bridge: it takes power in every state, and gives none."""

from collections.abc import Callable

import pytest

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.emergency_stops import EmergencyStops
from leg_kinematics.chain.lockstep import LockStep
from leg_kinematics.chain.power import PowerState
from leg_kinematics.robot import Robot


def unconfigured(life: LockStep) -> None:
    """Order nothing yet."""
    life.run(0.1)


def unpowered(life: LockStep) -> None:
    """Find the boards, and give no servo pulses."""
    life.driving.configure()
    life.run(0.2)
    assert life.driving.state is PowerState.UNPOWERED


def enabling(life: LockStep) -> None:
    """Give some legs their pulses."""
    unpowered(life)
    life.driving.activate()
    life.run(0.5)
    assert life.driving.state is PowerState.ENABLING
    assert life.pulses_us('main')


def following(life: LockStep) -> None:
    """Give every leg its pulses."""
    unpowered(life)
    life.driving.activate()
    life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)


def holding(life: LockStep) -> None:
    """Deactivate the bridge."""
    following(life)
    life.driving.deactivate()
    life.run(0.1)
    assert life.driving.state is PowerState.HOLDING


def released(life: LockStep) -> None:
    """Release before the emergency stop does."""
    following(life)
    life.driving.release()
    life.run(0.1)


@pytest.mark.parametrize(
    'come_to', [unconfigured, unpowered, enabling, following, holding, released]
)
def test_it_releases_in_every_state_and_gives_no_power(
    bracken: Robot, bracken_maps: ServoMaps, come_to: Callable[[LockStep], None]
) -> None:
    """No order gives power while it is on; off it gives none either; then rearm does."""
    life = LockStep(bracken, bracken_maps)
    come_to(life)
    driving = life.driving
    words = driving.set_emergency_stop(on=True).words
    assert words.startswith('the emergency stop is on: ')
    life.run(0.3)
    assert driving.state is PowerState.RELEASED
    assert not life.pulses_us('main')
    driving.configure()
    life.run(0.2)
    driving.activate()
    answer = driving.rearm()
    assert not answer.success
    assert answer.words.startswith(
        'not rearmed: the emergency stop is on; everybody who switched it'
    )
    life.run(2.0)
    assert not life.pulses_us('main')
    assert 'already' in driving.set_emergency_stop(on=True).words
    answer = driving.set_emergency_stop(on=False)
    assert answer.words == 'the emergency stop is off; the pulses stay off until bridge/rearm'
    life.run(2.0)
    assert driving.state is PowerState.RELEASED
    assert not life.pulses_us('main')
    assert driving.rearm().success
    life.run_until(lambda: driving.state is PowerState.FOLLOWING)


def test_what_takes_the_power_is_told(bracken: Robot, bracken_maps: ServoMaps) -> None:
    """In the condition of the bridge; told again it costs no further loss of power."""
    life = LockStep(bracken, bracken_maps)
    following(life)
    life.driving.set_emergency_stop(on=True)
    assert 'the emergency stop was switched on' in str(life.driving.condition())
    losses = life.driving.report().losses
    life.driving.set_emergency_stop(on=True)
    assert life.driving.report().losses == losses


def test_it_releases_a_robot_whose_board_is_out_of_reach(
    bracken: Robot, bracken_maps: ServoMaps
) -> None:
    """As soon as the cable is back; the answer does not claim what was not done."""
    life = LockStep(bracken, bracken_maps)
    following(life)
    life.lines['main'].plugged = False
    life.run(1.0)
    answer = life.driving.set_emergency_stop(on=True)
    assert not answer.success
    life.lines['main'].plugged = True
    life.run(5.0)
    assert not life.pulses_us('main')


def test_each_sender_lifts_its_own() -> None:
    """Two hold it, and one lifts his: it stays on until the other does."""
    stops = EmergencyStops()
    there = {b'pad', b'page'}
    stops.hear(b'pad', on=True, there=there)
    stops.hear(b'page', on=True, there=there)
    stops.hear(b'pad', on=False, there=there)
    assert stops.on
    # Said again it lifts nothing of the other one.
    stops.hear(b'pad', on=False, there=there)
    assert stops.on
    stops.hear(b'page', on=False, there=there)
    assert not stops.on


def test_a_sender_that_has_left_holds_until_somebody_lifts() -> None:
    """Such as a command that said it once and ended; leaving lifts nothing."""
    stops = EmergencyStops()
    stops.hear(b'once', on=True, there={b'once'})
    stops.hear(b'page', on=True, there={b'page'})
    stops.hear(b'other', on=False, there={b'page', b'other'})
    assert stops.count == 1
    stops.hear(b'page', on=False, there={b'page'})
    assert not stops.on


def test_senders_that_nobody_can_tell_apart_count_as_one() -> None:
    """Where the middleware does not say who they are, the latest value counts."""
    stops = EmergencyStops()
    stops.hear(b'', on=True, there={b'pad', b'page'})
    stops.hear(b'', on=False, there={b'pad', b'page'})
    assert not stops.on
