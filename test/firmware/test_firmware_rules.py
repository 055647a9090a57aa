# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The firmware answers and acts as the reference board does, whatever it hears."""

import re
from collections.abc import Callable
from importlib.resources import files
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from leg_kinematics.board import frames
from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.frames import (
    Ack,
    BootReason,
    Enable,
    Hello,
    Identity,
    Limits,
    Message,
    MessageType,
    Pose,
    Reason,
    Refused,
    Release,
    Silence,
    StatusReport,
    StatusRequest,
)
from leg_kinematics.board.servo import ServoDynamics
from leg_kinematics.board.simulated_board import SimulatedBoard

if TYPE_CHECKING:
    from test.simulated_chip import Chip

ALL = 2**frames.CHANNELS - 1
NO_SENSIBLE_SUPPLY = 1000
"""mV, at which a real chip does not run: it reports 0, as the reference does."""
CLOSE = 0.003
"""s; nothing is said so close to where silence takes effect, for the two need not agree there."""
ACCURACY_US = 2.0

LIMITS_OF_ALL = b''.join(frames.encode(Limits(c, 1000.0, 2000.0), 100 + c) for c in range(18))
BEGUN = frames.encode(Pose((1500.0,) * 18), 50) + frames.encode(Enable(ALL), 51)
ONE_POSE = frames.encode(Pose((1600.0,) * 18), 52)
ENABLE_ONE = frames.encode(Enable(1), 53)
ENABLE_ALL = frames.encode(Enable(ALL), 54)
HOLD_SOON = frames.encode(Silence(Reaction.HOLD, 20), 55)
RELEASE_SOON = frames.encode(Silence(Reaction.RELEASE, 20), 56)

numbers = st.integers(0, 3)  # few, so that frames repeat
edge_pulses = st.sampled_from([0.0, 499.5, 500.0, 1000.0, 1500.5, 2000.0, 2500.0, 2500.5])
good_pulses = st.integers(2000, 4000).map(frames.to_us)
masks = st.one_of(
    st.just(ALL),
    st.integers(0, ALL),
    st.integers(0, 17).map(lambda channel: 1 << channel),
    st.integers(0, 2**32 - 1),
)
poses = st.one_of(
    st.lists(good_pulses, min_size=18, max_size=18),
    st.lists(edge_pulses, min_size=18, max_size=18),
    st.builds(
        lambda pulse, c, odd: [pulse] * c + [odd] + [pulse] * (17 - c),
        good_pulses,
        st.integers(0, 17),
        edge_pulses,
    ),
).map(lambda pulses: Pose(tuple(pulses)))
messages: st.SearchStrategy[Message] = st.one_of(
    st.just(Hello()),
    st.just(StatusRequest()),
    st.just(Release()),
    st.builds(Limits, st.integers(0, 19), edge_pulses, edge_pulses),
    st.builds(Silence, st.sampled_from(Reaction), st.sampled_from([0, 20, 50, 65535])),
    st.builds(Enable, masks),
    poses,
    poses,
)
sent = st.builds(frames.encode, messages, numbers)


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """Give a frame with a byte changed, lost or inserted."""
    frame = draw(sent)
    at = draw(st.integers(0, len(frame) - 1))
    return frame[:at] + draw(st.binary(max_size=2)) + frame[at + draw(st.integers(0, 2)) :]


echoes = st.builds(
    frames.encode,
    st.one_of(
        st.builds(Ack, st.sampled_from(MessageType)), st.just(StatusReport(1, 0, 0, 0, 0, 0))
    ),
    numbers,
)
waits = st.integers(0, 80).map(lambda milliseconds: milliseconds / 1000.0)
steps = st.lists(
    st.one_of(
        sent,
        sent,
        st.sampled_from([LIMITS_OF_ALL, BEGUN]),
        damaged(),
        echoes,
        st.binary(max_size=80),
        waits,
        st.lists(sent, max_size=4).map(b''.join),
    ),
    max_size=30,
)


class Pair:
    """The firmware and the reference, told the same at the same time."""

    def __init__(self, chip: 'Chip') -> None:
        """Power both."""
        self.chip = chip
        self.board = SimulatedBoard(ServoDynamics(4000.0, 4.0), chip.now)

    def tell(self, data: bytes) -> None:
        """Send to both, and compare what they say."""
        self.keep_clear(len(data) * 20e-6 + 0.015)
        self.chip.feed(data)
        while self.chip.waiting:
            self.chip.run(0.0005)
        now = self.chip.now
        expected = self.board.receive(data, now)
        assert self.chip.settle().hex(' ') == expected.hex(' ')

    def wait(self, seconds: float) -> None:
        """Let time pass for both."""
        self.chip.run(seconds)
        self.keep_clear(0.0)
        self.board.advance(self.chip.now)

    def keep_clear(self, seconds: float) -> None:
        """Let silence take effect that would do so within this time."""
        silent_at = self.board.silent_at
        if silent_at is not None and silent_at < self.chip.now + seconds + CLOSE:
            self.chip.run(max(0.0, silent_at + CLOSE - self.chip.now))
        self.board.advance(self.chip.now)

    def compare_pulses(self) -> None:
        """Let both put out pulses and compare these."""
        self.keep_clear(0.08)
        self.chip.run(0.045)  # the last pose is being put out
        self.chip.pulses()
        self.chip.run(0.02)
        measured = {pulse.channel: pulse.width_us for pulse in self.chip.pulses()}
        assert measured == pytest.approx(self.board.outputs_us, abs=ACCURACY_US)


@settings(max_examples=150, deadline=None)
@example([LIMITS_OF_ALL, BEGUN, HOLD_SOON, 0.05, ONE_POSE])
@example([LIMITS_OF_ALL, BEGUN, RELEASE_SOON, 0.05, ONE_POSE])
@example([LIMITS_OF_ALL, HOLD_SOON, ONE_POSE, ENABLE_ONE, 0.05, ENABLE_ALL])
@example([LIMITS_OF_ALL, RELEASE_SOON, ONE_POSE, 0.05, ENABLE_ALL])
@example([LIMITS_OF_ALL, BEGUN, ONE_POSE, frames.encode(Ack(MessageType.POSE), 1), ONE_POSE])
@example([LIMITS_OF_ALL, BEGUN, ONE_POSE, frames.encode(Hello(), 1), ONE_POSE])
@given(story=steps)
def test_it_does_what_the_reference_does(
    new_chip: Callable[..., 'Chip'], story: list[bytes | float]
) -> None:
    """Any messages, noise and pauses: the same answers byte by byte, and the same pulses."""
    chip = new_chip(supply_mv=NO_SENSIBLE_SUPPLY)
    try:
        pair = Pair(chip)
        for step in story:
            if isinstance(step, bytes):
                pair.tell(step)
            else:
                pair.wait(step)
        pair.tell(b'\0' + frames.encode(StatusRequest(), 200))
        pair.tell(frames.encode(Hello(), 201))
        pair.compare_pulses()
    finally:
        chip.free()


def test_it_answers_the_worked_frames(new_chip: Callable[..., 'Chip']) -> None:
    """The conversation of the protocol's page goes byte by byte as written there."""
    text = (files('leg_kinematics.board') / 'protocol.md').read_text(encoding='utf-8')
    rows = re.findall(r'^\| `(\w+)\(.*\| (\d+) \| `([0-9a-f ]+)` \|$', text, re.MULTILINE)
    assert len(rows) == 16
    chip = new_chip(supply_mv=NO_SENSIBLE_SUPPLY)
    for (_, _, question), (name, _, answer) in zip(rows[::2], rows[1::2], strict=True):
        chip.feed(bytes.fromhex(question))
        reply = chip.settle()
        if name == 'Identity':  # the page's board had started more often
            assert len(reply) == len(bytes.fromhex(answer))
        else:
            assert reply.hex(' ') == answer
    chip.free()


def test_it_tells_who_it_is_and_why_it_started(chip: 'Chip') -> None:
    """Starts are counted through resets, and each reason has its name."""
    nothing = (0.0,) * frames.CHANNELS
    for boots, (flags, reason) in enumerate(
        [
            (1, BootReason.POWER_ON),
            (2, BootReason.EXTERNAL_RESET),
            (4, BootReason.BROWN_OUT),
            (8, BootReason.WATCHDOG),
            (0, BootReason.UNKNOWN),
        ],
        start=1,
    ):
        if boots > 1:
            chip.reset(flags)
            chip.run(0.02)
        assert chip.say(Hello()) == Identity(1, 1, 0, 18, boots, reason, nothing)


def test_a_reset_leaves_no_pulse(chip: 'Chip') -> None:
    """After a reset in mid-walk nothing is put out and nothing is left to enable."""
    chip.feed(LIMITS_OF_ALL + BEGUN)
    chip.settle()
    chip.run(0.05)
    assert len({pulse.channel for pulse in chip.pulses()}) == frames.CHANNELS
    chip.reset(8)
    chip.run(0.02)
    chip.pulses()
    assert chip.say(Enable(ALL)) == Refused(MessageType.ENABLE, Reason.NO_PULSE, 0)
    assert chip.say(Pose((1500.0,) * 18)) == Refused(MessageType.POSE, Reason.NO_LIMITS, 0)
    chip.run(0.1)
    assert chip.pulses() == []


@pytest.mark.parametrize('supply_mv', [2700, 3300, 4500, 5000, 5500])
def test_it_measures_its_supply(new_chip: Callable[..., 'Chip'], supply_mv: int) -> None:
    """The supply is reported within the step of the converter."""
    chip = new_chip(supply_mv=supply_mv)
    report = chip.report()
    chip.free()
    step = supply_mv**2 / 1100 / 1024
    assert report.supply_mv == pytest.approx(supply_mv, abs=step + 1.0)


def test_a_flood_of_questions_leaves_it_sound(chip: 'Chip') -> None:
    """Answers longer than their questions: some questions are lost, no answer is damaged."""
    chip.feed(b''.join(frames.encode(Hello(), n) for n in range(200)))
    chip.run(0.5)
    answers = frames.FrameDecoder().feed(chip.sent())
    assert len(answers) > 40
    assert all(isinstance(answer, frames.Frame) for answer in answers)
    chip.feed(b'\0')
    assert chip.report().bad > 0
