# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Rows of the fault table that the shipped firmware answers for, judged by its pins."""

import signal
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Sequence
from time import monotonic
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Record, frames
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.chain import Chain
from leg_kinematics.commands.operator import Operator
from leg_kinematics.gait import Twist
from leg_kinematics.robot import Robot
from leg_kinematics.solver import leg_solvers, posture_angles

if TYPE_CHECKING:
    from test.simulated_chip import ChipProcess
    from test.witness import Witness

AHEAD = Twist(x=0.08)

FRAME = 0.020
"""s between the pulses of a channel."""

ACCURACY_US = 2.0
"""Of a pulse, as the firmware's own tests have it."""

QUANTUM_US = 0.25 + 1e-6
"""By which a pulse on the line may differ from the one meant."""

TAKEN_IN = 0.005
"""s that the line and the firmware need for the poses that a busy machine delivers at once."""

SILENCE = 0.5
"""s, the setting of the board in these tests."""

StartChain = Callable[..., 'tuple[Chain, Witness]']


def poses(chip: 'ChipProcess') -> list[Record]:
    """Give the poses that the chip has heard, and when."""
    return [
        Record(time, 'pose', frame.seq, 0, dict(enumerate(frame.message.pulses_us)))
        for time, frame in chip.heard()
        if isinstance(frame.message, frames.Pose)
    ]


def put_out(chip: 'ChipProcess') -> list[Record]:
    """Give the pulses of the chip, each as a pose of one channel at its begin."""
    return [
        Record(pulse.start, 'pose', None, 1 << pulse.channel, {pulse.channel: pulse.width_us})
        for pulse in chip.pulses()
    ]


def led(chip: 'ChipProcess') -> list[Record]:
    """Give the poses with the time of their arrival, and the channels that had pulses then."""
    begins: list[list[float]] = [[] for _ in range(frames.CHANNELS)]
    for pulse in chip.pulses():
        begins[pulse.channel].append(pulse.start)

    def on(channel: int, time: float) -> bool:
        before = bisect_left(begins[channel], time) - 1
        return before >= 0 and time - begins[channel][before] < 1.5 * FRAME

    return [
        Record(
            arrived,
            'pose',
            frame.seq,
            frames.to_mask(c for c in range(frames.CHANNELS) if on(c, time)),
            dict(enumerate(frame.message.pulses_us)),
        )
        for time, arrived, frame in chip.arrived()
        if isinstance(frame.message, frames.Pose)
    ]


@pytest.fixture
def assert_no_step(
    chip_process: 'ChipProcess',
    assert_no_jump: Callable[[Operator, Sequence[Record]], None],
) -> Callable[[Operator], None]:
    """Return a check that no servo was led faster than its limit from pulse to pulse.

    The poses that the chip has heard do not jump, and each pulse is of one of them: of the latest
    before its frame, or of one that came in that frame.
    """

    def check(operator: Operator) -> None:
        # In this order, for the chip goes on: every pulse was told before.
        shown = put_out(chip_process)
        told = poses(chip_process)
        assert_no_jump(operator, led(chip_process))
        times = [pose.time for pose in told]
        assert shown
        for pulse in shown:
            ((channel, width_us),) = pulse.pulses_us.items()
            first = bisect_left(times, pulse.time - FRAME - TAKEN_IN) - 1
            last = bisect_left(times, pulse.time)
            near = [pose.pulses_us[channel] for pose in told[max(first, 0) : last]]
            assert min(abs(each - width_us) for each in near) <= ACCURACY_US, pulse

    return check


def test_a_board_that_restarts_in_mid_step(  # noqa: PLR0917  fixtures
    bracken: Robot,
    servo_maps: ServoMaps,
    chip_process: 'ChipProcess',
    start_chain: StartChain,
    walk_into_a_step: 'Callable[[Witness], None]',
    assert_no_step: Callable[[Operator], None],
    say: Callable[[str], None],
) -> None:
    """It starts silent; legs are enabled again one after another, at rest; then it walks on."""
    _, operator = start_chain(board=chip_process.port)
    operator.bring_up()
    operator.stand()
    walk_into_a_step(operator)
    struck = monotonic()
    chip_process.reset()
    noticed = operator.drive_until_said(AHEAD, struck, 'bridge', 'enabling legs').time
    again = operator.drive_until_said(AHEAD, noticed, 'bridge', 'active').time
    operator.drive(AHEAD, 1.0, 'catching up')
    operator.walk_on(AHEAD, lambda: put_out(chip_process), len(servo_maps.maps))

    pulses = chip_process.pulses()
    heard = chip_process.heard()
    # Its pulses ended some time before the bridge greets it again.
    *_, found = [time for time, frame in heard if isinstance(frame.message, frames.Hello)]
    assert found > struck
    enabled: dict[int, float] = {}
    at: dict[int, float] = {}
    pose: tuple[float, ...] = ()
    for time, frame in heard:
        match frame.message:
            case frames.Pose(pose):
                pass
            case frames.Enable(mask) if time > found:
                for channel in sorted(frames.to_channels(mask) - enabled.keys()):
                    enabled[channel], at[channel] = time, pose[channel]
    assert list(enabled) == [each.channel for each in servo_maps.maps]
    legs = leg_solvers(bracken, {each.joint: each.angle_range for each in servo_maps.maps})
    resting = [angle for leg in posture_angles(bracken, legs, 'resting') for angle in leg]
    for each, angle in zip(servo_maps.maps, resting, strict=True):
        first, *_ = [p for p in pulses if p.channel == each.channel and p.start > found]
        assert first.start > enabled[each.channel]
        assert at[each.channel] == pytest.approx(each.pulse_us(angle), abs=QUANTUM_US, rel=0.0)
    assert_no_step(operator)
    say(
        f"board restarted: 'enabling legs' after {noticed - struck:.3f} s, "
        f"'active' after {again - struck:.2f} s"
    )


@pytest.mark.parametrize('reaction', [pytest.param('hold', marks=pytest.mark.soak), 'release'])
def test_a_bridge_that_is_killed(  # noqa: PLR0917  fixtures
    servo_maps: ServoMaps,
    chip_process: 'ChipProcess',
    start_chain: StartChain,
    walk_into_a_step: 'Callable[[Witness], None]',
    assert_no_step: Callable[[Operator], None],
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

    def counts() -> Counter[int]:
        last = poses(chip_process)[-1].time
        return Counter(p.channel for p in chip_process.pulses() if p.start > last)

    # Frames tell the chip's own time, whatever the machine makes of it.
    due = round(SILENCE / FRAME)
    operator.drive_until(
        AHEAD, lambda: min(counts().values(), default=0) >= due - 1, 'the time of silence'
    )
    operator.drive(AHEAD, 0.5, 'no bridge')
    if reaction == 'release':
        assert {abs(count - due) for count in counts().values()} <= {0, 1}
    else:
        operator.drive_until(AHEAD, lambda: min(counts().values()) > due + 15, 'more pulses')
    pose = poses(chip_process)[-1]
    after = [p for p in chip_process.pulses() if p.start > pose.time + 2.0 * FRAME]
    for pulse in after:
        assert pulse.width_us == pytest.approx(pose.pulses_us[pulse.channel], abs=ACCURACY_US)
    assert {pulse.channel for pulse in after} == {each.channel for each in servo_maps.maps}
    end = FRAME * max(counts().values())
    operator.states.clear()
    with operator.seeing_anew('bridge/change_state'):
        chain.start('bridge')
    operator.wait_for('bridge', 'unconfigured')
    operator.bring_up()
    operator.drive(AHEAD, 1.0, 'catching up')
    operator.walk_on(AHEAD, lambda: put_out(chip_process), len(servo_maps.maps))
    assert_no_step(operator)
    say(f'bridge killed, to {reaction} after {SILENCE} s: pulses {end:.2f} s after the last pose')


def test_release_in_mid_step(
    chip_process: 'ChipProcess',
    start_chain: StartChain,
    walk_into_a_step: 'Callable[[Witness], None]',
    say: Callable[[str], None],
) -> None:
    """No pulse begins after the firmware has heard it, and the last ends within a frame."""
    _, operator = start_chain(board=chip_process.port)
    operator.bring_up()
    operator.stand()

    def releases() -> list[float]:
        return [t for t, f in chip_process.heard() if isinstance(f.message, frames.Release)]

    for _ in range(3):
        walk_into_a_step(operator)
        before = len(releases())

        def released(before: int = before) -> bool:
            return len(releases()) > before

        pressed = monotonic()
        operator.call('bridge/release')
        operator.drive_until(AHEAD, released, 'a release at the board')
        operator.drive(AHEAD, 0.3, 'released')
        heard = releases()[before]
        last = chip_process.pulses()[-1]
        assert last.end < heard + FRAME
        # The chip's clock is up to a few milliseconds slow.
        say(
            f'release in mid-step: at the board {1e3 * (heard - pressed):.1f} ms after the '
            f'call, the last pulse ends {1e3 * (last.end - heard):+.1f} ms from then'
        )
        operator.states.pop('bridge')
        operator.rearm()
        operator.stand_again()
