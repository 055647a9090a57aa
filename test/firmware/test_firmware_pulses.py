# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The pulses that the firmware puts out: how exact, whether ever wrong, and when they end."""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.frames import (
    Ack,
    Enable,
    Limits,
    MessageType,
    Period,
    Pose,
    Release,
    Silence,
    StatusRequest,
    Store,
)
from leg_kinematics.board.simulated.board import STORE_WITHIN

if TYPE_CHECKING:
    from test.simulated_chip import Chip

ALL = 2**frames.CHANNELS - 1
FRAME = 0.020
"""s between the pulses of a channel."""
LINE = 50_000
"""Bytes a second at 500 000 baud."""
POSE_EVERY = 0.010
EEPROM_BYTE = 0.0034
"""s to write a byte of the EEPROM (ATmega328P data sheet, Microchip DS40002061B, from memory)."""
RELEASED = 1.0
"""ms from the last byte of RELEASE until no pulse begins any more (protocol, rule 8)."""
RMS_US, WORST_US = 0.5, 2.0
"""What the project asks of its board; no source beyond it."""

Widths = tuple[float, ...]


def begin(chip: 'Chip', widths: Widths = (1500.0,) * 18) -> None:
    """Set limits and switch all pulses on."""
    for channel in range(frames.CHANNELS):
        assert chip.say(Limits(channel, 500.0, 2500.0)) == Ack(MessageType.LIMITS)
    assert chip.say(Pose(widths)) == Ack(MessageType.POSE)
    assert chip.say(Enable(ALL)) == Ack(MessageType.ENABLE)
    chip.run(2 * FRAME)
    chip.pulses()


def close_edges(rng: random.Random) -> Widths:
    """Give widths that lie so close together that their edges could get into each other's way."""
    step = rng.choice([0, 1, 2, 3, 5, 8, 10, 11, 12, 13, 14, 16, 20, 26, 32, 33, 40, 44, 60])
    lowest = rng.randint(1000, 5000 - 17 * step)
    widths = [frames.to_us(lowest + step * channel) for channel in range(18)]
    order = rng.randrange(3)
    if order == 1:
        widths.reverse()
    elif order == 2:
        rng.shuffle(widths)
    return tuple(widths)


def random_widths(rng: random.Random) -> Widths:
    """Give any widths, or the extremes."""
    if rng.random() < 0.2:
        return tuple(rng.choice([500.0, 2500.0]) for _ in range(18))
    return tuple(frames.to_us(rng.randint(1000, 5000)) for _ in range(18))


@dataclass(frozen=True)
class Accuracy:
    """What was measured of many pulses."""

    pulses: int
    rms_us: float
    worst_us: float
    period_rms_us: float
    period_worst_us: float


def measure(
    chip: 'Chip',
    seconds: float,
    filler: Callable[[Pose, int], bytes],
    period: float = FRAME,
) -> Accuracy:
    """Walk at 100 Hz on a saturated line; all of a frame's pulses must be of the same pose."""
    rng = random.Random(1)
    begin(chip)
    assert chip.say(Period(round(1e6 * period))) == Ack(MessageType.PERIOD)
    chip.run(2 * FRAME)
    chip.pulses()
    recent: list[Widths] = [(1500.0,) * 18]
    errors: list[float] = []
    periods: list[float] = []
    last_start: dict[int, float] = {}
    frame: dict[int, float] = {}
    number = 0
    for _ in range(round(seconds / POSE_EVERY)):
        widths = rng.choice([random_widths, close_edges])(rng)
        recent = [*recent[-4:], widths]
        data = b''
        while len(data) < POSE_EVERY * LINE:
            number = (number + 1) % 256
            data += filler(Pose(widths), number) if data else frames.encode(Pose(widths), number)
        assert chip.waiting < POSE_EVERY * LINE, 'the line falls behind'
        chip.feed(data[: round(POSE_EVERY * LINE) - 1] + b'\0')
        chip.run(POSE_EVERY)
        for pulse in sorted(chip.pulses(), key=lambda pulse: pulse.start):
            if pulse.channel in last_start:
                periods.append(1e6 * (pulse.start - last_start[pulse.channel] - period))
            last_start[pulse.channel] = pulse.start
            if frame and pulse.channel // 6 < max(frame) // 6:  # the next frame begins
                if len(frame) == frames.CHANNELS:
                    errors += least_error(frame, recent)
                frame = {}
            frame[pulse.channel] = pulse.width_us
        chip.sent()
    return Accuracy(
        len(errors),
        float(np.sqrt(np.mean(np.square(errors)))),
        float(np.max(np.abs(errors))),
        float(np.sqrt(np.mean(np.square(periods)))),
        float(np.max(np.abs(periods))),
    )


def least_error(frame: dict[int, float], poses: Sequence[Widths]) -> list[float]:
    """Compare the pulses of one frame with the pose that fits them best as a whole."""
    candidates = [[frame[channel] - width for channel, width in enumerate(pose)] for pose in poses]
    return min(candidates, key=lambda errors: max(map(abs, errors)))


def more_poses(pose: Pose, number: int) -> bytes:
    """Fill the line with the same pose under other numbers."""
    return frames.encode(pose, number)


def noise(_: Pose, number: int) -> bytes:
    """Fill the line with bytes that are no frame."""
    return random.Random(number).randbytes(100)


def questions(_: Pose, number: int) -> bytes:
    """Fill the line with questions and with runs that give time to answer them."""
    return frames.encode(StatusRequest(), number) + b'\xff' * 30 + b'\0'


def settings_stored(_: Pose, number: int) -> bytes:
    """Fill the line with settings to be stored, each different from the one before."""
    silence = Silence(Reaction.HOLD, 1000 + 37 * number)
    return frames.encode(silence, number) + frames.encode(Store(), number) + b'\xff' * 60 + b'\0'


def report(measured: Accuracy, chip: 'Chip') -> None:
    """Print what was measured, and compare it with what is asked."""
    print(f'\n{measured}')  # noqa: T201
    assert chip.overruns == 0
    assert measured.rms_us <= RMS_US
    assert measured.worst_us <= WORST_US


@pytest.mark.parametrize('filler', [more_poses, noise, questions])
@pytest.mark.parametrize('period', [0.010, 0.020])
def test_pulses_are_exact_on_a_saturated_line(
    chip: 'Chip', filler: Callable[[Pose, int], bytes], period: float
) -> None:
    """Random and adversarial poses at 100 Hz: exact, whole frames, and no byte lost."""
    measured = measure(chip, 5.0, filler, period)
    assert measured.pulses > 4.0 / period * frames.CHANNELS
    report(measured, chip)


def test_pulses_are_exact_while_settings_are_stored(chip: 'Chip') -> None:
    """The EEPROM is written most of the time, and neither pulses nor the line suffer."""
    before = chip.eeprom_writes
    report(measure(chip, 5.0, settings_stored), chip)
    assert chip.eeprom_writes - before > 0.6 * 5.0 / EEPROM_BYTE
    counted = chip.report()
    assert (counted.accepted, counted.refused) == (501, 0)


def test_every_pose_of_a_saturated_line_is_accepted(chip: 'Chip') -> None:
    """Nothing but poses, each a different one: the program keeps up with the line."""
    rng = random.Random(2)
    begin(chip)
    before = chip.report()
    poses = [Pose(close_edges(rng)) for _ in range(500)]
    chip.feed(b''.join(frames.encode(pose, n % 256) for n, pose in enumerate(poses)))
    answers = frames.FrameDecoder().feed(chip.settle())
    numbers = [answer.seq for answer in answers if isinstance(answer, frames.Frame)]
    after = chip.report()
    assert after.accepted - before.accepted == len(poses)
    assert after.bad == 0
    assert numbers == [n % 256 for n in range(len(poses))]


def test_a_hundred_pulses_a_second(chip: 'Chip') -> None:
    """At the shortest period the longest pulses come a hundred times a second in all channels."""
    begin(chip, (2500.0,) * 18)
    assert chip.say(Silence(Reaction.HOLD, 500)) == Ack(MessageType.SILENCE)
    assert chip.say(Period(10_000)) == Ack(MessageType.PERIOD)
    chip.run(2 * FRAME)
    chip.pulses()
    chip.run(1.0)
    starts = [pulse.start for pulse in chip.pulses() if pulse.channel == 17]
    assert len(starts) in (99, 100)
    assert np.diff(starts) == pytest.approx(0.010, abs=30e-6)


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_a_hundred_thousand_pulses_are_exact(chip: 'Chip') -> None:
    """The same over 100 000 pulses."""
    measured = measure(chip, 112.0, more_poses)
    assert measured.pulses >= 100_000
    report(measured, chip)


CHOSEN = (700.0, 1100.0, 1500.0, 1900.0, 2300.0)
chosen_poses = st.lists(st.sampled_from(CHOSEN), min_size=18, max_size=18).map(
    lambda pulses: frames.encode(Pose(tuple(pulses)), 0)[:-1]
)


@st.composite
def damaged_streams(draw: st.DrawFn) -> bytes:
    """Give poses of chosen pulses, damaged on their way."""
    stream = b'\0'.join(draw(st.lists(chosen_poses, min_size=1, max_size=8))) + b'\0'
    for _ in range(draw(st.integers(1, 12))):
        at = draw(st.integers(0, len(stream)))
        match draw(st.sampled_from(['flip', 'lose', 'insert', 'repeat', 'move'])):
            case 'flip' if at < len(stream):
                turned = stream[at] ^ 1 << draw(st.integers(0, 7))
                stream = stream[:at] + bytes((turned,)) + stream[at + 1 :]
            case 'lose':
                stream = stream[:at] + stream[at + draw(st.integers(1, 50)) :]
            case 'insert':
                stream = stream[:at] + draw(st.binary(min_size=1, max_size=5)) + stream[at:]
            case 'repeat':
                stream = stream[:at] + stream[max(0, at - draw(st.integers(1, 60))) :]
            case 'move':
                cut = draw(st.integers(0, len(stream)))
                stream = stream[cut:] + stream[:cut]
    return stream


def check_damaged(chip: 'Chip', stream: bytes) -> int:
    """Send a stream and see only chosen pulses, then a good pose obeyed; count the pulses."""
    chip.feed(stream + b'\0')
    chip.settle()
    chip.run(FRAME)
    after = tuple(CHOSEN[channel % len(CHOSEN)] for channel in range(18))
    assert chip.say(Pose(after)) == Ack(MessageType.POSE)
    chip.run(FRAME)
    seen = chip.pulses()
    for pulse in seen:
        assert min(abs(pulse.width_us - chosen) for chosen in CHOSEN) <= WORST_US, pulse
    chip.run(FRAME)
    last = {pulse.channel: pulse.width_us for pulse in chip.pulses()}
    assert [last[channel] for channel in range(18)] == pytest.approx(after, abs=WORST_US)
    return len(seen) + len(last)


def walking_chip(new_chip: Callable[..., 'Chip']) -> 'Chip':
    """Power a chip that puts out chosen pulses and holds when it hears nothing."""
    chip = new_chip()
    begin(chip)
    assert chip.say(Silence(Reaction.HOLD, 65535)) == Ack(MessageType.SILENCE)
    return chip


def test_damaged_streams_never_make_a_wrong_pulse(new_chip: Callable[..., 'Chip']) -> None:
    """Flipped, lost, inserted, repeated and moved bytes: no pulse that was never commanded."""
    chip = walking_chip(new_chip)

    @settings(max_examples=2 * settings().max_examples)
    @given(stream=damaged_streams())
    def check(stream: bytes) -> None:
        check_damaged(chip, stream)

    check()
    assert chip.report().bad > 0
    chip.free()


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_ten_thousand_damaged_streams_never_make_a_wrong_pulse(
    new_chip: Callable[..., 'Chip'],
) -> None:
    """The same over 10 000 streams."""
    chip = walking_chip(new_chip)
    pulses = 0

    @settings(max_examples=10_000)
    @given(stream=damaged_streams())
    def check(stream: bytes) -> None:
        nonlocal pulses
        pulses += check_damaged(chip, stream)

    check()
    print(f'\n{pulses} pulses, {chip.report()}')  # noqa: T201
    chip.free()


@pytest.mark.parametrize('timeout_ms', [1, 100, 500, 1000])
@pytest.mark.parametrize('busy', [False, True])
def test_silence_releases_in_time(chip: 'Chip', timeout_ms: int, busy: bool) -> None:  # noqa: FBT001
    """Without poses all pulses end within a frame of the timeout, even on a line full of noise."""
    begin(chip)
    chip.say(Silence(Reaction.RELEASE, timeout_ms))
    chip.feed(frames.encode(Pose((1600.0,) * 18), 200) + frames.encode(Enable(ALL), 201))
    while chip.waiting:
        chip.run(0.0001)
    heard = chip.now
    chip.pulses()
    if busy:
        chip.feed(random.Random(0).randbytes(round(1.5 * LINE)))
    chip.run(1.5)
    ends = [pulse.end for pulse in chip.pulses()]
    if timeout_ms > 2 * FRAME * 1000:
        assert max(ends) - heard == pytest.approx(timeout_ms / 1000.0, abs=FRAME)
    else:
        assert max(ends, default=heard) - heard <= timeout_ms / 1000.0 + FRAME
    chip.feed(b'\0')
    chip.settle()
    report = chip.report()
    assert report.enabled == 0
    assert report.silences >= 1


def test_silence_holds(chip: 'Chip') -> None:
    """Without poses the pulses go on as they were, and one silence is counted."""
    begin(chip)
    chip.say(Silence(Reaction.HOLD, 100))
    chip.run(2.0)
    chip.pulses()
    chip.run(10 * FRAME)
    widths = [pulse.width_us for pulse in chip.pulses()]
    assert len(widths) >= 10 * frames.CHANNELS - frames.CHANNELS
    assert widths == pytest.approx([1500.0] * len(widths), abs=WORST_US)
    assert chip.report().silences == 1


def percentiles(values_ms: list[float]) -> str:
    """Write a distribution for a person."""
    found = np.percentile(values_ms, [0, 50, 90, 99, 100])
    return 'least {:.2f}, half {:.2f}, 90 % {:.2f}, 99 % {:.2f}, worst {:.2f} ms'.format(*found)


def test_a_release_ends_all_pulses_at_once_whenever_it_comes(chip: 'Chip') -> None:
    """At 1 000 instants, on a quiet and on a saturated line, also while settings are stored.

    What the protocol promises, rule 8: none begins 1 ms after the frame's last byte or later, and
    those that have begun are finished as commanded. The longest pulse has 2.5 ms, and the edges of
    a slot are kept up to 0.06 ms apart.
    """
    rng = random.Random(5)
    begin(chip)
    last_ends: dict[str, list[float]] = {'quiet': [], 'saturated': [], 'storing': []}
    last_starts: list[float] = []
    for instant in range(1000):
        kind = list(last_ends)[instant % 3]
        widths = rng.choice([random_widths, close_edges])(rng)
        pose = Pose(widths)
        assert chip.say(pose) == Ack(MessageType.POSE)
        assert chip.say(Enable(ALL)) == Ack(MessageType.ENABLE)
        chip.run(2 * FRAME)
        chip.pulses()
        if kind == 'storing':
            silence = Silence(Reaction.RELEASE, 1000 + instant)
            assert chip.say(silence) == Ack(MessageType.SILENCE)
            chip.feed(frames.encode(Store(), 77))
        chip.run(rng.random() * FRAME)
        if kind == 'saturated':
            chip.feed(b''.join(frames.encode(pose, number) for number in range(rng.randint(2, 9))))
        chip.feed(frames.encode(Release(), 78))
        while chip.waiting:
            chip.run(2e-6)
        heard = chip.now + 1.0 / LINE  # the last byte has begun just now
        chip.run(2 * FRAME)
        seen = chip.pulses()
        assert all(
            pulse.width_us == pytest.approx(widths[pulse.channel], abs=WORST_US) for pulse in seen
        )
        # Where none was on any more, none had to end.
        last_ends[kind].append(1e3 * max([0.0, *(pulse.end - heard for pulse in seen)]))
        last_starts.append(1e3 * max([0.0, *(pulse.start - heard for pulse in seen)]))
        chip.run(STORE_WITHIN)
        chip.settle()
    for kind, ends in last_ends.items():
        print(f'\nlast end, line {kind}: {percentiles(ends)}')  # noqa: T201
    print(f'last start: {percentiles(last_starts)}')  # noqa: T201
    assert max(last_starts) < RELEASED
    assert max(map(max, last_ends.values())) < RELEASED + 2.5 + 0.06


def test_it_is_silent_until_told(chip: 'Chip') -> None:
    """No pulse after power-on, nor after limits, nor after a pose."""
    for channel in range(frames.CHANNELS):
        chip.say(Limits(channel, 500.0, 2500.0))
    chip.say(Pose((1500.0,) * 18))
    chip.run(0.2)
    assert chip.pulses() == []
