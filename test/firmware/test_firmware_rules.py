# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The firmware answers and acts as the reference board does, whatever it hears."""

import random
import re
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from math import ceil, floor
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.frames import (
    Ack,
    BootReason,
    Enable,
    Hello,
    Identity,
    Limits,
    Message,
    MessageType,
    Period,
    Pose,
    Reason,
    Refused,
    Release,
    SettingsReport,
    SettingsRequest,
    Silence,
    StatusReport,
    StatusRequest,
    Store,
    Supply,
)
from leg_kinematics.board.simulated.board import FIRMWARE, LOW_FOR, STORE_WITHIN, SimulatedBoard
from leg_kinematics.board.simulated.memory import Memory
from leg_kinematics.board.simulated.servo import ServoDynamics

if TYPE_CHECKING:
    from test.simulated_chip import Chip

ALL = 2**frames.CHANNELS - 1
NO_SENSIBLE_SUPPLY = 1000
"""mV, at which a real chip does not run: it reports 0, as the reference does."""
CLOSE = 0.003
"""s; nothing is said so close to where silence takes effect, for the two need not agree there."""
ACCURACY_US = 2.0
UNSURE = 0.06
"""s around a change of the reference's word within which the chip's comes."""
LONGEST_RIPPLE = 8.0
"""s for which ripple is watched."""

LIMITS_OF_ALL = b''.join(frames.encode(Limits(c, 1000.0, 2000.0), 100 + c) for c in range(18))
BEGUN = frames.encode(Pose((1500.0,) * 18), 50) + frames.encode(Enable(ALL), 51)
ONE_POSE = frames.encode(Pose((1600.0,) * 18), 52)
ENABLE_ONE = frames.encode(Enable(1), 53)
ENABLE_ALL = frames.encode(Enable(ALL), 54)
HOLD_SOON = frames.encode(Silence(Reaction.HOLD, 20), 55)
RELEASE_SOON = frames.encode(Silence(Reaction.RELEASE, 20), 56)
STORE = frames.encode(Store(), 57)
OTHER_LIMITS = frames.encode(Limits(3, 1100.0, 2000.0), 58)
REPLACED_LIMITS = frames.encode(Limits(3, 1100.0, 2000.0, replace=True), 59)
SETTINGS = frames.encode(SettingsRequest(0), 60) + frames.encode(SettingsRequest(1), 61)
POWER_ON = 1
"""In MCUSR."""
POWER_CYCLE = 'power cycle'

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
    st.builds(Limits, st.integers(0, 19), edge_pulses, edge_pulses, st.booleans()),
    st.builds(SettingsRequest, st.integers(0, 1)),
    st.builds(Supply, st.sampled_from([0, 999, 1000, 4000]), st.sampled_from([0, 5000])),
    st.builds(Period, st.sampled_from([9999, 10_000, 12_345, 20_000, 20_001])),
    st.builds(Enable, masks),
    poses,
    poses,
)
silences = st.builds(Silence, st.sampled_from(Reaction), st.sampled_from([0, 20, 50, 65535]))
sent = st.builds(frames.encode, st.one_of(messages, silences), numbers)


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """Give a frame with a byte changed, lost or inserted."""
    frame = draw(sent)
    at = draw(st.integers(0, len(frame) - 1))
    return frame[:at] + draw(st.binary(max_size=2)) + frame[at + draw(st.integers(0, 2)) :]


def framed(content: bytes) -> bytes:
    """Frame any content with a right checksum."""
    return frames.cobs_encode(content + frames.crc16(content).to_bytes(2, 'big')) + b'\0'


WITHOUT_MEANING = b''.join(
    map(
        framed,
        [
            bytes((MessageType.SETTINGS_REQUEST, 1, 2)),
            bytes((MessageType.SILENCE, 1, 2, 20, 0)),
            bytes((MessageType.LIMITS, 1, 0, *(0xD0, 0x07), *(0xA0, 0x0F), 2)),
            bytes((MessageType.SETTINGS_REQUEST + 1, 1)),
            bytes((MessageType.HELLO, 1, 0)),
        ],
    )
)
echoes = st.builds(
    frames.encode,
    st.one_of(
        st.builds(Ack, st.sampled_from(MessageType)),
        st.just(StatusReport(1, 0, 0, 0, 0, 0, low_voltage=False, boots=1)),
    ),
    numbers,
)
waits = st.integers(0, 80).map(lambda milliseconds: milliseconds / 1000.0)
steps = st.lists(
    st.one_of(
        sent,
        sent,
        st.sampled_from([LIMITS_OF_ALL, BEGUN]),
        # Alone, for it is answered out of turn, and sooner or later depending on what changed.
        st.sampled_from([STORE, POWER_CYCLE]),
        damaged(),
        echoes,
        st.binary(min_size=2, max_size=50).map(framed),
        st.binary(max_size=80),
        waits,
        # Without silences: a shorter timeout that has passed already takes effect at the next tick.
        st.lists(st.builds(frames.encode, messages, numbers), max_size=4).map(b''.join),
    ),
    max_size=30,
)


class Pair:
    """The firmware and the reference, told the same at the same time."""

    def __init__(self, chip: 'Chip') -> None:
        """Power both."""
        self.chip = chip
        self._memory = Memory()
        self.board = SimulatedBoard(ServoDynamics(4000.0, 4.0), chip.now, memory=self._memory)

    def tell(self, data: bytes) -> None:
        """Send to both, and compare what they say."""
        self.keep_clear(len(data) * 20e-6 + 0.015)
        self.chip.feed(data)
        while self.chip.waiting:
            self.chip.run(0.0005)
        expected = self.board.receive(data, self.chip.now)
        heard = self.chip.settle()
        if self.board.stored_at is not None:
            self.chip.run(STORE_WITHIN)
            heard += self.chip.settle()
            expected += self.board.advance(self.chip.now)
        assert heard.hex(' ') == expected.hex(' ')

    def power_cycle(self) -> None:
        """Switch both off and on."""
        self.chip.reset(POWER_ON)
        self.chip.run(0.02)
        self.board = SimulatedBoard(ServoDynamics(4000.0, 4.0), self.chip.now, memory=self._memory)

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


@settings(max_examples=3 * settings().max_examples // 2)
@example([LIMITS_OF_ALL, BEGUN, HOLD_SOON, 0.05, ONE_POSE])
@example([LIMITS_OF_ALL, BEGUN, RELEASE_SOON, 0.05, ONE_POSE])
@example([LIMITS_OF_ALL, HOLD_SOON, ONE_POSE, ENABLE_ONE, 0.05, ENABLE_ALL])
@example([LIMITS_OF_ALL, RELEASE_SOON, ONE_POSE, 0.05, ENABLE_ALL])
@example([LIMITS_OF_ALL, BEGUN, ONE_POSE, frames.encode(Ack(MessageType.POSE), 1), ONE_POSE])
@example([LIMITS_OF_ALL, BEGUN, ONE_POSE, frames.encode(Hello(), 1), ONE_POSE])
@example([LIMITS_OF_ALL, HOLD_SOON, STORE, POWER_CYCLE, SETTINGS, BEGUN, 0.05])
@example([LIMITS_OF_ALL, STORE, OTHER_LIMITS, REPLACED_LIMITS, SETTINGS, POWER_CYCLE, SETTINGS])
@example([LIMITS_OF_ALL, POWER_CYCLE, SETTINGS, BEGUN])
@example([WITHOUT_MEANING])
@given(story=steps)
def test_it_does_what_the_reference_does(
    new_chip: Callable[..., 'Chip'], story: list[bytes | float | str]
) -> None:
    """Any messages, noise, pauses and power cycles: the same answers byte by byte, and pulses."""
    chip = new_chip(supply_mv=NO_SENSIBLE_SUPPLY)
    try:
        pair = Pair(chip)
        for step in story:
            if isinstance(step, bytes):
                pair.tell(step)
            elif isinstance(step, float):
                pair.wait(step)
            else:
                pair.power_cycle()
        pair.tell(b'\0' + frames.encode(StatusRequest(), 200))
        pair.tell(frames.encode(Hello(), 201) + SETTINGS)
        pair.compare_pulses()
    finally:
        chip.free()


def test_it_answers_the_worked_frames(new_chip: Callable[..., 'Chip']) -> None:
    """The conversation of the protocol's page goes byte by byte as written there."""
    text = (files('leg_kinematics.board.framed') / 'protocol.md').read_text(encoding='utf-8')
    worked = re.findall(r'\| \d+ \| `([0-9a-f ]+)` \|$', text, re.MULTILINE)
    assert len(worked) == 26
    chip = new_chip(supply_mv=NO_SENSIBLE_SUPPLY)
    for _ in range(6):  # the page's board starts for the seventh time
        chip.reset(POWER_ON)
        chip.run(0.02)
    for question, answer in zip(worked[::2], worked[1::2], strict=True):
        chip.feed(bytes.fromhex(question))
        reply = chip.settle()
        if not reply:  # storing takes its time
            chip.run(STORE_WITHIN)
            reply = chip.settle()
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
        assert chip.say(Hello()) == Identity(2, *FIRMWARE, 18, boots, reason, nothing)


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


FRESH = tuple(
    SettingsReport(half, Reaction.RELEASE, 500, 0, 0, 20_000, 0, ((0.0, 0.0),) * 9)
    for half in (0, 1)
)


def replacing(limits: bytes) -> bytes:
    """Make frames of limits overrule stored ones."""
    found = [f for f in frames.FrameDecoder().feed(limits) if isinstance(f, frames.Frame)]
    return b''.join(
        frames.encode(replace(frame.message, replace=True), frame.seq)
        for frame in found
        if isinstance(frame.message, Limits)
    )


def written(reports: tuple[SettingsReport, SettingsReport]) -> tuple[SettingsReport, ...]:
    """Tell how settings look once they are stored."""
    return tuple(replace(report, stored=ALL) for report in reports)


def settings_of(chip: 'Chip') -> tuple[SettingsReport, SettingsReport]:
    """Ask for all settings."""
    first, second = chip.say(SettingsRequest(0)), chip.say(SettingsRequest(1))
    assert isinstance(first, SettingsReport)
    assert isinstance(second, SettingsReport)
    return first, second


def store(chip: 'Chip') -> None:
    """Store the settings and wait for the acknowledgement."""
    chip.feed(STORE)
    chip.run(STORE_WITHIN)
    assert chip.settle() == frames.encode(Ack(MessageType.STORE), 57)


def test_storing_holds_nothing_up_and_writes_only_what_changes(chip: 'Chip') -> None:
    """Poses are answered in their usual time meanwhile; a byte is written only for a new value."""
    chip.feed(LIMITS_OF_ALL + BEGUN)
    chip.settle()
    before = chip.eeprom_writes
    chip.feed(STORE)
    started = chip.now
    for number in range(25):
        assert chip.say(Pose((1400.0 + number,) * 18)) == Ack(MessageType.POSE)
    assert chip.now - started < STORE_WITHIN - 0.1
    chip.run(STORE_WITHIN)
    assert chip.settle() == frames.encode(Ack(MessageType.STORE), 57)
    assert 72 < chip.eeprom_writes - before <= 83
    before = chip.eeprom_writes
    store(chip)
    assert chip.eeprom_writes == before
    assert chip.say(Limits(3, 1000.0, 2000.5, replace=True)) == Ack(MessageType.LIMITS)
    store(chip)
    assert 1 < chip.eeprom_writes - before <= 3  # one byte of the limit, two of the checksum


def test_a_power_failure_while_storing_leaves_old_or_no_or_new_settings(chip: 'Chip') -> None:
    """Cut off at any time: no mixture of old and new ones, and the new ones if acknowledged."""
    chip.feed(LIMITS_OF_ALL)
    chip.settle()
    store(chip)
    old = settings_of(chip)
    other = b''.join(
        frames.encode(Limits(c, 1100.0 + c, 1900.0 - c, replace=True), 100 + c) for c in range(18)
    )
    seen = []
    for cut in range(33):
        chip.feed(other + HOLD_SOON)
        chip.settle()
        new = written(settings_of(chip))
        chip.feed(STORE)
        chip.run(cut * 0.01)
        acknowledged = chip.sent()
        chip.reset(POWER_ON)
        chip.run(0.02)
        found = settings_of(chip)
        seen.append((old, FRESH, new).index(found))
        assert found == new or not acknowledged
        assert chip.say(Silence(Reaction.RELEASE, 500)) == Ack(MessageType.SILENCE)
        back = LIMITS_OF_ALL if found == FRESH else replacing(LIMITS_OF_ALL)
        chip.feed(back)
        chip.settle()
        store(chip)
        assert settings_of(chip) == old
    assert seen == sorted(seen)
    assert set(seen) == {0, 1, 2}


def test_stored_settings_act_from_power_on(chip: 'Chip') -> None:
    """Limits, reaction to silence, supply and period are in force without being told again."""
    settings = (Silence(Reaction.HOLD, 100), Supply(4000, 6000), Period(10_000))
    chip.feed(LIMITS_OF_ALL)
    chip.settle()
    for setting in settings:
        assert chip.say(setting) == Ack(setting.TYPE)
    store(chip)
    chip.set_supply(5000, 1450)
    chip.reset(POWER_ON)
    chip.run(1.0)
    report = chip.report()
    assert report.supply_mv == pytest.approx(5800, abs=50)
    assert report.low_voltage
    assert chip.pulses() == []
    assert chip.say(Pose((999.5,) * 18)) == Refused(MessageType.POSE, Reason.BEYOND_LIMITS, 0)
    chip.feed(BEGUN)
    chip.settle()
    chip.run(1.0)
    chip.pulses()
    chip.run(0.1)
    assert len([pulse for pulse in chip.pulses() if pulse.channel == 5]) in (9, 10)
    assert chip.report().silences == 1


@pytest.mark.parametrize('own_mv', [4500, 5000])
def test_low_voltage_is_told_after_a_while_and_switches_nothing_off(
    chip: 'Chip', own_mv: int
) -> None:
    """Behind a divider: 0.5 s below the threshold set the flag, 0.5 s 0.1 V above clear it."""
    chip.feed(LIMITS_OF_ALL + BEGUN + frames.encode(Silence(Reaction.HOLD, 60_000), 70))
    chip.settle()
    assert chip.say(Supply(4000, 6000)) == Ack(MessageType.SUPPLY)

    def wait(volts: float, seconds: float) -> StatusReport:
        chip.set_supply(own_mv, round(1000.0 * volts / 4.0))
        chip.run(seconds)
        return chip.report()

    step = own_mv / 1024 * 4
    good = wait(7.4, 1.0)
    # The band-gap is read in whole steps as well, so the unit itself is known to 0.5 %.
    assert good.supply_mv == pytest.approx(7400, abs=step + 0.005 * 7400)
    assert not good.low_voltage
    assert not wait(5.8, 0.45).low_voltage
    assert not wait(6.2, 0.45).low_voltage
    assert not wait(5.8, 0.45).low_voltage
    assert wait(5.8, 0.1).low_voltage
    assert wait(0.0, 1.0).low_voltage
    assert wait(6.05, 1.0).low_voltage
    assert wait(6.2, 0.45).low_voltage
    assert not wait(6.2, 0.1).low_voltage
    assert chip.report().enabled == ALL
    chip.pulses()
    chip.run(0.05)
    assert {pulse.channel for pulse in chip.pulses()} == set(range(18))


def told_low_after(chip: 'Chip', ripple: float, duty: float, phase: float) -> float | None:
    """Tell after how many s of ripple the chip says that its supply is low, None for never.

    Parameters
    ----------
    ripple
        From one beginning of low supply to the next, s.
    duty
        Part of it for which the supply is low.
    phase
        To wait before the first beginning, s.

    """
    chip.set_supply(5000, 1850)
    for low_mv in (0, 6000):  # without a threshold it forgets
        assert chip.say(Supply(4000, low_mv)) == Ack(MessageType.SUPPLY)
        chip.run(0.1)
    chip.run(phase)
    began = chip.now
    decoder = frames.FrameDecoder()
    while chip.now < began + LONGEST_RIPPLE:
        for adc7_mv, part in ((1450, duty), (1850, 1.0 - duty)):
            chip.set_supply(5000, adc7_mv)
            chip.feed(frames.encode(StatusRequest(), 1))
            chip.run(part * ripple)
            for item in decoder.feed(chip.sent()):
                assert isinstance(item, frames.Frame)
                assert isinstance(item.message, StatusReport)
                if item.message.low_voltage:
                    return chip.now - began
    return None


@pytest.mark.parametrize('ripple', [0.010, 0.012, 0.016, 0.020, 0.040, 0.1, 0.5, 1.0])
@pytest.mark.parametrize('duty', [0.25, 0.4, 0.65, 0.75, 0.9])
def test_ripple_does_not_hide_low_voltage(chip: 'Chip', ripple: float, duty: float) -> None:
    """Told after the time that a balance of time needs, also for ripple in step with the pulses.

    By hand: for a part d of the time low, the balance grows by 2 d - 1 a second. The chip looks at
    whole milliseconds, of which ripple of whole milliseconds is low for one more or one less; how
    it looks at changing distances leaves another 40 %, seen here, no source beyond it.
    """
    after = [told_low_after(chip, ripple, duty, phase) for phase in (0.0, 0.0013, 0.0057)]
    print(f'\n{1e3 * ripple:g} ms, low {duty:.0%}: {after}')  # noqa: T201
    if duty < 0.5:
        assert after == [None] * 3
        return
    ticks = round(1e3 * ripple)
    least, most = (number / ticks for number in (floor(duty * ticks), ceil(duty * ticks)))
    for seconds in after:
        assert seconds is not None
        assert 0.6 * LOW_FOR / (2.0 * most - 1.0) - ripple < seconds
        assert seconds < 1.4 * LOW_FOR / (2.0 * least - 1.0) + ripple


@pytest.mark.parametrize('seed', range(30))
def test_it_judges_its_supply_as_the_reference_does(chip: 'Chip', seed: int) -> None:
    """Any voltages in turns, none of which ends close to where the reference changes its word.

    A look every 4 to 7 ms makes each turn some milliseconds longer or shorter for the chip, which
    adds up until the balance is 0 again.
    """
    rng = random.Random(seed)
    volts = (4.0, 5.8, 6.05, 6.2, 7.4)
    supply = Supply(4000, 6000)
    board = SimulatedBoard(ServoDynamics(4000.0, 4.0), chip.now, supply_mv=7400)
    chip.set_supply(5000, 1850)
    assert chip.say(supply) == Ack(MessageType.SUPPLY)
    board.receive(frames.encode(supply, 1), chip.now)
    flags = []
    for _ in range(60):
        of = rng.choice(volts)
        chip.set_supply(5000, round(1000.0 * of / 4.0))
        board.set_supply(round(1000.0 * of), chip.now)
        seconds = rng.uniform(0.02, 0.4)
        due = board.next_at
        if due is not None and abs(due - chip.now - seconds) < UNSURE:
            seconds += 2.0 * UNSURE
        chip.run(seconds)
        board.advance(chip.now)
        flags.append(board.low_voltage)
        assert chip.report().low_voltage == flags[-1]
    assert True in flags
    assert False in flags


def test_a_flood_of_questions_leaves_it_sound(chip: 'Chip') -> None:
    """Answers longer than their questions: some questions are lost, no answer is damaged."""
    chip.feed(b''.join(frames.encode(Hello(), n) for n in range(200)))
    chip.run(0.5)
    answers = frames.FrameDecoder().feed(chip.sent())
    assert len(answers) > 40
    assert all(isinstance(answer, frames.Frame) for answer in answers)
    chip.feed(b'\0')
    chip.settle()  # it may end a question whose own end was lost
    assert chip.report().bad > 0
