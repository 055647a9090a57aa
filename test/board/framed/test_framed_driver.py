# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The serial driver in one conversation with a mock board behind a real pty."""

import contextlib
import itertools
import re
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
import serial

from leg_kinematics.board import conversation
from leg_kinematics.board.conversation import LATE_LOOK
from leg_kinematics.board.driver import BoardStatus, Reaction, SilenceAction
from leg_kinematics.board.framed import driver as framed
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.driver import FramedDriver
from leg_kinematics.board.framed.frames import (
    Ack,
    Frame,
    FrameDecoder,
    Limits,
    Message,
    Period,
    Pose,
    Release,
    SettingsReport,
    Silence,
    Supply,
    encode,
)
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.board.serial_line import SerialLine
from leg_kinematics.board.simulated.pulse_log import Record
from leg_kinematics.errors import (
    BoardError,
    CommandError,
    LinkLostError,
    NotSentError,
    PortError,
    RefusedError,
    SettingsDifferError,
)

if TYPE_CHECKING:
    from test.cable import Cable

PATIENCE = 30.0
"""s, for a machine under heavy load."""
LIMITS = dict.fromkeys(range(18), (600.0, 2400.0))
HOLD = SilenceAction(Reaction.HOLD, 20.0)
POSE = dict.fromkeys(range(18), 1500.0)

Until = Callable[[Callable[[], object]], None]


@pytest.fixture
def make_driver() -> Iterator[Callable[[Path], FramedDriver]]:
    """Make drivers, and close them at the end."""
    made: list[FramedDriver] = []

    def make(port: Path) -> FramedDriver:
        made.append(FramedDriver(str(port)))
        return made[-1]

    yield make
    for driver in made:
        driver.close()


Made = Callable[[Path], FramedDriver]


def answered(driver: FramedDriver) -> bool:
    """Tell whether nothing is under way."""
    traffic = driver.status().traffic
    return traffic.sent == traffic.acknowledged + traffic.refused + traffic.unanswered


def test_it_identifies_configures_enables_and_drives(
    start_mock: Callable[..., Any], make_driver: Made
) -> None:
    """A whole conversation: every frame is acknowledged, and the board logs what was meant."""
    mock = start_mock()
    driver = make_driver(mock.port)
    identity = driver.open()
    assert (identity.channels, identity.enabled) == (18, frozenset())
    driver.configure(LIMITS, HOLD)
    driver.set_pulses(POSE)
    driver.enable(range(18))
    assert driver.status().enabled == frozenset(range(18))
    driver.set_pulses(POSE | {7: 1600.25})
    status = driver.refresh()  # answered after the pose
    told = [record.pulses_us for record in mock.records('pose')]
    assert told == [POSE, POSE | {7: 1600.0}]
    assert status.pose_us == told[-1]
    assert status.connected
    assert status.ack_latency is not None
    assert (status.traffic.refused, status.traffic.unanswered, status.traffic.bad) == (0, 0, 0)


def test_a_refused_pose_is_told(start_mock: Callable[..., Any], make_driver: Made) -> None:
    """The status counts it and names reason and channel; nothing reached the servos."""
    mock = start_mock()
    driver = make_driver(mock.port)
    driver.open()
    driver.configure(LIMITS | {4: (1000.0, 1400.0)}, HOLD)
    driver.set_pulses(POSE)
    status = driver.refresh()  # answered after the pose
    assert status.traffic.refused == 1
    assert status.last_error == 'the board refused pose: beyond limits (channel 4)'
    assert status.pose_us == {}
    assert mock.records('pose') == []


def test_a_refused_setting_raises(start_mock: Callable[..., Any], make_driver: Made) -> None:
    """Limits that the board cannot keep and enabling without a pose are errors for the caller."""
    driver = make_driver(start_mock().port)
    driver.open()
    with pytest.raises(RefusedError, match=r'refused limits: bad setting \(channel 3\)'):
        driver.configure({3: (2400.0, 600.0)}, HOLD)
    with pytest.raises(RefusedError, match=r'refused enable: no pulse \(channel 5\)'):
        driver.enable([5])


@pytest.mark.parametrize(
    ('pulses_us', 'complaint'),
    [
        ({18: 1500.0}, 'channel 18 does not exist'),
        ({0: float('nan')}, 'pulse nan us for channel 0'),
        ({0: 0.0}, 'pulse 0.0 us for channel 0'),
        ({2: 9000.0}, 'pulse 9000.0 us for channel 2'),
    ],
)
def test_a_pose_that_is_none_is_not_sent(
    start_mock: Callable[..., Any],
    make_driver: Made,
    pulses_us: dict[int, float],
    complaint: str,
) -> None:
    """Channels and pulses that cannot be are refused on this side already."""
    driver = make_driver(start_mock().port)
    driver.open()
    with pytest.raises(CommandError, match=complaint):
        driver.set_pulses(pulses_us)


def test_release_overtakes_and_is_confirmed(
    start_mock: Callable[..., Any], make_driver: Made
) -> None:
    """A release goes out before the pose that waits, and the board confirms that all is off."""
    mock = start_mock()
    driver = make_driver(mock.port)
    driver.open()
    driver.configure(LIMITS, HOLD)
    driver.set_pulses(POSE)
    driver.enable(range(18))
    driver.release()
    assert not driver.refresh().enabled
    (released,) = mock.records('release')
    assert released.enabled == 0


@pytest.fixture
def make_cable(
    lay_cable: 'Callable[[Path, Path], Cable]', tmp_path: Path
) -> Iterator[Callable[[Path], 'Cable']]:
    """Lay a cable to a board, whose end at the host is ``tmp_path / 'end'``."""
    with contextlib.ExitStack() as stack:
        yield lambda board: stack.enter_context(contextlib.closing(lay_cable(board, end(tmp_path))))


def end(folder: Path) -> Path:
    """Name the end of a cable."""
    return folder / 'end'


class Loss:
    """Keeps answers of the board away from the host.

    Parameters
    ----------
    lost
        Tells of an answer whether it is lost.

    """

    def __init__(self, lost: Callable[[Message], bool]) -> None:
        """Listen from the start of the conversation."""
        self._lost = lost
        self._decoder = FrameDecoder()

    def __call__(self, data: bytes) -> bytes:
        """Pass on what is not lost."""
        heard = (item for item in self._decoder.feed(data) if isinstance(item, Frame))
        return b''.join(
            encode(frame.message, frame.seq) for frame in heard if not self._lost(frame.message)
        )


def ack_of(message: type[Message]) -> Callable[[Message], bool]:
    """Tell of an answer whether it acknowledges such a message."""
    return lambda answer: answer == Ack(message.TYPE)


def test_a_release_says_when_it_is_confirmed(
    start_mock: Callable[..., Any],
    make_driver: Made,
    make_cable: Callable[[Path], 'Cable'],
    tmp_path: Path,
    until: Until,
) -> None:
    """Sent, but not done before its answer gets through; asked again meanwhile, it is the same."""
    mock = start_mock()
    cable = make_cable(mock.port)
    driver = make_driver(end(tmp_path))
    driver.open()
    driver.configure(LIMITS, HOLD)
    driver.set_pulses(POSE)
    driver.enable(range(18))
    cable.spoil(Loss(ack_of(Release)))
    first, second = driver.release(), driver.release()
    until(lambda: driver.status().traffic.unanswered > 2)
    assert mock.records('release')
    assert not any(release.done() for release in (first, second))
    assert not first.cancel()
    cable.spoil(bytes)
    assert (first.result(PATIENCE), second.result(PATIENCE)) == (None, None)
    assert driver.status().enabled == frozenset()
    assert driver.release().result(PATIENCE) is None


def test_a_release_that_cannot_be_sent_says_why(
    start_mock: Callable[..., Any], make_driver: Made
) -> None:
    """Never opened, closed, or the board is gone."""
    mock = start_mock()
    driver = make_driver(mock.port)
    with pytest.raises(NotSentError, match='no board has identified itself'):
        driver.release().result(PATIENCE)
    driver.open()
    driver.set_pulses(POSE)  # refused, which is no reason
    driver.refresh()
    driver.close()
    with pytest.raises(NotSentError, match=r'no release was sent: .*port: closed'):
        driver.release().result(PATIENCE)
    driver = make_driver(mock.port)
    driver.open()
    mock.process.kill()
    mock.process.wait()
    with pytest.raises(NotSentError, match=r'no release was sent: .*the line broke'):
        driver.release().result(PATIENCE)


def test_a_release_that_nobody_answers_fails_otherwise(
    start_mock: Callable[..., Any],
    make_driver: Made,
    make_cable: Callable[[Path], 'Cable'],
    tmp_path: Path,
) -> None:
    """A wire to the host is cut: the release was sent and obeyed, and nobody can know."""
    mock = start_mock()
    cable = make_cable(mock.port)
    driver = make_driver(end(tmp_path))
    driver.open()
    driver.configure(LIMITS, HOLD)
    cable.spoil(lambda _: b'')
    with pytest.raises(LinkLostError, match='silent') as raised:
        driver.release().result(PATIENCE)
    assert not isinstance(raised.value, NotSentError)
    assert mock.records('release')


def test_configuring_ends_in_bounded_time_over_a_bad_line(
    start_mock: Callable[..., Any],
    make_driver: Made,
    make_cable: Callable[[Path], 'Cable'],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Every setting is answered in its own time, but not all in the time for all; says how far."""
    monkeypatch.setattr(framed, 'CONFIGURE_WITHIN', 0.75)
    cable = make_cable(start_mock().port)
    driver = make_driver(end(tmp_path))
    driver.open()
    answers = itertools.count()
    cable.spoil(Loss(lambda answer: isinstance(answer, Ack) and next(answers) % 3 < 2))
    with pytest.raises(LinkLostError) as raised:
        driver.configure(LIMITS, HOLD)
    said = re.search(
        r'no answer to limits within 0\.75 s; (\d+) of 19 settings were confirmed$',
        str(raised.value),
    )
    assert said is not None, raised.value
    # An answer takes two repetitions of 0.1 s.
    assert 0 < int(said[1]) < 4
    assert not driver.status().connected


def test_storing_has_some_more_time(
    start_mock: Callable[..., Any], make_driver: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where only that is missing, the error says so."""
    monkeypatch.setattr(framed, 'STORE_WITHIN', -framed.CONFIGURE_WITHIN)
    driver = make_driver(start_mock().port)
    driver.open()
    with pytest.raises(LinkLostError, match=r'19 of 19 settings were .* not that they are stored'):
        driver.configure(LIMITS, HOLD, store=True)


def test_opening_ends_in_bounded_time_over_a_bad_line(
    start_mock: Callable[..., Any],
    make_driver: Made,
    make_cable: Callable[[Path], 'Cable'],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The time for it counts for the settings too."""
    monkeypatch.setattr(framed, 'OPEN_WITHIN', 0.75)
    monkeypatch.setattr(framed, 'LOST_AFTER', 60.0)
    cable = make_cable(start_mock().port)
    cable.spoil(Loss(lambda answer: isinstance(answer, SettingsReport)))
    driver = make_driver(end(tmp_path))
    with pytest.raises(LinkLostError, match=r'no answer to settings request within 0\.75 s'):
        driver.open()


def test_a_release_ends_a_configuring_that_waits(
    start_mock: Callable[..., Any],
    make_driver: Made,
    make_cable: Callable[[Path], 'Cable'],
    tmp_path: Path,
    until: Until,
) -> None:
    """It is confirmed while no answer to a setting comes, and configuring raises."""
    mock = start_mock()
    cable = make_cable(mock.port)
    driver = make_driver(end(tmp_path))
    driver.open()
    cable.spoil(Loss(ack_of(Limits)))
    with ThreadPoolExecutor(1) as threads:
        configuring = threads.submit(driver.configure, LIMITS, HOLD)
        until(lambda: len(mock.records('setting')) > 1)
        assert not configuring.done()
        assert driver.release().result(PATIENCE) is None
        with pytest.raises(RefusedError, match='given up for a release'):
            configuring.result(PATIENCE)
    assert driver.status().connected


def test_a_release_between_two_settings_ends_configuring_too(
    start_mock: Callable[..., Any], make_driver: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing waits at that moment; yet no setting is sent after the release."""
    mock = start_mock()
    driver = make_driver(mock.port)
    driver.open()
    write = frames.encode

    def release_and_write(message: Message, seq: int) -> bytes:
        if (message, seq) == (Limits(7, *LIMITS[7]), 0):  # checked, and not yet asked
            driver.release()
        return write(message, seq)

    monkeypatch.setattr(frames, 'encode', release_and_write)
    with pytest.raises(RefusedError, match='given up for a release'):
        driver.configure(LIMITS, HOLD)
    driver.refresh()
    assert [r.event for r in mock.records('setting', 'release')] == ['setting'] * 8 + ['release']
    monkeypatch.undo()
    driver.configure(LIMITS, HOLD)


def test_who_did_not_listen_has_heard_no_silence(
    start_mock: Callable[..., Any], make_driver: Made, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second between any two looks, as on a machine that sleeps again and again: no loss."""
    driver = make_driver(start_mock().port)
    driver.open()
    driver.configure(LIMITS, HOLD)
    seconds = itertools.count(time.monotonic())
    monkeypatch.setattr(conversation, 'time', SimpleNamespace(monotonic=lambda: next(seconds)))
    assert framed.LOST_AFTER < 1.0
    answered = driver.status().traffic.acknowledged
    until(lambda: driver.status().traffic.acknowledged > answered + 20)
    assert driver.status().connected


def test_it_tells_for_how_long_a_pose_has_waited(
    start_mock: Callable[..., Any],
    make_driver: Made,
    make_cable: Callable[[Path], 'Cable'],
    tmp_path: Path,
    until: Until,
) -> None:
    """The time grows until a later pose is answered, though the board answers all the rest."""
    mock = start_mock()
    cable = make_cable(mock.port)
    driver = make_driver(end(tmp_path))
    assert driver.status().waiting is None
    driver.open()
    driver.configure(LIMITS, HOLD)
    driver.set_pulses(POSE)
    driver.refresh()
    assert driver.status().waiting is None
    cable.spoil(Loss(ack_of(Pose)))
    began = time.monotonic()
    driver.set_pulses(POSE)

    def waited() -> float:
        driver.set_pulses(POSE)
        waiting = driver.status().waiting
        assert waiting is not None
        assert waiting <= time.monotonic() - began + LATE_LOOK
        return waiting

    until(lambda: waited() > 2 * framed.LOST_AFTER)
    assert driver.status().connected
    cable.spoil(bytes)

    def all_answered() -> bool:
        driver.set_pulses(POSE)
        return driver.refresh().waiting is None

    until(all_answered)
    cable.spoil(Loss(ack_of(Pose)))
    driver.set_pulses(POSE)
    assert driver.status().waiting is not None
    driver.release()
    assert driver.status().waiting is None


def test_a_refused_pose_is_answered(start_mock: Callable[..., Any], make_driver: Made) -> None:
    """Then nothing waits."""
    driver = make_driver(start_mock().port)
    driver.open()
    driver.set_pulses(POSE)
    assert driver.refresh().waiting is None
    assert driver.status().traffic.refused == 1


def test_poses_and_the_release_wait_for_no_thread(
    start_mock: Callable[..., Any],
    make_driver: Made,
    until: Until,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """They are on the line when the call returns, although the driver's thread does not run."""
    mock = start_mock()
    driver = make_driver(mock.port)
    driver.open()
    driver.configure(LIMITS, HOLD)
    stuck, go_on = threading.Event(), threading.Event()
    read = SerialLine.read

    def read_late(line: SerialLine, pause: float) -> bytes:
        stuck.set()
        go_on.wait()
        return read(line, pause)

    monkeypatch.setattr(SerialLine, 'read', read_late)
    try:
        stuck.wait()
        driver.set_pulses(POSE)
        driver.release()
        until(lambda: mock.records('pose') and mock.records('release'))
    finally:
        go_on.set()


def test_a_fresh_board_takes_limits_without_storing_them(
    start_mock: Callable[..., Any], make_driver: Made
) -> None:
    """They hold until the board is switched off; the next start finds a fresh board again."""
    mock = start_mock()
    driver = make_driver(mock.port)
    identity = driver.open()
    assert (identity.limits, identity.silence) == ({}, SilenceAction(Reaction.RELEASE, 0.5))
    driver.configure(LIMITS, HOLD)
    assert mock.records('store') == []
    driver.close()
    again = make_driver(mock.port).open()
    assert (again.limits, again.silence) == ({}, HOLD)


def test_stored_limits_outlast_a_restart(
    start_mock: Callable[..., Any], make_driver: Made, tmp_path: Path
) -> None:
    """A board that was switched off and on tells the limits it was given, and how it reacts."""
    memory = ('--memory', str(tmp_path / 'memory.json'))
    mock = start_mock(*memory)
    driver = make_driver(mock.port)
    first = driver.open()
    driver.configure(LIMITS, HOLD, store=True)
    driver.configure(LIMITS, HOLD)
    driver.close()
    mock.process.kill()
    again = make_driver(start_mock(*memory).port).open()
    assert (again.limits, again.silence) == (LIMITS, HOLD)
    assert again.boots == first.boots + 1
    assert again.enabled == frozenset()


def test_other_limits_than_the_stored_ones_are_an_error(
    start_mock: Callable[..., Any], make_driver: Made
) -> None:
    """It names every channel with both ranges and what to do; the board is told nothing."""
    mock = start_mock()
    driver = make_driver(mock.port)
    driver.open()
    driver.configure(LIMITS, HOLD, store=True)
    told = len(mock.records('setting'))
    others = LIMITS | {4: (650.0, 2400.0), 11: (600.0, 2300.5)}
    with pytest.raises(SettingsDifferError) as raised:
        driver.configure(others, HOLD)
    message = str(raised.value)
    assert 'channel 4 stores 600 to 2400 us, given 650 to 2400 us' in message
    assert 'channel 11 stores 600 to 2400 us, given 600 to 2300.5 us' in message
    assert 'store_limits' in message
    assert len(mock.records('setting')) == told
    driver.configure(others, HOLD, store=True)
    driver.configure(others, HOLD)


def test_limits_differ_only_by_what_the_line_can_carry(
    start_mock: Callable[..., Any], make_driver: Made
) -> None:
    """Limits of a servo map are no whole half microseconds; the board's rounding is no change."""
    driver = make_driver(start_mock().port)
    driver.open()
    driver.configure({0: (600.2, 2399.9)}, HOLD, store=True)
    driver.configure({0: (600.2, 2399.9)}, HOLD)


def test_another_protocol_says_what_to_do(
    start_mock: Callable[..., Any], make_driver: Made
) -> None:
    """The message names both versions and the way to the right firmware."""
    driver = make_driver(start_mock('--protocol', '1').port)
    with pytest.raises(BoardError, match=r'speaks protocol 1 .* this package 2; .*firmware'):
        driver.open()


def test_what_belongs_to_the_board_itself_is_stored(
    start_mock: Callable[..., Any], make_driver: Made, tmp_path: Path
) -> None:
    """Supply and period are set and stored, and nothing else is changed."""
    memory = ('--memory', str(tmp_path / 'memory.json'), '--supply', '7.4')
    mock = start_mock(*memory)
    driver = make_driver(mock.port)
    driver.open()
    driver.configure(LIMITS, HOLD, store=True)
    supply, period = Supply(divider_permille=4000, low_mv=6000), Period(10_000)
    driver.adjust(supply, period)
    driver.close()
    mock.process.kill()
    again = make_driver(start_mock(*memory).port)
    again.open()
    assert again.settings() == Settings(LIMITS, Silence(Reaction.HOLD, 20_000), supply, period)
    assert again.refresh().supply == 7.4


def test_a_setting_that_cannot_be_sent_is_an_error(
    start_mock: Callable[..., Any], make_driver: Made
) -> None:
    """Numbers that the line has no room for are refused on this side, and the link lives on."""
    driver = make_driver(start_mock().port)
    driver.open()
    with pytest.raises(CommandError, match='does not fit'):
        driver.configure(LIMITS, SilenceAction(Reaction.HOLD, 66.0))
    with pytest.raises(CommandError, match='pulse nan us'):
        driver.configure({0: (float('nan'), 2400.0)}, HOLD)
    driver.configure(LIMITS, HOLD)


def test_low_voltage_is_told(
    start_mock: Callable[..., Any], make_driver: Made, until: Until
) -> None:
    """While the supply sags the status says so, the pulses stay on, and later it is well again."""
    supply = ('--supply', '7.4', '--low-voltage', '6.0')
    driver = make_driver(
        start_mock(*supply, '--sag', '5.5', '--sag-at', '20', '--sag-for', '3').port
    )
    driver.open()
    driver.configure({0: LIMITS[0]}, HOLD)
    driver.set_pulses({0: 1500.0})
    driver.enable([0])
    status = driver.refresh()
    assert (status.supply, status.low_voltage) == (7.4, False)
    until(lambda: driver.status().low_voltage)
    status = driver.status()
    assert (status.supply, status.enabled) == (5.5, frozenset({0}))
    until(lambda: not driver.status().low_voltage)
    assert driver.status().supply == 7.4


def test_a_missing_port_says_what_to_do(tmp_path: Path, make_driver: Made) -> None:
    """The message names the port and what there is instead."""
    with pytest.raises(PortError, match=r'nowhere does not exist; plug the board in'):
        make_driver(tmp_path / 'nowhere').open()


def test_a_busy_port_says_what_to_do(start_mock: Callable[..., Any], make_driver: Made) -> None:
    """A second driver is told so, and the first one goes on."""
    mock = start_mock()
    first = make_driver(mock.port)
    first.open()
    with pytest.raises(PortError, match='is in use by another program; close'):
        make_driver(mock.port).open()
    first.configure(LIMITS, HOLD)


def test_a_file_is_not_a_port(tmp_path: Path, make_driver: Made) -> None:
    """Something that can be opened but is no terminal is told as what it is."""
    file = tmp_path / 'file'
    file.touch()
    with pytest.raises(PortError, match='is an ordinary file, and no port'):
        make_driver(file).open()


def test_a_board_that_never_answers_is_given_up(
    start_mock: Callable[..., Any], make_driver: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pings are repeated for a while and then end in an error."""
    monkeypatch.setattr(framed, 'OPEN_WITHIN', 0.5)
    driver = make_driver(start_mock('--silent').port)
    with pytest.raises(LinkLostError, match='no answer to hello'):
        driver.open()
    status = driver.status()
    assert not status.connected
    assert status.traffic.sent > 1
    assert status.traffic.sent == status.traffic.unanswered


def test_close_ends_an_opening(
    start_mock: Callable[..., Any], make_driver: Made, until: Until
) -> None:
    """Who waits in open gets an error when another thread closes the driver."""
    driver = make_driver(start_mock('--silent').port)
    errors: list[LinkLostError] = []

    def open_it() -> None:
        try:
            driver.open()
        except LinkLostError as error:
            errors.append(error)

    thread = threading.Thread(target=open_it)
    thread.start()
    until(lambda: driver.status().traffic.sent)
    driver.close()
    thread.join(timeout=30.0)
    assert len(errors) == 1


def test_death_of_the_board_is_noticed(start_mock: Callable[..., Any], make_driver: Made) -> None:
    """When the port goes away, the status tells and every later call raises."""
    mock = start_mock()
    driver = make_driver(mock.port)
    driver.open()
    mock.process.kill()
    mock.process.wait()
    for _ in range(2):  # waits for an answer in vain, and does not even ask any more
        with pytest.raises(LinkLostError, match='the line broke'):
            driver.enable([0])
    with pytest.raises(LinkLostError, match='the line broke'):
        driver.set_pulses(POSE)
    assert not driver.status().connected
    assert 'the line broke' in driver.status().last_error


def test_nobody_waits_for_a_thread_that_is_ending(
    start_mock: Callable[..., Any],
    make_driver: Made,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A request made after the loss, while the port is still being closed, raises at once."""
    mock = start_mock()
    driver = make_driver(mock.port)
    driver.open()
    go_on = threading.Event()
    close = serial.Serial.close

    def close_late(port: serial.Serial) -> None:
        go_on.wait()
        close(port)

    monkeypatch.setattr(serial.Serial, 'close', close_late)
    mock.process.kill()
    mock.process.wait()
    try:
        for _ in range(2):  # the first one waits for the loss
            with pytest.raises(LinkLostError, match='the line broke'):
                driver.enable([0])
    finally:
        go_on.set()


def test_a_stalled_board_is_noticed(
    start_mock: Callable[..., Any], make_driver: Made, until: Until
) -> None:
    """A board that stops reading counts as lost, although its port is still there."""
    driver = make_driver(start_mock('--stall', '60', '--stall-at', '30').port)
    driver.open()
    driver.configure(LIMITS, HOLD)

    def drive() -> BoardStatus:
        with contextlib.suppress(LinkLostError):
            driver.set_pulses(POSE)
        return driver.status()

    until(lambda: not drive().connected)
    assert 'silent' in driver.status().last_error


def test_a_stalled_board_finds_few_stale_poses(
    start_mock: Callable[..., Any],
    make_driver: Made,
    until: Until,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Poses do not pile up in front of a board that reads nothing for a second."""
    monkeypatch.setattr(framed, 'LOST_AFTER', 60.0)
    mock = start_mock('--stall', '1', '--stall-at', '30')
    driver = make_driver(mock.port)
    driver.open()
    driver.configure(LIMITS, HOLD)
    offered_at: list[float] = []

    def drive() -> list[Record]:
        driver.set_pulses({0: 600.0 + len(offered_at) / 2})
        offered_at.append(time.monotonic())
        received: list[Record] = mock.records('pose')
        return received

    until(lambda: any(b.time - a.time > 0.9 for a, b in itertools.pairwise(drive())))
    poses = drive()
    _, resumed = max(itertools.pairwise(poses), key=lambda pair: pair[1].time - pair[0].time)
    until(lambda: drive()[-1].time > resumed.time + 0.2)
    stale = [
        record
        for record in mock.records('pose')
        if record.time >= resumed.time
        and offered_at[round(2 * (record.pulses_us[0] - 600.0))] < resumed.time
    ]
    # Two every 0.1 s, where a control loop at 100 Hz offered a hundred.
    assert 0 < len(stale) <= 24


def test_a_noisy_line_makes_no_pulse_of_its_own(
    start_mock: Callable[..., Any], make_driver: Made, until: Until
) -> None:
    """With bytes lost and turned over both ways, every logged pose is one that was sent."""
    mock = start_mock('--drop', '0.001', '--corrupt', '0.002')
    driver = make_driver(mock.port)
    driver.open()
    driver.configure(LIMITS, HOLD)
    sent: list[dict[int, float]] = []

    def drive() -> int:
        sent.append({channel: 1000.0 + len(sent) / 2 + channel for channel in range(18)})
        driver.set_pulses(sent[-1])
        return len(mock.records('pose'))

    until(lambda: drive() > 100)
    driver.enable(range(18))
    until(lambda: drive() > 200)
    until(lambda: answered(driver))
    told = [record.pulses_us for record in mock.records('pose')]
    assert all(pulses in sent for pulses in told)
    assert mock.records('bad')
    traffic = driver.status().traffic
    assert traffic.unanswered > 0
    assert traffic.bad > 0
