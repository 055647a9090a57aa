# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A link that outlives the loss of its board, with real processes at both ends of a pty."""

import itertools
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from leg_kinematics.board.driver import BoardIdentity, BoardSpec, Reaction, SilenceAction
from leg_kinematics.board.framed.driver import LOST_AFTER
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.board.link import STALLED_AFTER, BoardLink, LinkState
from leg_kinematics.board.simulated.memory import Memory
from leg_kinematics.errors import BoardError

CHANNELS = range(18)
ON = frozenset(CHANNELS)
LIMITS = dict.fromkeys(CHANNELS, (600.0, 2400.0))
HOLD = SilenceAction(Reaction.HOLD, 20.0)

Until = Callable[[Callable[[], object]], None]
MakeLink = Callable[..., BoardLink]


@pytest.fixture
def make_link(tmp_path: Path) -> Iterator[MakeLink]:
    """Make links to the port of the mock board, and close them at the end."""
    made: list[BoardLink] = []

    def make(
        silence: SilenceAction = HOLD,
        limits: dict[int, tuple[float, float]] = LIMITS,
        *,
        store_limits: bool = False,
    ) -> BoardLink:
        spec = BoardSpec('main', 'framed', str(tmp_path / 'port'))
        made.append(BoardLink(spec, limits, silence, store_limits=store_limits))
        return made[-1]

    yield make
    for link in made:
        link.close()


class Driver:
    """Streams poses that all differ, as a robot's control loop does."""

    def __init__(self, link: BoardLink) -> None:
        """Start at 1000 us."""
        self.link = link
        self.sent: list[dict[int, float]] = []
        self._steps = itertools.count()

    def step(self) -> bool:
        """Offer one pose."""
        step = next(self._steps)
        self.sent.append({channel: 1000.0 + step % 1000 / 2 + channel for channel in CHANNELS})
        return self.link.set_pulses(self.sent[-1])

    def until(self, condition: Callable[[], object]) -> Callable[[], bool]:
        """Combine a step with a condition, for waiting while driving."""

        def drive_and_ask() -> bool:
            self.step()
            return bool(condition())

        return drive_and_ask


def open_link(link: BoardLink, until: Until) -> BoardIdentity:
    """Open a link and wait until it has found its board."""
    link.open()
    until(lambda: link.status().state is LinkState.READY)
    identity = link.status().identity
    assert identity is not None
    return identity


def start_up(link: BoardLink, until: Until) -> Driver:
    """Open a link and enable all channels."""
    open_link(link, until)
    driver = Driver(link)
    link.enable(CHANNELS)
    until(driver.until(lambda: link.status().enabled == ON))
    return driver


def test_it_opens_configures_and_enables(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """After the start-up the link is ready, nothing was refused and the board drives."""
    mock = start_mock()
    link = make_link()
    assert link.status().state is LinkState.CLOSED
    start_up(link, until)
    status = link.status()
    assert status.state is LinkState.READY
    assert (status.traffic.refused, status.losses, status.let_go, status.last_error) == (
        0,
        0,
        0,
        '',
    )
    assert len(mock.records('setting')) == 1 + len(LIMITS)
    assert len(mock.records('enable')) == 1


def test_a_board_that_is_not_there_is_waited_for(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """Opening returns at once; the status says why there is no board, until there is one."""
    link = make_link()
    link.open()
    assert link.status().state is LinkState.OPENING
    until(lambda: 'does not exist; plug the board in' in link.status().last_error)
    status = link.status()
    assert (status.state, status.identity, status.losses) == (LinkState.OPENING, None, 0)
    assert not Driver(link).step()
    start_mock()
    until(lambda: link.status().state is LinkState.READY)
    driver = Driver(link)
    link.enable(CHANNELS)
    until(driver.until(lambda: link.status().enabled == ON))


@pytest.mark.parametrize(
    ('wrong', 'words'),
    [
        ({'limits': {0: (100.0, 2400.0)}}, 'refused limits'),
        ({'silence': SilenceAction(Reaction.HOLD, 66.0)}, 'does not fit'),
    ],
)
def test_a_wrong_setting_is_told(
    start_mock: Callable[..., Any],
    make_link: MakeLink,
    until: Until,
    wrong: dict[str, Any],
    words: str,
) -> None:
    """Limits or a timeout that no board takes; when the link is closed the port is free again."""
    start_mock()
    link = make_link(**wrong)
    link.open()
    until(lambda: words in link.status().last_error)
    assert link.status().state is LinkState.OPENING
    link.close()
    open_link(make_link(), until)


def test_limits_are_stored_only_on_request(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """A board that stores others is not used, unless the link may store its own."""
    start_mock()
    first = make_link(store_limits=True)
    open_link(first, until)
    first.close()
    others = LIMITS | {2: (700.0, 2300.0)}
    refused = make_link(limits=others)
    refused.open()
    until(lambda: 'channel 2 stores 600 to 2400 us' in refused.status().last_error)
    assert refused.status().state is LinkState.OPENING
    refused.close()
    second = make_link(limits=others, store_limits=True)
    open_link(second, until)
    second.close()
    assert open_link(make_link(limits=others), until).limits == others


def test_a_board_that_is_found_again_is_never_made_to_store(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until, tmp_path: Path
) -> None:
    """Another board at the same port, with limits of its own, keeps them, and nothing moves."""
    others = dict.fromkeys(CHANNELS, (800.0, 2200.0))
    memory = Memory(7, Settings(limits=others))
    memory.save(tmp_path / 'memory.json')
    first = start_mock()
    link = make_link(store_limits=True)
    driver = start_up(link, until)
    first.kill()
    second = start_mock('--memory', str(tmp_path / 'memory.json'))
    until(driver.until(lambda: 'stores other pulse limits' in link.status().last_error))
    assert link.status().state is LinkState.LOST
    assert not driver.step()
    hello = [record.time for record in second.records('hello')][-1]
    assert [r.event for r in second.records('pose') if r.time > hello] == []
    assert Memory.load(tmp_path / 'memory.json').settings == memory.settings


def test_low_voltage_is_passed_on(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """The link tells what its board tells."""
    start_mock('--supply', '5.0', '--low-voltage', '6.0')
    link = make_link()
    open_link(link, until)
    until(lambda: link.status().board.low_voltage)
    assert link.status().board.supply == 5.0


def test_a_restarted_board_waits_for_the_start_up(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """After SIGKILL and restart the link configures by itself and enables nothing by itself."""
    first = start_mock()
    link = make_link()
    driver = start_up(link, until)
    first.kill()
    until(driver.until(lambda: link.status().state is LinkState.LOST))
    assert not driver.step()
    assert link.status().enabled == ON  # the last that was known
    second = start_mock()
    until(driver.until(lambda: link.status().state is LinkState.READY))
    boot = second.records('boot')[-1].time
    until(driver.until(lambda: any(r.time > boot for r in second.records('pose'))))
    status = link.status()
    assert (status.losses, status.reboots, status.let_go) == (1, 1, 1)
    assert status.enabled == frozenset()
    assert all(record.time < boot for record in second.records('enable'))
    link.enable(CHANNELS)
    until(driver.until(lambda: link.status().enabled == ON))
    assert all(record.pulses_us in driver.sent for record in second.records('pose'))


def test_a_board_plugged_in_again_goes_on(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """A board that kept its state is configured again and drives on without a start-up."""
    mock = start_mock('--hang-up-after', '60', '--hang-up-for', '0.3')
    link = make_link()
    driver = start_up(link, until)
    until(driver.until(lambda: link.status().losses))
    until(driver.until(lambda: link.status().state is LinkState.READY))
    count = len(mock.records('pose'))
    until(driver.until(lambda: len(mock.records('pose')) > count))
    status = link.status()
    assert (status.reboots, status.let_go) == (0, 0)
    assert status.enabled == ON
    assert len(mock.records('enable')) == 1
    assert mock.records('pose')[-1].enabled == 2**18 - 1


def test_a_stalled_board_is_lost_and_found(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """One that owes an answer for long is looked for anew, and drives on where it is found."""
    mock = start_mock('--stall', '2.0', '--stall-at', '60')
    link = make_link()
    driver = start_up(link, until)
    until(driver.until(lambda: link.status().losses))
    # Which of the two is noticed first is chance: it says nothing, so it answers no pose either.
    said = link.status().last_error
    assert said.endswith((f'silent for {LOST_AFTER} s', f'a pose for {STALLED_AFTER} s'))
    until(driver.until(lambda: link.status().state is LinkState.READY))
    assert link.status().let_go == 0
    count = len(mock.records('pose'))
    until(driver.until(lambda: len(mock.records('pose')) > count))
    assert all(record.pulses_us in driver.sent for record in mock.records('pose'))


def test_silence_that_released_needs_a_start_up(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """When poses stop and the board lets go, new poses alone do not switch it on again."""
    mock = start_mock()
    link = make_link(SilenceAction(Reaction.RELEASE, 0.3))
    driver = start_up(link, until)
    until(lambda: link.status().let_go)
    assert link.status().enabled == frozenset()
    assert link.status().losses == 0
    count = len(mock.records('pose'))
    until(driver.until(lambda: len(mock.records('pose')) > count + 5))
    assert len(mock.records('enable')) == 1
    link.enable(CHANNELS)
    until(driver.until(lambda: link.status().enabled == ON))


def test_release_is_latched_until_rearmed(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """While released, poses and enabling do nothing; after rearming the start-up works again."""
    mock = start_mock()
    link = make_link()
    driver = start_up(link, until)
    link.release()
    until(lambda: link.status().enabled == frozenset())
    assert link.status().released
    count = len(mock.records('pose'))
    link.enable(CHANNELS)
    assert not driver.step()
    link.rearm()
    assert not link.status().released
    until(driver.until(lambda: len(mock.records('pose')) > count + 5))
    assert link.status().enabled == frozenset()
    assert link.status().let_go == 0
    link.enable(CHANNELS)
    until(driver.until(lambda: link.status().enabled == ON))


def test_release_reaches_a_board_that_was_away(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """A release while the line is broken is sent first when the board, still driving, is back."""
    mock = start_mock('--hang-up-after', '60', '--hang-up-for', '1.0')
    link = make_link()
    driver = start_up(link, until)
    until(driver.until(lambda: link.status().state is LinkState.LOST))
    link.release()
    assert not link.may_rearm()
    with pytest.raises(BoardError, match='has not confirmed its release'):
        link.rearm()
    until(lambda: link.status().enabled == frozenset())
    (released,) = mock.records('release')
    assert all(record.time < released.time for record in mock.records('pose'))
    assert link.may_rearm()
    link.rearm()


def test_a_release_is_sent_and_then_confirmed(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """The status tells both; a board that is not there was not told, and is when it comes."""
    link = make_link()
    link.release()
    link.await_release(30.0)
    assert not link.status().release_sent
    link.open()
    until(lambda: 'does not exist' in link.status().last_error)
    assert not link.status().release_sent
    assert not link.status().release_confirmed
    mock = start_mock()
    until(lambda: link.status().release_confirmed)
    assert mock.records('release')
    link.rearm()
    assert not link.status().release_confirmed
    driver = Driver(link)
    link.enable(CHANNELS)
    until(driver.until(lambda: link.status().enabled == ON))
    mock.process.send_signal(signal.SIGSTOP)
    link.release()
    link.await_release(0.0)
    status = link.status()
    assert (status.release_sent, status.release_confirmed) == (True, False)
    mock.process.send_signal(signal.SIGCONT)
    until(lambda: link.status().release_confirmed)
    assert mock.records('release')[-1].enabled == 0


@pytest.mark.parametrize('gone', ['never there', 'lost', 'stalled'])
def test_close_ends_it_in_any_state(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until, gone: str
) -> None:
    """Closing returns, and a closed link takes no poses and knows no board."""
    link = make_link()
    link.close()
    driver = Driver(link)
    if gone == 'never there':
        link.open()
        until(lambda: link.status().last_error)
    else:
        mock = start_mock()
        driver = start_up(link, until)
        mock.process.send_signal(signal.SIGKILL if gone == 'lost' else signal.SIGSTOP)
        until(driver.until(lambda: link.status().state is LinkState.LOST))
    link.close()
    assert link.status().state is LinkState.CLOSED
    assert link.status().identity is None
    assert not driver.step()
    link.close()


def test_a_closed_link_can_be_opened_again(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """The board kept its state meanwhile, and the counts go on."""
    mock = start_mock()
    link = make_link()
    driver = start_up(link, until)
    until(lambda: mock.records('pose')[-1].pulses_us == driver.sent[-1])
    link.close()
    sent = link.status().traffic.sent
    assert open_link(link, until).pulses_us == driver.sent[-1]
    assert link.status().traffic.sent > sent


def test_opening_twice_is_opening_once(
    start_mock: Callable[..., Any], make_link: MakeLink, until: Until
) -> None:
    """Nothing is said to the board again."""
    mock = start_mock()
    link = make_link()
    open_link(link, until)
    link.open()
    assert link.status().state is LinkState.READY
    driver = Driver(link)
    link.enable(CHANNELS)
    until(driver.until(lambda: link.status().enabled == ON))
    assert len({record.seq for record in mock.records('hello')}) == 1
