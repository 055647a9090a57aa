# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The whole chain on the shipped firmware, judged by the edges at the pins of a simulated chip.

One robot goes through all of it. Its board releases when the bridge falls silent.
"""

import random
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Sequence
from time import monotonic
from typing import TYPE_CHECKING

import numpy as np
import pytest
from lifecycle_msgs.msg import Transition
from numpy.typing import NDArray

from leg_kinematics.board import Record
from leg_kinematics.board.framed import frames
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.power import PowerState
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.operator import READY, Operator
from leg_kinematics.nodes.taking_part.participant import NoAnswerError
from leg_kinematics.recording.walk import Walk, foot_errors
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, posture_angles

if TYPE_CHECKING:
    from test.chain.conftest import Scene, StartChain
    from test.simulated_chip import ChipProcess, Pulse

FRAME = 0.020
"""s between the pulses of a channel."""

ACCURACY_US = 2.0
"""Of a pulse, as the firmware's own tests have it."""

QUANTUM_US = 0.25 + 1e-6
"""By which a pulse on the line may differ from the one meant."""

EARLIER = 0.2
"""s before the first pulse that is looked at, from when on the pose may be that it is of: a busy
machine delivers several at once, and then the firmware needs a moment for all of them."""

BLUR = 0.3e-3
"""m that half a microsecond in each joint of a leg moves its foot at most."""

WORST_DRAG = 1e-3 + 2.0 * BLUR
"""m, by which standing feet may come nearer or farther from each other, by pulses."""

SILENCE = 2.0
"""s, the setting of the board in these tests: longer than a busy machine stops a process."""

RELEASES = 3

ALL = 2**frames.CHANNELS - 1


class Pins:
    """The pins of a chip that a robot is on, since a time.

    Parameters
    ----------
    chip
        The chip.
    scene
        Its chain and who operates it.

    """

    def __init__(self, chip: 'ChipProcess', scene: 'Scene') -> None:
        """Look from now on."""
        self.chip = chip
        self.scene = scene
        self.operator = scene.operator
        heard = chip.heard()
        self.since = heard[-1][0] if heard else 0.0
        scene.operator.forget()

    def poses(self, since: float = 0.0, *, earlier: float = 0.0) -> list[Record]:
        """Give the poses that the chip has heard, and when, and some from before if asked for."""
        return [
            Record(time, 'pose', frame.seq, ALL, dict(enumerate(frame.message.pulses_us)))
            for time, frame in self.chip.heard(max(since, self.since - earlier))
            if isinstance(frame.message, frames.Pose)
        ]

    def put_out(self, since: float = 0.0) -> list[Record]:
        """Give the pulses of the chip, each as a pose of one channel at its begin."""
        return [
            Record(pulse.start, 'pose', None, 1 << pulse.channel, {pulse.channel: pulse.width_us})
            for pulse in self.chip.pulses(max(since, self.since))
        ]

    def led(self) -> list[Record]:
        """Give the poses with the time of their arrival, and the channels that had pulses then."""
        begins: list[list[float]] = [[] for _ in range(frames.CHANNELS)]
        for pulse in self.chip.pulses(self.since - 2.0 * FRAME):
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
            for time, arrived, frame in self.chip.arrived(self.since)
            if isinstance(frame.message, frames.Pose)
        ]

    def walk_on(self) -> None:
        """Walk until every pin has, from now on."""
        self.operator.walk_on(Twist(x=0.08), self.put_out, frames.CHANNELS)

    def told(self, kind: type[frames.Message], since: float) -> list[float]:
        """When the chip has heard messages of a kind since a time."""
        return [time for time, frame in self.chip.heard(since) if isinstance(frame.message, kind)]

    def assert_no_step(self) -> None:
        """See that no servo was led faster than its limit from pulse to pulse.

        The poses that the chip has heard do not jump, and every channel puts them out.
        """
        # In this order, for the chip goes on: every pulse was told before.
        shown = self.put_out(self.since + 2.0 * FRAME)
        told = self.poses(earlier=EARLIER)
        self.scene.no_jump(self.operator, self.led())
        assert shown
        for channel in range(frames.CHANNELS):
            of_channel = [pulse for pulse in shown if channel in pulse.pulses_us]
            assert max(errors_in_order(of_channel, told), default=0.0) <= ACCURACY_US, channel


def errors_in_order(shown: Sequence[Record], told: Sequence[Record]) -> list[float]:
    """Give the error of each pulse, or frame of pulses, from the pose that it is of, us.

    Poses are put out in the order in which they were told, each after it was told; some may be left
    out, and what is put out again is still of the same. How late a pose is put out is judged where
    the chip has a time of its own (`test/firmware`): here the machine decides.
    """
    times = [pose.time for pose in told]
    errors = []
    now = 0
    for record in shown:
        until = bisect_left(times, record.time)
        found = [
            max(abs(pose.pulses_us[c] - width) for c, width in record.pulses_us.items())
            for pose in told[now:until]
        ]
        fits = next((i for i, error in enumerate(found) if error <= ACCURACY_US), None)
        now += fits or 0
        errors.append(min(found, default=float('inf')) if fits is None else found[fits])
    return errors


@pytest.fixture(scope='module')
def robot(start_shared_chain: 'StartChain', shared_chip_process: 'ChipProcess') -> 'Scene':
    """Return the robot, which stands."""
    scene = start_shared_chain(
        board=shared_chip_process.port,
        bridge={'board_silence_reaction': 'release', 'board_silence': SILENCE},
    )
    scene.operator.bring_up()
    scene.operator.stand()
    return scene


@pytest.fixture
def pins(robot: 'Scene', shared_chip_process: 'ChipProcess') -> Pins:
    """Return the pins of the robot, which stands or walks."""
    return Pins(shared_chip_process, robot)


def frames_put_out(pulses: 'Sequence[Pulse]') -> list[Record]:
    """Give the frames that have pulses of all channels, each as a pose at its begin."""
    poses = []
    frame: dict[int, float] = {}
    begin = 0.0
    for pulse in sorted(pulses, key=lambda pulse: pulse.start):
        if not frame or pulse.channel // 6 < max(frame) // 6:  # six at a time, in this order
            frame, begin = {}, pulse.start
        frame[pulse.channel] = pulse.width_us
        if len(frame) == frames.CHANNELS:
            poses.append(Record(begin, 'pose', None, ALL, dict(frame)))
    return poses


def test_it_walks(
    pins: Pins,
    walk_of: Callable[[Operator, Sequence[Record]], Walk],
    drag: Callable[[NDArray[np.float64]], float],
    say: Callable[[str], None],
) -> None:
    """Every frame of pulses is a pose that it was told, and no standing foot is dragged."""
    operator = pins.operator
    operator.drive(Twist(x=0.08), 2.0, 'walking forward')
    operator.drive(Twist(x=0.05, y=0.03, yaw=-0.3), 2.0, 'walking an arc')
    operator.drive(Twist(), 1.0, 'stopping')
    operator.wait_for('gait', 'standing')
    operator.values.clear()
    operator.spin(lambda: 'bridge' in operator.values, 'a last status')

    told = pins.poses()
    shown = frames_put_out(pins.chip.pulses(pins.since + FRAME))
    assert len(shown) > 200

    errors = errors_in_order(shown, pins.poses(earlier=EARLIER))
    assert max(errors) <= ACCURACY_US

    walks = {'told': walk_of(operator, told), 'put out': walk_of(operator, shown)}
    found = {name: foot_errors(walk) for name, walk in walks.items()}
    # What a pulse every 20 ms adds: a foot stays for that long where the stream was.
    walk = walks['put out']
    held = np.linalg.norm(np.diff(walk.told_feet, axis=0), axis=2)
    held = held[np.diff(walk.pose_times) < 1.5 * FRAME]
    for name, error in found.items():
        p50, p99 = np.percentile(error.latencies * 1e3, [50, 99])
        say(
            f'{name}: {len(error.errors)} poses, worst foot error {error.errors.max() * 1e3:.3f} '
            f'mm, p50 {p50:.1f} and p99 {p99:.1f} ms late'
        )
    say(
        f'a pulse differs from its pose by {max(errors):.2f} us at most; '
        f'a foot steps by up to {held.max() * 1e3:.1f} mm from frame to frame'
    )
    assert drag(walks['told'].told_feet) < WORST_DRAG
    assert drag(walks['put out'].told_feet) < WORST_DRAG + 2.0 * BLUR
    assert operator.values['bridge']['main.refused'] == '0'


def test_release_in_mid_step(pins: Pins, say: Callable[[str], None]) -> None:
    """No pulse begins after the firmware has heard it, and the last ends within a frame.

    On a busy machine the line may lose it, and then it is the one that is sent again. That a
    release which is heard ends all pulses at once, whenever it comes, is judged in lock step.
    """
    rng = random.Random(5)
    operator = pins.operator
    for _ in range(RELEASES):
        pins.scene.walk_into_a_step()
        pins.scene.drive(rng.uniform(0.0, 0.3))
        pressed = monotonic()
        before = pins.poses()[-1].time
        # On a busy machine the chip may confirm it after the answer.
        operator.answer(operator.order('bridge/release'), 'bridge/release')
        pins.scene.until(
            lambda before=before: bool(pins.told(frames.Release, before)),  # type: ignore[misc]
            'a release at the board',
        )
        pins.scene.drive(0.3)
        told = pins.told(frames.Release, before)
        last = pins.chip.pulses()[-1]
        heard = next((each for each in told if last.end < each + FRAME), told[-1])
        assert last.end < heard + FRAME
        # The chip's clock is up to a few milliseconds slow.
        say(
            f'release in mid-step: at the board {1e3 * (heard - pressed):.1f} ms after the '
            f'call, the last pulse ends {1e3 * (last.end - heard):+.1f} ms from then'
        )
        operator.rearm()
        operator.stand_again()
    pins.walk_on()
    pins.assert_no_step()


def test_a_board_that_restarts(
    pins: Pins, bracken: Robot, servo_maps: ServoMaps, legs: tuple[LegSolver, ...]
) -> None:
    """It is silent until rearm; then the legs get their pulses one after another, at rest."""
    operator = pins.operator
    pins.scene.walk_into_a_step()
    struck = monotonic()
    pins.chip.reset()
    operator.wait_for_power(PowerState.RELEASED)
    pins.scene.drive(0.3)
    with pytest.raises(NoAnswerError, match='call bridge/rearm first'):
        operator.call('gait/stand')
    # Its pulses ended some time before the bridge greeted it again.
    found, *_ = pins.told(frames.Hello, struck)
    assert not pins.put_out(found)

    operator.rearm()
    operator.wait_for_power(PowerState.FOLLOWING)
    operator.wait_for('gait', READY)
    operator.see_still(Twist(x=0.08), pins.poses, found)
    enabled: dict[int, float] = {}
    at: dict[int, float] = {}
    pose: tuple[float, ...] = ()
    for time, frame in pins.chip.heard(found):
        match frame.message:
            case frames.Pose(pose):
                pass
            case frames.Enable(mask):
                for channel in sorted(frames.to_channels(mask) - enabled.keys()):
                    enabled[channel], at[channel] = time, pose[channel]
    assert list(enabled) == [each.channel for each in servo_maps.maps]
    resting = [angle for leg in posture_angles(bracken, legs, 'resting') for angle in leg]
    pulses = pins.chip.pulses(found)
    for each, angle in zip(servo_maps.maps, resting, strict=True):
        first = next(pulse for pulse in pulses if pulse.channel == each.channel)
        assert first.start > enabled[each.channel]
        assert at[each.channel] == pytest.approx(each.pulse_us(angle), abs=QUANTUM_US, rel=0.0)
    operator.stand()
    pins.walk_on()
    pins.assert_no_step()


def test_a_bridge_that_is_killed(pins: Pins, servo_maps: ServoMaps) -> None:
    """The firmware releases by its setting, on time; a new bridge and a word, and it walks."""
    operator = pins.operator
    pins.scene.walk_into_a_step()
    pins.scene.kill('bridge')

    def counts() -> Counter[int]:
        last = pins.poses()[-1].time
        return Counter(pulse.channel for pulse in pins.chip.pulses(last))

    # Frames tell the chip's own time, whatever the machine makes of it.
    due = round(SILENCE / FRAME)
    pins.scene.until(lambda: min(counts().values(), default=0) >= due - 1, 'the time of silence')
    pins.scene.drive(0.5)
    assert {abs(count - due) for count in counts().values()} <= {0, 1}
    pose = pins.poses()[-1]
    after = pins.chip.pulses(pose.time + 2.0 * FRAME)
    for pulse in after:
        assert pulse.width_us == pytest.approx(pose.pulses_us[pulse.channel], abs=ACCURACY_US)
    assert {pulse.channel for pulse in after} == {each.channel for each in servo_maps.maps}

    operator.lose_sight()
    with operator.seeing_anew('bridge/change_state'):
        pins.scene.chain.start('bridge')
    operator.wait_for('bridge', 'unconfigured')
    operator.change_bridge(Transition.TRANSITION_CONFIGURE)
    operator.wait_for_boards()
    pins.scene.drive(0.3)
    assert pins.chip.pulses()[-1] == after[-1]
    operator.change_bridge(Transition.TRANSITION_ACTIVATE)
    operator.stand_again()
    pins.walk_on()
    pins.assert_no_step()
