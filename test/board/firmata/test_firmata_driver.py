# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The Firmata driver in conversation with a simulated board behind a real pty."""

import os
import signal
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import BoardLink, BoardSpec, LinkState, find_driver
from leg_kinematics.board.driver import Reaction, SilenceAction
from leg_kinematics.board.firmata import driver as module
from leg_kinematics.board.firmata.driver import FirmataDriver
from leg_kinematics.board.firmata.messages import PinState
from leg_kinematics.board.serial_line import SerialLine
from leg_kinematics.errors import CommandError, LinkLostError, NotSentError, PortError, RefusedError

if TYPE_CHECKING:
    from test.simulated_firmata import FirmataProcess

HOLD = SilenceAction(Reaction.HOLD, 0.5)
LIMITS = dict.fromkeys((3, 9, 17), (600.0, 2400.0))
POSE = {3: 1200.0, 9: 1500.4, 17: 1900.0}
ROUNDED = {3: 1200.0, 9: 1500.0, 17: 1900.0}

PATIENCE = 30.0
"""s, for a machine under heavy load."""

#: What becomes of a pin that nobody asked for.
AGAIN = ['enable', 'release']

Until = Callable[[Callable[[], object]], None]
StartFirmata = Callable[..., 'FirmataProcess']
Made = Callable[[Path], FirmataDriver]


@pytest.fixture
def make_driver() -> Iterator[Made]:
    """Make drivers, and close them at the end."""
    made: list[FirmataDriver] = []

    def make(port: Path) -> FirmataDriver:
        made.append(FirmataDriver(str(port)))
        return made[-1]

    yield make
    for driver in made:
        driver.close()


def bring_up(driver: FirmataDriver) -> None:
    """Open, configure and enable all pins in use."""
    driver.open()
    driver.configure(LIMITS, HOLD)
    driver.set_pulses(POSE)
    driver.enable(LIMITS)


def write_past_the_driver(board: 'FirmataProcess', data: str) -> None:
    """Have bytes come to the board that the driver did not send, as damaged ones would."""
    port = os.open(board.port, os.O_RDWR | os.O_NOCTTY)
    os.write(port, bytes.fromhex(data))
    os.close(port)


def test_it_is_found_by_its_name() -> None:
    """The installed package offers it, and it says what it cannot promise."""
    assert find_driver('firmata') is FirmataDriver
    assert any('checksum' in text for text in FirmataDriver.shortcomings)


def test_it_identifies_enables_and_drives(
    start_firmata: StartFirmata, make_driver: Made, until: Until
) -> None:
    """A whole conversation: nothing has pulses before enable, and then what the poses say."""
    board = start_firmata()
    driver = make_driver(board.port)
    identity = driver.open()
    assert identity.channels == 20
    assert identity.firmware == 'GreenhouseFirmata.ino 2.8, Firmata 2.8'
    assert (identity.pulses_us, identity.limits, identity.silence) == ({}, {}, None)
    driver.configure(LIMITS, HOLD)
    driver.set_pulses(POSE)
    assert board.records('enable', 'pose') == []
    driver.enable(LIMITS)
    assert driver.status().enabled == LIMITS.keys()
    assert board.pulses_us() == ROUNDED
    driver.set_pulses(POSE | {17: 700.6})
    until(lambda: board.pulses_us() == ROUNDED | {17: 701.0})
    assert driver.status().pose_us == ROUNDED | {17: 701.0}
    # Never anything else in between, but for what the servo library begins with.
    told = {(pin, p) for record in board.records('pose') for pin, p in record.pulses_us.items()}
    assert told <= {*ROUNDED.items(), (17, 701.0)}
    traffic = driver.status().traffic
    assert traffic.acknowledged > 0
    assert (traffic.refused, traffic.unanswered, traffic.bad) == (0, 0, 0)


def test_limits_are_enforced_on_the_board_too(
    start_firmata: StartFirmata, make_driver: Made, until: Until
) -> None:
    """A pulse that comes by another way is cut off at the limits that the board was given."""
    board = start_firmata()
    driver = make_driver(board.port)
    driver.open()
    driver.configure({3: (1000.0, 2000.0)}, HOLD)
    driver.set_pulses({3: 1500.0})
    driver.enable([3])
    write_past_the_driver(board, 'E3 60 12')  # 2400 us
    until(lambda: {r.pulses_us[3] for r in board.records('pose')} == {1500.0, 2000.0})


@pytest.mark.parametrize(
    ('pulses_us', 'complaint'),
    [
        ({1: 1500.0}, 'pin 1 cannot drive a servo'),
        ({3: float('nan')}, 'pulse nan us for pin 3'),
        ({3: 543.0}, 'pulse 543.0 us for pin 3'),
    ],
)
def test_a_pose_that_is_none_is_not_sent(
    start_firmata: StartFirmata, make_driver: Made, pulses_us: dict[int, float], complaint: str
) -> None:
    """What the board would take for an angle, or for nothing, is refused on this side."""
    driver = make_driver(start_firmata().port)
    bring_up(driver)
    with pytest.raises(CommandError, match=complaint):
        driver.set_pulses(pulses_us)


def test_a_pose_beyond_the_limits_is_refused_whole(
    start_firmata: StartFirmata, make_driver: Made, until: Until
) -> None:
    """It is counted and named, and no servo moves; the next good pose gets through."""
    board = start_firmata()
    driver = make_driver(board.port)
    bring_up(driver)
    driver.set_pulses({3: 1300.0, 9: 2450.0, 17: 1300.0})
    assert driver.status().traffic.refused == 1
    assert driver.status().last_error == (
        'refused a pose: 2450 us of pin 9 is beyond its limits 600 to 2400 us'
    )
    driver.set_pulses(POSE | {3: 1250.0})
    until(lambda: board.pulses_us()[3] == 1250.0)
    assert 1300.0 not in [p for r in board.records('pose') for p in r.pulses_us.values()]


@pytest.mark.parametrize(
    ('limits', 'silence', 'complaint'),
    [
        ({1: (600.0, 2400.0)}, HOLD, 'pin 1 cannot drive a servo; those that can are 2, 3'),
        ({3: (500.0, 2400.0)}, HOLD, 'limits 500 to 2400 us of pin 3'),
        ({3: (2400.0, 600.0)}, HOLD, 'limits 2400 to 600 us of pin 3'),
        (LIMITS, SilenceAction(Reaction.RELEASE, 0.5), 'can only hold'),
    ],
)
def test_what_the_board_cannot_do_is_refused(
    start_firmata: StartFirmata,
    make_driver: Made,
    limits: dict[int, tuple[float, float]],
    silence: SilenceAction,
    complaint: str,
) -> None:
    """Before anything is switched on."""
    board = start_firmata()
    driver = make_driver(board.port)
    driver.open()
    with pytest.raises(RefusedError, match=complaint):
        driver.configure(limits, silence)
    assert board.records('enable') == []


def test_enabling_needs_a_pose(start_firmata: StartFirmata, make_driver: Made) -> None:
    """Without one nobody knows which pulse to give."""
    driver = make_driver(start_firmata().port)
    driver.open()
    driver.configure(LIMITS, HOLD)
    with pytest.raises(RefusedError, match='no pose gave pin 9 a pulse'):
        driver.enable([9])


def test_a_board_with_too_few_servos_is_heard(
    start_firmata: StartFirmata, make_driver: Made, until: Until
) -> None:
    """The board claims the mode of the pin all the same; what it says in words counts."""
    board = start_firmata('--most-servos', '2')
    driver = make_driver(board.port)
    driver.open()
    driver.configure(LIMITS, HOLD)
    driver.set_pulses(POSE)
    driver.enable([3, 9])
    with pytest.raises(RefusedError, match='Max servos attached'):
        driver.enable([17])
    # The pin is taken out of the mode that it does not have.
    until(lambda: driver.status().enabled == {3, 9})


def test_release_switches_all_off_and_keeps_them_off(
    start_firmata: StartFirmata, make_driver: Made, until: Until
) -> None:
    """Confirmed pin by pin; what was waiting is given up, and no later pose switches any on."""
    board = start_firmata()
    driver = make_driver(board.port)
    bring_up(driver)
    driver.release()
    until(lambda: not driver.status().enabled)
    assert board.pulses_us() == {}
    driver.set_pulses(POSE)
    answered = driver.status().traffic.acknowledged
    until(lambda: driver.status().traffic.acknowledged > answered + 3)
    assert board.pulses_us() == {}
    driver.enable(LIMITS)
    assert board.pulses_us() == ROUNDED


def test_a_release_says_when_it_is_confirmed(
    start_firmata: StartFirmata, make_driver: Made
) -> None:
    """When every pin has been seen off, and not before; asked again meanwhile, it is the same."""
    board = start_firmata()
    driver = make_driver(board.port)
    bring_up(driver)
    assert driver.status().waiting is None  # it does not answer poses
    board.process.send_signal(signal.SIGSTOP)
    first, second = driver.release(), driver.release()
    assert not any(release.done() for release in (first, second))
    assert not first.cancel()
    board.process.send_signal(signal.SIGCONT)
    assert (first.result(PATIENCE), second.result(PATIENCE)) == (None, None)
    assert board.pulses_us() == {}
    assert driver.status().enabled == frozenset()


def test_a_release_that_cannot_be_sent_or_is_not_answered_says_so(
    start_firmata: StartFirmata, make_driver: Made
) -> None:
    """Not opened, silent and gone are three cases."""
    board = start_firmata()
    driver = make_driver(board.port)
    with pytest.raises(NotSentError, match='no board has identified itself'):
        driver.release().result(PATIENCE)
    bring_up(driver)
    board.process.send_signal(signal.SIGSTOP)
    with pytest.raises(LinkLostError, match='no answer to') as raised:
        driver.release().result(PATIENCE)
    assert not isinstance(raised.value, NotSentError)
    with pytest.raises(NotSentError, match=r'no release was sent: .*no answer to'):
        driver.release().result(PATIENCE)


def test_opening_ends_in_bounded_time(
    start_firmata: StartFirmata, make_driver: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every question has its own time, but all of them have one together."""
    monkeypatch.setattr(module, 'OPEN_WITHIN', 0.5)
    monkeypatch.setattr(module, 'LOST_AFTER', 60.0)
    board = start_firmata()
    driver = make_driver(board.port)
    book = FirmataDriver._book  # noqa: SLF001  no other way to be there at that moment

    def book_and_stop(driver: FirmataDriver, state: PinState) -> None:
        book(driver, state)
        board.process.send_signal(signal.SIGSTOP)

    monkeypatch.setattr(FirmataDriver, '_book', book_and_stop)
    with pytest.raises(LinkLostError, match=r'no answer to .* within 0\.5 s'):
        driver.open()


def test_release_stops_all_pins_in_one_go(
    start_firmata: StartFirmata, make_driver: Made, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before anything else is said on the line; the board is asked about them afterwards."""
    driver = make_driver(start_firmata().port)
    bring_up(driver)
    written: list[bytes] = []
    write = SerialLine.write

    def note(line: SerialLine, data: bytes) -> None:
        written.append(data)
        write(line, data)

    monkeypatch.setattr(SerialLine, 'write', note)
    driver.release()
    until(lambda: not driver.status().enabled)
    off = bytes.fromhex('F4 03 00 F4 09 00 F4 11 00')
    (released,) = [data for data in written if off in data]
    assert released.startswith(off)


def test_a_pin_that_was_not_asked_for_is_switched_off(
    start_firmata: StartFirmata, make_driver: Made, until: Until
) -> None:
    """A damaged byte can switch one on; it is found when its turn comes to be looked at."""
    board = start_firmata()
    driver = make_driver(board.port)
    bring_up(driver)
    driver.release()
    until(lambda: not driver.status().enabled)
    write_past_the_driver(board, 'F4 03 04')
    until(lambda: [record.event for record in board.records('enable', 'release')][6:] == AGAIN)


def test_a_release_right_before_closing_gets_through(
    start_firmata: StartFirmata, make_driver: Made
) -> None:
    """Closing waits for it."""
    board = start_firmata()
    driver = make_driver(board.port)
    bring_up(driver)
    driver.release()
    driver.close()
    assert board.pulses_us() == {}


def test_a_board_that_kept_its_pulses_says_so(
    start_firmata: StartFirmata, make_driver: Made, until: Until
) -> None:
    """A new conversation learns which pins are on and at which pulse, and goes on from there."""
    board = start_firmata()
    first = make_driver(board.port)
    bring_up(first)
    first.close()
    second = make_driver(board.port)
    assert second.open().pulses_us == ROUNDED
    assert second.status().enabled == LIMITS.keys()
    second.configure(LIMITS, HOLD)
    second.set_pulses(POSE | {9: 1600.0})
    until(lambda: board.pulses_us() == ROUNDED | {9: 1600.0})
    assert [record.event for record in board.records('enable', 'release')] == ['enable'] * 3


def test_a_restart_of_the_board_is_noticed(
    start_firmata: StartFirmata, make_driver: Made, until: Until
) -> None:
    """The board announces itself as after its start: then its pulses are gone."""
    board = start_firmata()
    driver = make_driver(board.port)
    bring_up(driver)
    board.process.send_signal(signal.SIGUSR1)
    until(lambda: not driver.status().connected)
    assert 'the board has restarted' in driver.status().last_error


@pytest.mark.parametrize(
    ('number', 'words'), [(signal.SIGKILL, 'the line broke'), (signal.SIGSTOP, 'no answer to')]
)
def test_a_lost_board_is_noticed(
    start_firmata: StartFirmata,
    make_driver: Made,
    number: signal.Signals,
    words: str,
) -> None:
    """Gone or silent, the status tells, and every later call raises."""
    board = start_firmata()
    driver = make_driver(board.port)
    bring_up(driver)
    board.process.send_signal(number)
    if number == signal.SIGKILL:
        board.process.wait()
    for _ in range(2):  # waits for an answer in vain, and does not even ask any more
        with pytest.raises(LinkLostError, match=words):
            driver.enable([3])
    with pytest.raises(LinkLostError, match=words):
        driver.set_pulses(POSE)
    assert not driver.status().connected
    assert words in driver.status().last_error


def test_noise_from_the_board_is_borne(
    start_firmata: StartFirmata, make_driver: Made, until: Until
) -> None:
    """It is counted; the conversation goes on."""
    board = start_firmata()
    driver = make_driver(board.port)
    bring_up(driver)
    board.process.send_signal(signal.SIGUSR2)
    until(lambda: driver.status().traffic.bad)
    driver.set_pulses(POSE | {9: 1600.0})
    until(lambda: board.pulses_us()[9] == 1600.0)
    assert driver.status().connected


def test_a_missing_port_says_what_to_do(tmp_path: Path, make_driver: Made) -> None:
    """As for every driver."""
    with pytest.raises(PortError, match=r'nowhere does not exist; plug the board in'):
        make_driver(tmp_path / 'nowhere').open()


def test_a_board_that_never_answers_is_given_up(
    start_firmata: StartFirmata, make_driver: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Questions are repeated for a while and then end in an error."""
    monkeypatch.setattr(module, 'OPEN_WITHIN', 0.5)
    board = start_firmata()
    board.process.send_signal(signal.SIGSTOP)
    driver = make_driver(board.port)
    with pytest.raises(LinkLostError, match='no answer to Firmata message f9'):
        driver.open()
    traffic = driver.status().traffic
    assert traffic.sent > 1
    assert traffic.sent == traffic.unanswered


def test_a_line_that_breaks_at_the_end_of_opening_is_noticed(
    start_firmata: StartFirmata, make_driver: Made, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board has answered everything, but nobody may take it for connected any more."""
    board = start_firmata()
    driver = make_driver(board.port)
    look_at = FirmataDriver._look_at  # noqa: SLF001  no other way to be there at that moment

    def look_and_lose(
        driver: FirmataDriver, pins: Iterable[int], deadline: float
    ) -> list[PinState]:
        states = look_at(driver, pins, deadline)
        board.process.kill()
        until(lambda: driver.status().last_error)
        return states

    monkeypatch.setattr(FirmataDriver, '_look_at', look_and_lose)
    with pytest.raises(LinkLostError, match='the line broke'):
        driver.open()
    assert not driver.status().connected


def test_a_link_starts_a_restarted_board_anew(start_firmata: StartFirmata, until: Until) -> None:
    """The channels count as let go, and are on again only when enabled again."""
    board = start_firmata()
    link = BoardLink(BoardSpec('rear', 'firmata', str(board.port)), LIMITS, HOLD)
    link.open()
    try:
        until(lambda: link.set_pulses(POSE))
        link.enable(LIMITS)
        until(lambda: link.status().enabled == LIMITS.keys())
        board.process.send_signal(signal.SIGUSR1)
        until(lambda: link.status().let_go and link.status().state is LinkState.READY)
        until(lambda: link.set_pulses(POSE))
        assert link.status().enabled == frozenset()
        assert board.pulses_us() == {}
        link.enable(LIMITS)
        until(lambda: board.pulses_us() == ROUNDED)
    finally:
        link.close()
