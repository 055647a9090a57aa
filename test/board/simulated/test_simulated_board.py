# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The board's side of the protocol, rule by rule and under noise."""

import random
import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.frames import (
    Ack,
    Enable,
    Frame,
    FrameDecoder,
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
    encode,
)
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.board.simulated.board import (
    GOOD_ABOVE_MV,
    LOW_FOR,
    STORE_WITHIN,
    SimulatedBoard,
)
from leg_kinematics.board.simulated.memory import Memory
from leg_kinematics.board.simulated.pulse_log import Record
from leg_kinematics.board.simulated.servo import ServoDynamics

DYNAMICS = ServoDynamics(speed_us_per_s=4000.0, dead_band_us=4.0)
LOWEST, HIGHEST = 600.0, 2400.0
ALL = 2**frames.CHANNELS - 1


def pose(**pulses_us: float) -> Pose:
    """Make a pose from channel names such as c0."""
    values = [0.0] * frames.CHANNELS
    for name, pulse in pulses_us.items():
        values[int(name[1:])] = pulse
    return Pose(tuple(values))


class Bench:
    """A board on the bench: a clock to turn and a host that counts its frames."""

    def __init__(self) -> None:
        """Switch it on at time 0."""
        self.now = 0.0
        self.records: list[Record] = []
        self.memory = Memory(boots=6)
        self._seq = 0
        self.switch_on()

    def switch_on(self) -> None:
        """Switch it on, or off and on again."""
        self.board = SimulatedBoard(
            DYNAMICS, self.now, memory=self.memory, record=self.records.append
        )

    def say(self, message: Message, *, seq: int | None = None) -> Message:
        """Send one message and give the only answer, which must carry its number."""
        if seq is None:
            self._seq = seq = (self._seq + 1) % 256
        replies = self.board.receive(encode(message, seq), self.now)
        if isinstance(message, Store) and not replies:
            replies = self.wait(STORE_WITHIN)
        (reply,) = FrameDecoder().feed(replies)
        assert isinstance(reply, Frame)
        assert reply.seq == seq
        return reply.message

    def wait(self, seconds: float) -> bytes:
        """Let time pass; give what the board says meanwhile."""
        self.now += seconds
        return self.board.advance(self.now)

    def settings(self, half: int = 0) -> SettingsReport:
        """Ask for the settings."""
        report = self.say(SettingsRequest(half))
        assert isinstance(report, SettingsReport)
        return report

    def report(self) -> StatusReport:
        """Ask for the counters."""
        report = self.say(StatusRequest())
        assert isinstance(report, StatusReport)
        return report


@pytest.fixture
def bench() -> Bench:
    """Switch a board on."""
    return Bench()


@pytest.fixture
def limited(bench: Bench) -> Bench:
    """Set limits for every channel."""
    for channel in range(frames.CHANNELS):
        assert bench.say(Limits(channel, LOWEST, HIGHEST)) == Ack(MessageType.LIMITS)
    return bench


@pytest.fixture
def driving(limited: Bench) -> Bench:
    """Switch channels 0 and 1 on."""
    assert limited.say(pose(c0=1500.0, c1=1600.0)) == Ack(MessageType.POSE)
    assert limited.say(Enable(0b11)) == Ack(MessageType.ENABLE)
    return limited


def test_hello_is_answered_with_the_identity(bench: Bench) -> None:
    """A board just switched on tells its version, size, boots, and that nothing is on."""
    identity = bench.say(Hello())
    assert isinstance(identity, Identity)
    assert identity.protocol == frames.PROTOCOL_VERSION
    assert (identity.channels, identity.boots) == (18, 7)
    assert identity.pulses_us == (0.0,) * 18


def test_hello_tells_the_pulses_that_are_on(driving: Bench) -> None:
    """A host that comes later learns what is put out, and nothing of channels that are off."""
    driving.say(pose(c0=1500.0, c1=1600.5, c2=1700.0))
    identity = driving.say(Hello())
    assert isinstance(identity, Identity)
    assert identity.pulses_us == pose(c0=1500.0, c1=1600.5).pulses_us


def test_the_worked_frames_are_a_conversation() -> None:
    """A board that hears the host's frames of the page answers with the board's, byte by byte."""
    page = files('leg_kinematics.board.framed').joinpath('protocol.md').read_text(encoding='utf-8')
    worked = re.findall(r'\| \d+ \| `([0-9a-f ]+)` \|$', page, re.MULTILINE)
    board = SimulatedBoard(DYNAMICS, 0.0, memory=Memory(boots=6))
    now = 0.0
    for question, answer in zip(worked[::2], worked[1::2], strict=True):
        reply = board.receive(bytes.fromhex(question), now)
        if not reply:  # storing takes its time
            now += STORE_WITHIN
            reply = board.advance(now)
        assert reply.hex(' ') == answer


def test_no_pulse_before_limits(bench: Bench) -> None:
    """A pose for a channel without limits is refused and names the channel."""
    assert bench.say(pose(c3=1500.0)) == Refused(MessageType.POSE, Reason.NO_LIMITS, 3)


def test_no_pulse_before_enable(limited: Bench) -> None:
    """An accepted pose alone switches nothing on."""
    assert limited.say(pose(c0=1500.0)) == Ack(MessageType.POSE)
    assert limited.board.outputs_us == {}


def test_enable_demands_a_pulse(limited: Bench) -> None:
    """A channel that the last pose left out cannot be enabled, nor any other of the frame."""
    limited.say(pose(c0=1500.0))
    assert limited.say(Enable(0b11)) == Refused(MessageType.ENABLE, Reason.NO_PULSE, 1)
    assert limited.board.outputs_us == {}


def test_enable_leaves_the_others_as_they_are(driving: Bench) -> None:
    """Enabling a third channel adds to the two that are on."""
    driving.say(pose(c0=1500.0, c1=1600.0, c2=1700.0))
    assert driving.say(Enable(0b100)) == Ack(MessageType.ENABLE)
    assert driving.board.outputs_us == {0: 1500.0, 1: 1600.0, 2: 1700.0}


@pytest.mark.parametrize(
    ('wrong', 'reason', 'channel'),
    [
        (pose(c0=1550.0, c1=2400.5), Reason.BEYOND_LIMITS, 1),
        (pose(c0=599.5, c1=1650.0), Reason.BEYOND_LIMITS, 0),
        (pose(c0=1550.0), Reason.NO_PULSE, 1),
        (pose(c0=1550.0, c1=1650.0, c9=30000.0), Reason.BEYOND_LIMITS, 9),
    ],
)
def test_a_wrong_pose_is_refused_whole(
    driving: Bench, wrong: Pose, reason: Reason, channel: int
) -> None:
    """One wrong channel keeps every channel at its pulse, and does not feed the watchdog."""
    silent_at = driving.board.silent_at
    driving.now += 0.1
    assert driving.say(wrong) == Refused(MessageType.POSE, reason, channel)
    assert driving.board.outputs_us == {0: 1500.0, 1: 1600.0}
    assert driving.board.silent_at == silent_at


def test_limits_themselves_are_inside(driving: Bench) -> None:
    """The lowest and the highest pulse are accepted."""
    assert driving.say(pose(c0=LOWEST, c1=HIGHEST)) == Ack(MessageType.POSE)


@pytest.mark.parametrize(
    ('message', 'reason', 'channel'),
    [
        (Limits(18, 600.0, 2400.0), Reason.NO_SUCH_CHANNEL, 18),
        (Limits(2, 499.5, 2400.0), Reason.BAD_SETTING, 2),
        (Limits(2, 600.0, 2500.5), Reason.BAD_SETTING, 2),
        (Limits(2, 1500.0, 1500.0), Reason.BAD_SETTING, 2),
        (Limits(0, 1600.0, 2400.0), Reason.BAD_SETTING, 0),
        (Silence(Reaction.HOLD, 0), Reason.BAD_SETTING, frames.NO_CHANNEL),
        (Supply(999, 5000), Reason.BAD_SETTING, frames.NO_CHANNEL),
        (Period(9_999), Reason.BAD_SETTING, frames.NO_CHANNEL),
        (Period(20_001), Reason.BAD_SETTING, frames.NO_CHANNEL),
        (Enable(1 << 18), Reason.NO_SUCH_CHANNEL, 18),
    ],
)
def test_a_bad_setting_is_refused(
    driving: Bench, message: Message, reason: Reason, channel: int
) -> None:
    """Channels, ranges and timeouts that cannot be are refused with reason and channel."""
    before = driving.board.outputs_us
    assert driving.say(message) == Refused(message.TYPE, reason, channel)
    assert driving.board.outputs_us == before


def test_narrower_limits_forget_a_pulse_that_waits(limited: Bench) -> None:
    """A pulse accepted under the old limits cannot be enabled under the new ones."""
    limited.say(pose(c0=700.0))
    assert limited.say(Limits(0, 1000.0, 2000.0)) == Ack(MessageType.LIMITS)
    assert limited.say(Enable(1)) == Refused(MessageType.ENABLE, Reason.NO_PULSE, 0)


def test_release_stops_everything_and_forgets_the_pose(driving: Bench) -> None:
    """After a release nothing is on, and enabling needs a new pose."""
    assert driving.say(Release()) == Ack(MessageType.RELEASE)
    assert driving.board.outputs_us == {}
    assert driving.say(Enable(1)) == Refused(MessageType.ENABLE, Reason.NO_PULSE, 0)


def test_a_repeated_frame_is_answered_and_not_obeyed_twice(driving: Bench) -> None:
    """The same frame with the same number gets the same answer and is logged and counted once."""
    for _ in range(3):
        assert driving.say(pose(c0=1510.0, c1=1610.0), seq=99) == Ack(MessageType.POSE)
    assert [r.seq for r in driving.records if r.event == 'pose'].count(99) == 1
    report = driving.say(StatusRequest())
    assert isinstance(report, StatusReport)
    assert report.accepted == 2


def test_a_new_conversation_may_begin_with_any_number(driving: Bench) -> None:
    """After hello the number of the last frame means nothing any more."""
    driving.say(pose(c0=1510.0, c1=1610.0), seq=99)
    driving.say(Hello())
    driving.say(pose(c0=1510.0, c1=1610.0), seq=99)
    assert [r.seq for r in driving.records if r.event == 'pose'].count(99) == 2


@pytest.mark.parametrize(
    ('reaction', 'left'),
    [(Reaction.HOLD, {0: 1500.0, 1: 1600.0}), (Reaction.RELEASE, {})],
)
def test_silence_does_what_was_set(
    driving: Bench, reaction: Reaction, left: dict[int, float]
) -> None:
    """At the timeout and not before, pulses are held or released, and one silence is counted."""
    driving.say(Silence(reaction, 200))
    driving.wait(0.199)
    assert driving.board.outputs_us == {0: 1500.0, 1: 1600.0}
    driving.wait(0.001)
    assert driving.board.outputs_us == left
    driving.wait(10.0)
    report = driving.say(StatusRequest())
    assert isinstance(report, StatusReport)
    assert report.silences == 1
    assert [r.detail for r in driving.records if r.event == 'silence'] == [reaction.value]


def test_a_board_that_was_told_nothing_releases_on_silence(driving: Bench) -> None:
    """Half a second without a pose ends the pulses by default."""
    driving.wait(0.5)
    assert driving.board.outputs_us == {}


def test_only_poses_feed_the_watchdog(driving: Bench) -> None:
    """Other frames do not count as a sign that somebody steers."""
    for _ in range(6):
        driving.wait(0.1)
        driving.say(StatusRequest())
        driving.say(Hello())
    assert driving.board.outputs_us == {}


def test_a_stale_pulse_is_not_enabled(driving: Bench) -> None:
    """After a silence the pulses of channels that were off are forgotten, even when holding."""
    driving.say(Silence(Reaction.HOLD, 200))
    driving.say(pose(c0=1500.0, c1=1600.0, c2=1700.0))
    driving.wait(1.0)
    assert driving.say(Enable(0b100)) == Refused(MessageType.ENABLE, Reason.NO_PULSE, 2)


def test_a_pose_ends_the_silence(driving: Bench) -> None:
    """A held board follows again at once."""
    driving.say(Silence(Reaction.HOLD, 200))
    driving.wait(1.0)
    assert driving.say(pose(c0=1510.0, c1=1600.0)) == Ack(MessageType.POSE)
    assert driving.board.outputs_us == {0: 1510.0, 1: 1600.0}


def test_servos_follow_what_is_put_out(driving: Bench) -> None:
    """By hand: 10 ms at 4000 us/s towards a new pulse are 40 us; channels that are off stay."""
    driving.say(pose(c0=1700.0, c1=1600.0, c2=1500.0))
    driving.wait(0.01)
    assert driving.board.positions_us == {0: pytest.approx(1540.0), 1: 1600.0}


def test_servos_stop_at_the_moment_of_the_release_by_silence(driving: Bench) -> None:
    """A late look at the board does not let a released servo run on."""
    driving.say(Silence(Reaction.RELEASE, 10))
    driving.say(pose(c0=1700.0, c1=1600.0))
    driving.wait(5.0)
    assert driving.board.positions_us[0] == pytest.approx(1540.0)


def test_a_boards_own_messages_are_not_obeyed(bench: Bench) -> None:
    """An echo of the line is counted as bad and not answered."""
    assert bench.board.receive(encode(Ack(MessageType.POSE), 3), 0.0) == b''
    report = bench.say(StatusRequest())
    assert isinstance(report, StatusReport)
    assert report.bad == 1


def test_the_record_tells_every_pulse_even_of_refused_poses(driving: Bench) -> None:
    """What was commanded can be read back, with the number of the frame and what is on."""
    driving.say(pose(c0=1510.0, c1=2450.0), seq=50)
    last = driving.records[-1]
    assert (last.event, last.seq, last.enabled) == ('refused', 50, 0b11)
    assert last.pulses_us == {0: 1510.0, 1: 2450.0}


ALL_SETTINGS = (
    Silence(Reaction.HOLD, 300),
    Supply(4000, 6000),
    Period(10_000),
    Limits(0, 700.0, 2300.0),
    Limits(17, 800.0, 2200.5),
)


def test_a_fresh_board_tells_what_it_does_without_settings(bench: Bench) -> None:
    """No limits, release after half a second, no supply watched, 50 Hz."""
    none = ((0.0, 0.0),) * 9
    for half in (0, 1):
        expected = SettingsReport(half, Reaction.RELEASE, 500, 0, 0, 20_000, 0, none)
        assert bench.settings(half) == expected


def test_stored_settings_outlast_power_off(bench: Bench) -> None:
    """After a power cycle all settings are as they were stored, and nothing is put out."""
    for setting in ALL_SETTINGS:
        assert bench.say(setting) == Ack(setting.TYPE)
    assert bench.settings().stored == 0
    assert bench.say(Store()) == Ack(MessageType.STORE)
    before = [bench.settings(half) for half in (0, 1)]
    bench.switch_on()
    assert [bench.settings(half) for half in (0, 1)] == before
    none = (0.0, 0.0)
    stored = 1 | 1 << 17
    assert before == [
        SettingsReport(
            *(0, Reaction.HOLD, 300, 4000, 6000, 10_000, stored),
            ((700.0, 2300.0), *[none] * 8),
        ),
        SettingsReport(
            *(1, Reaction.HOLD, 300, 4000, 6000, 10_000, stored),
            (*[none] * 8, (800.0, 2200.5)),
        ),
    ]
    assert bench.board.outputs_us == {}
    assert bench.say(Enable(1)) == Refused(MessageType.ENABLE, Reason.NO_PULSE, 0)
    assert bench.say(pose(c0=1500.0)) == Ack(MessageType.POSE)
    assert bench.say(pose(c0=699.5)) == Refused(MessageType.POSE, Reason.BEYOND_LIMITS, 0)


def test_settings_that_are_not_stored_are_gone(bench: Bench) -> None:
    """A power cycle without STORE leaves a fresh board."""
    fresh = bench.settings()
    for setting in ALL_SETTINGS:
        bench.say(setting)
    bench.switch_on()
    assert bench.settings() == fresh


def test_the_acknowledgement_of_storing_means_that_it_is_done(bench: Bench) -> None:
    """It comes late, in between everything is obeyed, and a power failure leaves a fresh board."""
    fresh = bench.settings()
    bench.say(Limits(0, 600.0, 2400.0))
    bench.say(Store())
    bench.say(Limits(0, 700.0, 2300.0, replace=True))
    assert bench.board.receive(encode(Store(), 90), bench.now) == b''
    assert bench.say(pose(c0=1500.0)) == Ack(MessageType.POSE)
    assert bench.wait(STORE_WITHIN - 0.001) == b''
    bench.switch_on()
    assert bench.settings() == fresh


def test_storing_twice_at_once_is_acknowledged_once(bench: Bench) -> None:
    """The later request counts: its number is answered, and its settings are stored."""
    bench.say(Limits(0, 700.0, 2300.0))
    assert bench.board.receive(encode(Store(), 90), bench.now) == b''
    bench.wait(0.1)
    bench.say(Limits(1, 800.0, 2200.0))
    assert bench.board.receive(encode(Store(), 91), bench.now) == b''
    assert bench.wait(STORE_WITHIN) == encode(Ack(MessageType.STORE), 91)
    bench.switch_on()
    assert bench.settings().stored == 0b11


def test_storing_what_is_stored_writes_nothing(bench: Bench) -> None:
    """It is acknowledged at once, for the memory wears out by writing."""
    bench.say(Limits(0, 700.0, 2300.0))
    bench.say(Store())
    assert bench.board.receive(encode(Store(), 90), bench.now) == encode(Ack(MessageType.STORE), 90)


def test_stored_limits_are_replaced_only_on_purpose(limited: Bench) -> None:
    """Other limits are refused unless they say so; the same ones are always accepted."""
    limited.say(Store())
    refused = Refused(MessageType.LIMITS, Reason.STORED_OTHERWISE, 3)
    assert limited.say(Limits(3, LOWEST, HIGHEST + 0.5)) == refused
    limited.switch_on()
    assert limited.say(Limits(3, LOWEST, HIGHEST + 0.5)) == refused
    assert limited.say(Limits(3, LOWEST, HIGHEST)) == Ack(MessageType.LIMITS)
    assert limited.settings().stored == ALL
    assert limited.say(Limits(3, 1000.0, 2000.0, replace=True)) == Ack(MessageType.LIMITS)
    assert limited.settings().stored == ALL & ~(1 << 3)
    assert limited.say(pose(c3=999.5)) == Refused(MessageType.POSE, Reason.BEYOND_LIMITS, 3)
    limited.switch_on()
    assert limited.settings().limits_us[3] == (LOWEST, HIGHEST)


def test_low_voltage_is_told_after_a_while_and_switches_nothing_off(driving: Bench) -> None:
    """A short dip does not count; at the threshold it is still good; recovery needs some more."""
    driving.say(Silence(Reaction.HOLD, 60_000))
    driving.say(Supply(0, 5000))
    for supply_mv, low in ((4999, True), (5000 + GOOD_ABOVE_MV - 1, True), (5100, False)):
        before = driving.report().low_voltage
        driving.board.set_supply(supply_mv, driving.now)
        driving.wait(LOW_FOR - 0.001)
        assert driving.report().low_voltage == before
        driving.wait(0.002)
        report = driving.report()
        assert (report.supply_mv, report.low_voltage) == (supply_mv, low)
    driving.board.set_supply(4999, driving.now)
    driving.wait(LOW_FOR - 0.001)
    driving.board.set_supply(5000, driving.now)
    driving.wait(2 * LOW_FOR)
    assert not driving.report().low_voltage
    assert driving.board.outputs_us == {0: 1500.0, 1: 1600.0}
    assert [r.detail for r in driving.records if r.event == 'supply'] == ['low', 'good']


THRESHOLD_MV = 5000
UNIT = 2.0**-10
"""s; in these, LOW_FOR and every instant are exact, and sums of them too."""


def changes(waveform: list[tuple[int, int]]) -> list[tuple[float, str]]:
    """Play a supply to a board that watches it; tell when the flag changed, and to what.

    Parameters
    ----------
    waveform
        Voltage in mV, and for how many units it lasts.

    """
    bench = Bench()
    bench.say(Supply(0, THRESHOLD_MV))
    start = bench.now
    for supply_mv, units in waveform:
        bench.board.set_supply(supply_mv, bench.now)
        end = bench.now + units * UNIT
        while (due := bench.board.next_at) is not None and due <= end:
            bench.wait(due - bench.now)
        bench.wait(end - bench.now)
    return [(r.time - start, r.detail) for r in bench.records if r.event == 'supply']


def changes_by_page(waveform: list[tuple[int, int]]) -> list[tuple[float, str]]:
    """Find the same by summing up unit by unit and looking for the rise above the least sum so far.

    E. S. Page, Continuous Inspection Schemes, Biometrika 41 (1954), cited from memory.
    """
    sampled = np.repeat(*np.array(waveform).T)
    found: list[tuple[float, str]] = []
    start = 0
    while True:
        low = len(found) % 2
        rest = sampled[start:]
        steps = np.where(rest >= THRESHOLD_MV + 100 if low else rest < THRESHOLD_MV, 1, -1)
        sums = np.cumsum(np.concatenate(([0], steps)))
        full = np.nonzero(sums - np.minimum.accumulate(sums) >= LOW_FOR / UNIT)[0]
        if full.size == 0:
            return found
        start += int(full[0])
        found.append((start * UNIT, ('low', 'good')[low]))


def ripple(
    low: int, good: int, *, of: int = THRESHOLD_MV - 1, times: int = 60
) -> list[tuple[int, int]]:
    """Make a supply that is low and good in turns, of so many units each."""
    return [(of, low), (THRESHOLD_MV + GOOD_ABOVE_MV, good)] * times


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0, 4900, 4999, 5000, 5050, 5099, 5100, 7400]), st.integers(0, 700)
        ),
        min_size=1,
        max_size=30,
    )
)
def test_low_voltage_is_a_balance_of_time(waveform: list[tuple[int, int]]) -> None:
    """Whatever the supply does, the flag changes when the summed waveform says so."""
    assert changes(waveform) == changes_by_page(waveform)


@pytest.mark.parametrize('good', [2, 4, 20, 40, 200])
def test_ripple_does_not_hide_low_voltage(good: int) -> None:
    """A supply that is low for three fifths of the time is told.

    By hand: whole periods add a fifth of themselves, and the low part of the last one the rest.
    """
    low = good * 3 // 2
    waveform = ripple(low, good, times=4 * 1024 // good)
    ((at, told),) = changes(waveform)
    assert told == 'low'
    expected = (LOW_FOR - low * UNIT) / 0.2 + low * UNIT
    assert at == pytest.approx(expected, abs=(low + good) * UNIT)


def test_a_single_good_moment_does_not_hide_low_voltage() -> None:
    """By hand: 4 units of good supply after 0.49 s of a low one delay the word by 8 units."""
    waveform = [(4999, 500), (7400, 4), (4999, 1024)]
    assert changes(waveform) == [(LOW_FOR + 8 * UNIT, 'low')]


@pytest.mark.parametrize('low', [10, 100, 400, 500])
def test_sags_that_are_not_most_of_the_time_are_not_told(low: int) -> None:
    """Each is shorter than 0.5 s, and as much good supply comes after it."""
    assert changes(ripple(low, low, of=4000)) == []


def test_what_ripples_around_the_threshold_is_told_once() -> None:
    """Noise of 90 mV either way: low in the end or never, but never good again by noise alone."""
    for seed in range(50):
        rng = random.Random(seed)
        noise = [(THRESHOLD_MV + rng.randint(-90, 90), rng.randint(1, 30)) for _ in range(3000)]
        assert [told for _, told in changes(noise)] in ([], ['low'])
        assert changes(noise) == changes_by_page(noise)


def test_a_board_that_starts_on_a_low_supply_tells(bench: Bench) -> None:
    """A stored threshold counts from power-on."""
    bench.say(Supply(0, 5000))
    bench.say(Store())
    board = SimulatedBoard(DYNAMICS, 0.0, memory=bench.memory, supply_mv=4500)
    board.advance(LOW_FOR)
    assert board.low_voltage


def test_a_supply_that_is_not_watched_is_never_low(bench: Bench) -> None:
    """Without a threshold no voltage is low, and taking the threshold away ends the flag."""
    bench.board.set_supply(10, bench.now)
    bench.wait(2 * LOW_FOR)
    assert not bench.report().low_voltage
    bench.say(Supply(0, 5000))
    bench.wait(2 * LOW_FOR)
    assert bench.report().low_voltage
    bench.say(Supply(0, 0))
    assert not bench.report().low_voltage


def test_memory_round_trip(tmp_path: Path) -> None:
    """What is saved is loaded again, and no file is a fresh memory."""
    file = tmp_path / 'memory.json'
    assert Memory.load(file) == Memory()
    for memory in (
        Memory(),
        Memory(65535, Settings()),
        Memory(
            3,
            Settings(
                {2: (600.5, 2400.0)},
                Silence(Reaction.HOLD, 100),
                Supply(4000, 6000),
                Period(12_500),
            ),
        ),
    ):
        memory.save(file)
        assert Memory.load(file) == memory


GRID = st.integers(1100, 4900).map(lambda half_us: half_us / 2)
POSES = st.lists(GRID | st.just(0.0), min_size=18, max_size=18).map(lambda p: Pose(tuple(p)))
GOOD_POSES = st.lists(
    st.integers(1200, 4800).map(lambda half_us: half_us / 2), min_size=18, max_size=18
).map(lambda p: Pose(tuple(p)))
STEPS: st.SearchStrategy[Message | float] = st.one_of(
    st.builds(Limits, st.integers(0, 19), GRID, GRID, st.booleans()),
    st.builds(Store),
    st.builds(Silence, st.sampled_from(Reaction), st.integers(0, 400)),
    st.builds(Enable, st.integers(0, ALL) | st.just(ALL)),
    POSES,
    GOOD_POSES,
    st.builds(Release),
    st.builds(Hello),
    st.floats(0.0, 0.6),
)


@settings(deadline=None)
@given(st.lists(STEPS, max_size=40))
def test_every_output_was_commanded_by_an_accepted_pose(steps: list[Message | float]) -> None:
    """Whatever is said in whatever order: outputs come from accepted poses inside the limits.

    A refused frame changes no output, and nothing but enable adds a channel.
    """
    bench = Bench()
    limits: dict[int, tuple[float, float]] = {}
    latest: Pose | None = None
    for channel in range(frames.CHANNELS):
        bench.say(Limits(channel, LOWEST, HIGHEST))
        limits[channel] = (LOWEST, HIGHEST)
    for step in steps:
        before = bench.board.outputs_us
        if isinstance(step, float):
            bench.wait(step)
            assert bench.board.outputs_us in (before, {})
            continue
        reply = bench.say(step)
        after = bench.board.outputs_us
        if isinstance(reply, Refused):
            assert after == before
        elif isinstance(step, Pose):
            latest = step
        elif isinstance(step, Limits):
            limits[step.channel] = (step.lowest_us, step.highest_us)
        if not isinstance(step, Enable):
            assert after.keys() <= before.keys()
        for channel, pulse in after.items():
            assert latest is not None
            assert pulse == latest.pulses_us[channel]
            assert limits[channel][0] <= pulse <= limits[channel][1]


@settings(deadline=None, derandomize=True)
@given(
    st.lists(GOOD_POSES, min_size=1, max_size=12),
    st.lists(st.tuples(st.integers(0, 2**16), st.integers(0, 255)), max_size=40),
)
def test_a_noisy_line_makes_no_pulse(poses: list[Pose], faults: list[tuple[int, int]]) -> None:
    """Bytes turned over anywhere in a stream of poses never put out a value that was not sent."""
    bench = Bench()
    for channel in range(frames.CHANNELS):
        bench.say(Limits(channel, LOWEST, HIGHEST))
    bench.say(poses[0])
    bench.say(Enable(ALL))
    stream = bytearray(b''.join(encode(pose, seq) for seq, pose in enumerate(poses, 100)))
    for where, pattern in faults:
        stream[where % len(stream)] ^= pattern
    for byte in stream:
        bench.board.receive(bytes([byte]), bench.now)
        outputs = bench.board.outputs_us
        assert any(
            all(outputs[channel] == pose.pulses_us[channel] for channel in outputs)
            for pose in poses
        )
        assert len(outputs) == frames.CHANNELS


def test_truncated_frames_make_no_pulse(driving: Bench) -> None:
    """Every beginning of a pose, closed by a zero byte, leaves the outputs as they are."""
    data = encode(pose(c0=1700.0, c1=1800.0), 9)
    for size in range(1, len(data) - 1):
        assert driving.board.receive(data[:size] + b'\0', driving.now) == b''
        assert driving.board.outputs_us == {0: 1500.0, 1: 1600.0}
