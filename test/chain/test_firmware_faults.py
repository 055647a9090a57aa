# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Rows of the fault table that the shipped firmware answers for, judged by its pins."""

import signal
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Sequence
from itertools import pairwise
from math import inf
from time import monotonic
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import frames
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.chain import Chain
from leg_kinematics.commands.operator import Operator
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.parameters import BRIDGE
from leg_kinematics.robot import Robot
from leg_kinematics.solver import leg_solvers, posture_angles

if TYPE_CHECKING:
    from test.simulated_chip import ChipProcess, Pulse

AHEAD = Twist(x=0.08)

FRAME = 0.020
"""s between the pulses of a channel."""

ACCURACY_US = 2.0
"""Of a pulse, as the firmware's own tests have it."""

AT_REST = 0.05
"""rad from the resting posture, which a joint that catches up leaves by 0.02 rad in a frame."""

RECENTLY = 0.3
"""s for which a delay of the line may still show at the pins."""

SILENCE = 0.5
"""s, the setting of the board in these tests."""

WALKING_US = 20.0
"""The pulse of every channel sweeps more than this in a step."""

StartChain = Callable[..., tuple[Chain, Operator]]


def poses(chip: 'ChipProcess') -> list[tuple[float, tuple[float, ...]]]:
    """Give the poses that the chip has heard, and when."""
    return [
        (time, frame.message.pulses_us)
        for time, frame in chip.heard()
        if isinstance(frame.message, frames.Pose)
    ]


def sweeps(pulses: 'Sequence[Pulse]', since: float) -> dict[int, float]:
    """How far the pulse of each channel has gone up and down since then, us."""
    widths: dict[int, list[float]] = {}
    for pulse in pulses:
        if pulse.start > since:
            widths.setdefault(pulse.channel, []).append(pulse.width_us)
    return {channel: max(each) - min(each) for channel, each in widths.items()}


@pytest.fixture
def assert_no_step(
    bracken: Robot, servo_maps: ServoMaps, chip_process: 'ChipProcess'
) -> Callable[[float, float], None]:
    """Return a check that no servo was led faster than its limit from pulse to pulse.

    Between pulses lies the time of the poses behind them: up to a frame more than that of the
    pulses, and the longest that a busy machine has just let the board wait for a pose.
    """
    (share,) = [each.default for each in BRIDGE if each.name == 'speed_share']
    assert isinstance(share, float)
    speeds = [share * link.servo.speed for leg in bracken.legs for link in leg.links]

    def check(begin: float, end: float) -> None:
        pulses = [p for p in chip_process.pulses() if p.start > begin and p.end < end]
        told = [time for time, _ in poses(chip_process)]
        for each, speed in zip(servo_maps.maps, speeds, strict=True):
            of_channel = [pulse for pulse in pulses if pulse.channel == each.channel]
            for earlier, later in pairwise(of_channel):
                recent = told[
                    bisect_left(told, later.start - RECENTLY) : bisect_left(told, later.start)
                ]
                waited = max((b - a for a, b in pairwise(recent)), default=0.0)
                time = later.start - earlier.start + FRAME + waited
                before, after = each.angle(earlier.width_us), each.angle(later.width_us)
                assert abs(after - before) <= speed * time, f'{each.joint} at {later.start}'

    return check


def test_a_board_that_restarts_in_mid_step(  # noqa: PLR0917  fixtures
    bracken: Robot,
    servo_maps: ServoMaps,
    chip_process: 'ChipProcess',
    start_chain: StartChain,
    walk_into_a_step: Callable[[Operator], None],
    assert_no_step: Callable[[float, float], None],
    say: Callable[[str], None],
) -> None:
    """It starts silent; legs are enabled again one after another, at rest; then it walks on."""
    _, operator = start_chain(board=chip_process.port)
    operator.bring_up()
    operator.stand()
    walk_into_a_step(operator)
    struck = monotonic()
    chip_process.reset()
    operator.wait_for('bridge', 'enabling legs')
    noticed = monotonic() - struck
    operator.wait_for('bridge', 'active')
    again = monotonic() - struck
    operator.drive(AHEAD, 1.0, 'catching up')
    walking = monotonic()
    operator.drive(AHEAD, 1.2, 'walking on')
    assert operator.states['gait'] == 'walking'

    pulses = chip_process.pulses()
    heard = chip_process.heard()
    # Its pulses ended some time before the bridge greets it again.
    *_, found = [time for time, frame in heard if isinstance(frame.message, frames.Hello)]
    assert found > struck
    enabled: dict[int, float] = {}
    for time, frame in heard:
        if time > found and isinstance(frame.message, frames.Enable):
            for channel in sorted(frames.to_channels(frame.message.mask)):
                enabled.setdefault(channel, time)  # it may be asked again on a busy machine
    assert list(enabled) == [each.channel for each in servo_maps.maps]
    legs = leg_solvers(bracken, {each.joint: each.angle_range for each in servo_maps.maps})
    resting = [angle for leg in posture_angles(bracken, legs, 'resting') for angle in leg]
    for each, angle in zip(servo_maps.maps, resting, strict=True):
        first, *_ = [p for p in pulses if p.channel == each.channel and p.start > found]
        assert first.start > enabled[each.channel]
        # Those of the last leg may come when the stream is followed already, slowly.
        assert each.angle(first.width_us) == pytest.approx(angle, abs=AT_REST)
    assert_no_step(0.0, found)
    assert_no_step(found, inf)
    swept = sweeps(pulses, walking)
    assert min(swept[each.channel] for each in servo_maps.maps) > WALKING_US
    say(f"board restarted: 'enabling legs' after {noticed:.3f} s, 'active' after {again:.2f} s")


@pytest.mark.parametrize('reaction', [pytest.param('hold', marks=pytest.mark.soak), 'release'])
def test_a_bridge_that_is_killed(  # noqa: PLR0917  fixtures
    servo_maps: ServoMaps,
    chip_process: 'ChipProcess',
    start_chain: StartChain,
    walk_into_a_step: Callable[[Operator], None],
    assert_no_step: Callable[[float, float], None],
    say: Callable[[str], None],
    reaction: str,
) -> None:
    """The firmware acts by its setting, on time; a new bridge finds that and walks on."""
    chain, operator = start_chain(
        board=chip_process.port,
        bridge={'board_silence_reaction': reaction, 'board_silence': SILENCE},
    )
    operator.bring_up()
    operator.stand()
    walk_into_a_step(operator)
    chain.nodes['bridge'].send_signal(signal.SIGKILL)
    chain.nodes['bridge'].wait()
    operator.drive(AHEAD, SILENCE + 0.5, 'no bridge')
    last, pose = poses(chip_process)[-1]
    pulses = chip_process.pulses()
    after = [pulse for pulse in pulses if pulse.start > last + 2.0 * FRAME]
    for pulse in after:
        assert pulse.width_us == pytest.approx(pose[pulse.channel], abs=ACCURACY_US)
    assert {pulse.channel for pulse in after} == {each.channel for each in servo_maps.maps}
    # Frames tell the chip's own time, whatever the machine makes of it.
    each_channel = Counter(pulse.channel for pulse in pulses if pulse.start > last)
    if reaction == 'release':
        assert {abs(count - round(SILENCE / FRAME)) for count in each_channel.values()} <= {0, 1}
    else:
        assert all(count * FRAME > SILENCE + 0.3 for count in each_channel.values())
    end = FRAME * max(each_channel.values())
    killed = monotonic()
    operator.states.clear()
    chain.start('bridge')
    operator.wait_for('bridge', 'unconfigured')
    operator.bring_up()
    operator.drive(AHEAD, 1.0, 'catching up')
    walking = monotonic()
    operator.drive(AHEAD, 1.2, 'walking on')
    pulses = chip_process.pulses()
    if reaction == 'hold':
        assert_no_step(0.0, inf)
    else:
        assert_no_step(0.0, killed)
        assert_no_step(killed, inf)
    swept = sweeps(pulses, walking)
    assert min(swept[each.channel] for each in servo_maps.maps) > WALKING_US
    say(f'bridge killed, to {reaction} after {SILENCE} s: pulses {end:.2f} s after the last pose')


def test_release_in_mid_step(
    chip_process: 'ChipProcess',
    start_chain: StartChain,
    walk_into_a_step: Callable[[Operator], None],
    say: Callable[[str], None],
) -> None:
    """No pulse begins after the firmware has heard it, and the last ends within a frame."""
    _, operator = start_chain(board=chip_process.port)
    operator.bring_up()
    operator.stand()
    seen = 0
    for _ in range(3):
        walk_into_a_step(operator)
        pressed = monotonic()
        operator.call('bridge/release')
        operator.drive(AHEAD, 0.3, 'released')
        heard = [t for t, f in chip_process.heard() if isinstance(f.message, frames.Release)][seen:]
        seen += len(heard)  # it may be said again on a busy machine
        last = chip_process.pulses()[-1]
        assert last.end < heard[0] + FRAME
        # The chip's clock is up to a few milliseconds slow.
        say(
            f'release in mid-step: at the board {1e3 * (heard[0] - pressed):.1f} ms after the '
            f'call, the last pulse ends {1e3 * (last.end - heard[0]):+.1f} ms from then'
        )
        operator.states.pop('bridge')
        operator.call('bridge/rearm')
        operator.wait_for('bridge', 'active')
