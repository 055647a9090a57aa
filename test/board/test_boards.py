# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Two boards of different drivers as one, each a real process behind a pty."""

import signal
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from leg_kinematics.board import (
    Boards,
    BoardSpec,
    BoardsStatus,
    Output,
    Reaction,
    SilenceAction,
)
from leg_kinematics.errors import BoardError

if TYPE_CHECKING:
    from test.simulated_firmata import FirmataProcess

FRONT: list[Output] = [('front', channel) for channel in (0, 7, 17)]
REAR: list[Output] = [('rear', pin) for pin in (3, 9, 17)]
OUTPUTS = frozenset(FRONT + REAR)
LIMITS = dict.fromkeys(FRONT + REAR, (600.0, 2400.0))
POSE = {output: 1400.0 + 10.0 * place for place, output in enumerate(FRONT + REAR)}
HOLD = SilenceAction(Reaction.HOLD, 20.0)

Until = Callable[[Callable[[], object]], None]
MakeBoards = Callable[..., Boards]
StartFirmata = Callable[..., 'FirmataProcess']


@pytest.fixture
def make_boards(tmp_path: Path) -> Iterator[MakeBoards]:
    """Make boards at the ports of the mock and of the simulated Firmata, closed at the end."""
    made: list[Boards] = []

    def make(
        limits: dict[Output, tuple[float, float]] = LIMITS, silence: SilenceAction = HOLD
    ) -> Boards:
        specs = [
            BoardSpec('front', 'framed', str(tmp_path / 'port')),
            BoardSpec('rear', 'firmata', str(tmp_path / 'firmata')),
        ]
        made.append(Boards(specs, limits, silence))
        return made[-1]

    yield make
    for boards in made:
        boards.close()


def start_up(boards: Boards, until: Until) -> None:
    """Open both and have pulses on every output."""
    boards.open()
    until(lambda: boards.status().found)
    boards.enable(OUTPUTS)
    until(lambda: drive(boards).enabled == OUTPUTS)


def drive(boards: Boards, pose: dict[Output, float] = POSE) -> BoardsStatus:
    """Hand over a pose, and return the status that it went by."""
    status = boards.status()
    boards.set_pulses(pose, status)
    return status


def test_each_gets_its_own_pulses(
    start_mock: Callable[..., Any],
    start_firmata: StartFirmata,
    make_boards: MakeBoards,
    until: Until,
) -> None:
    """One pose is shared out, and every channel has what it was meant to have."""
    front, rear = start_mock(), start_firmata()
    boards = make_boards()
    start_up(boards, until)
    assert front.records('pose')[-1].pulses_us == {c: POSE['front', c] for _, c in FRONT}
    assert rear.pulses_us() == {pin: POSE['rear', pin] for _, pin in REAR}
    assert boards.shortcomings['front'] == ()
    assert any('checksum' in words for words in boards.shortcomings['rear'])


def test_all_are_found_or_none(
    start_mock: Callable[..., Any],
    start_firmata: StartFirmata,
    make_boards: MakeBoards,
    until: Until,
) -> None:
    """While one is missing or refuses, the status says why, and nothing is on."""
    front = start_mock()
    boards = make_boards()
    assert not boards.status().found
    boards.open()
    until(lambda: boards.status().lost == ('rear',))
    assert 'firmata does not exist' in boards.status().links['rear'].last_error
    assert not boards.status().found
    rear = start_firmata()
    until(lambda: boards.status().found)
    boards.close()
    wrong = make_boards(silence=SilenceAction(Reaction.RELEASE, 0.5))
    wrong.open()
    until(lambda: 'can only hold' in wrong.status().links['rear'].last_error)
    assert not wrong.status().found
    assert front.records('enable') == rear.records('enable') == []


def test_release_is_for_all(
    start_mock: Callable[..., Any],
    start_firmata: StartFirmata,
    make_boards: MakeBoards,
    until: Until,
) -> None:
    """Both stop, and rearming both gives the pulses back to nobody."""
    front, rear = start_mock(), start_firmata()
    boards = make_boards()
    start_up(boards, until)
    boards.release()
    assert boards.status().released
    until(lambda: not boards.status().enabled)
    assert front.records('release')
    assert rear.pulses_us() == {}
    until(lambda: all(link.release_confirmed for link in boards.status().links.values()))
    boards.rearm()
    assert not boards.status().released
    drive(boards)
    boards.enable(OUTPUTS)
    until(lambda: drive(boards).enabled == OUTPUTS)


@pytest.mark.parametrize('gone', ['front', 'rear'])
def test_rearming_is_for_all_or_none(
    start_mock: Callable[..., Any],
    start_firmata: StartFirmata,
    make_boards: MakeBoards,
    until: Until,
    gone: str,
) -> None:
    """While one has not confirmed the release the other stays released as well."""
    processes = {'front': start_mock().process, 'rear': start_firmata().process}
    boards = make_boards()
    start_up(boards, until)
    processes[gone].send_signal(signal.SIGSTOP)
    boards.release()
    (other,) = {'front', 'rear'} - {gone}
    until(lambda: {name for name, _ in boards.status().enabled} == {gone})
    with pytest.raises(BoardError, match=f'board {gone} has not confirmed'):
        boards.rearm()
    assert boards.status().links[other].released
    processes[gone].send_signal(signal.SIGCONT)
    until(lambda: not boards.status().lost and not boards.status().enabled)
    boards.rearm()


def test_what_a_board_held_meanwhile_is_told_once(
    start_mock: Callable[..., Any],
    start_firmata: StartFirmata,
    make_boards: MakeBoards,
    until: Until,
) -> None:
    """While one is lost its pulses stand still; found again it tells them before it gets others."""
    start_mock()
    rear = start_firmata()
    boards = make_boards()
    start_up(boards, until)
    rear.process.send_signal(signal.SIGSTOP)
    until(lambda: boards.status().lost == ('rear',))
    elsewhere = {output: pulse_us + 100.0 for output, pulse_us in POSE.items()}
    drive(boards, elsewhere)
    before = len(rear.records('pose'))
    rear.process.send_signal(signal.SIGCONT)
    found: list[Mapping[Output, float]] = []

    def found_again() -> bool:
        found.append(drive(boards, elsewhere).found_again)
        return bool(found[-1])

    until(found_again)
    assert found[-1] == {output: POSE[output] for output in REAR}
    assert not boards.status().found_again
    until(lambda: len(rear.records('pose')) > before)
