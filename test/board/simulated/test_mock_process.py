# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The mock board as the process that it is, spoken to byte by byte."""

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial

from leg_kinematics.board.framed.frames import (
    BAUD_RATE,
    Ack,
    Enable,
    Frame,
    FrameDecoder,
    Hello,
    Identity,
    Limits,
    Message,
    MessageType,
    Pose,
    encode,
)

POSE = Pose((1500.0,) + (0.0,) * 17)


class Line:
    """A plain serial port, so that wrong bytes can be written as well."""

    def __init__(self, port: serial.Serial) -> None:
        """Start with an empty decoder."""
        self.port = port
        self._decoder = FrameDecoder()
        self._seq = 0

    def hear(self) -> Message:
        """Wait for the next frame."""
        while True:
            data = self.port.read()
            assert data, 'the board did not answer'
            for item in self._decoder.feed(data):
                assert isinstance(item, Frame)
                return item.message

    def say(self, message: Message) -> Message:
        """Send a frame and wait for the answer."""
        self._seq += 1
        self.port.write(encode(message, self._seq))
        return self.hear()


@contextmanager
def line_to(port: Path) -> Iterator[Line]:
    """Open the port of a mock board."""
    with serial.Serial(str(port), BAUD_RATE, timeout=30.0) as opened:
        yield Line(opened)


def test_it_answers_and_logs_what_it_is_told(start_mock: Callable[..., Any]) -> None:
    """A pose arrives, is acknowledged, put out and logged with the servo's position."""
    mock = start_mock()
    with line_to(mock.port) as line:
        assert isinstance(line.say(Hello()), Identity)
        assert line.say(Limits(0, 600.0, 2400.0)) == Ack(MessageType.LIMITS)
        assert line.say(POSE) == Ack(MessageType.POSE)
        assert line.say(Enable(1)) == Ack(MessageType.ENABLE)
        assert line.say(POSE) == Ack(MessageType.POSE)
    first, second = mock.records('pose')
    assert (first.enabled, first.pulses_us, first.positions_us) == (0, {0: 1500.0}, {})
    assert (second.enabled, second.pulses_us, second.positions_us) == (1, {0: 1500.0}, {0: 1500.0})
    assert second.time > first.time


def test_truncated_and_corrupted_frames_are_no_poses(start_mock: Callable[..., Any]) -> None:
    """They are logged as bad, nothing is put out, and the next frame is understood."""
    mock = start_mock()
    with line_to(mock.port) as line:
        line.say(Limits(0, 600.0, 2400.0))
        good = encode(POSE, 9)
        line.port.write(good[:20] + b'\0')
        line.port.write(good[:5] + bytes([good[5] ^ 4]) + good[6:])
        assert isinstance(line.say(Hello()), Identity)
    assert len(mock.records('bad')) == 2
    assert mock.records('pose') == []


def test_it_paces_itself_as_a_line_does(start_mock: Callable[..., Any]) -> None:
    """By hand: 42 bytes of 10 bits take 0.84 ms at 500 000 baud, so poses cannot come closer."""
    mock = start_mock()
    with line_to(mock.port) as line:
        line.say(Limits(0, 600.0, 2400.0))
        line.port.write(b''.join(encode(POSE, seq) for seq in range(10, 60)))
        for _ in range(50):
            assert line.hear() == Ack(MessageType.POSE)
    times = [record.time for record in mock.records('pose')]
    assert len(times) == 50
    # The first two may share a piece that was read at once.
    assert times[-1] - times[0] >= 48 * 42 * 10 / BAUD_RATE


@pytest.mark.parametrize('number', [signal.SIGINT, signal.SIGTERM])
def test_signals_end_it_cleanly(start_mock: Callable[..., Any], number: signal.Signals) -> None:
    """It exits with 0 and takes its link away; a second signal changes nothing."""
    mock = start_mock()
    mock.process.send_signal(number)
    mock.process.send_signal(number)
    assert mock.process.wait(timeout=30.0) == 0
    assert not mock.port.is_symlink()


def test_a_restart_takes_the_link_over(start_mock: Callable[..., Any]) -> None:
    """After SIGKILL the stale link leads to the new board, which tells another boot count."""
    killed = start_mock()
    with line_to(killed.port) as line:
        before = line.say(Hello())
    killed.process.kill()
    killed.process.wait(timeout=30.0)
    assert killed.port.is_symlink()
    fresh = start_mock()
    with line_to(fresh.port) as line:
        after = line.say(Hello())
    assert isinstance(before, Identity)
    assert isinstance(after, Identity)
    assert before.boots != after.boots
    assert len(fresh.records('boot')) == 2


def test_it_does_not_replace_a_file_by_its_link(tmp_path: Path) -> None:
    """A path that is something else is left alone, with a message that says so."""
    taken = tmp_path / 'notes.txt'
    taken.write_text('mine', encoding='utf-8')
    done = subprocess.run(
        [sys.executable, '-m', 'leg_kinematics.board.simulated.mock', '--link', str(taken)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60.0,
    )
    assert done.returncode == 1
    assert 'not a symbolic link' in done.stderr
    assert taken.read_text(encoding='utf-8') == 'mine'


@pytest.mark.parametrize(
    ('option', 'value', 'words'),
    [
        ('--drop', '2', 'not in the range'),
        ('--corrupt', '-0.1', 'not in the range'),
        ('--link', 'absent/port', 'cannot be written'),
        ('--log', 'absent/pulses.jsonl', 'cannot be written'),
        ('--memory', 'absent/memory.json', 'cannot be written'),
        ('--memory', 'notes.txt', 'not what a board remembers'),
        ('--memory', 'list.json', 'not what a board remembers'),
        ('--true-servos', 'notes.txt', 'does not tell what servos are like'),
        ('--protractor', 'angles.json', 'needs --true-servos'),
    ],
)
def test_a_wrong_option_is_told(tmp_path: Path, option: str, value: str, words: str) -> None:
    """As a mistake of the command line, before there is a port; no file is touched."""
    (tmp_path / 'notes.txt').write_text('mine', encoding='utf-8')
    (tmp_path / 'list.json').write_text('[]', encoding='utf-8')
    done = subprocess.run(
        [sys.executable, '-m', 'leg_kinematics.board.simulated.mock', option, value],
        capture_output=True,
        text=True,
        check=False,
        timeout=60.0,
        cwd=tmp_path,
    )
    assert done.returncode == 2
    assert words in done.stderr
    assert option in done.stderr
    assert not done.stdout
    assert (tmp_path / 'notes.txt').read_text(encoding='utf-8') == 'mine'


def test_without_a_link_it_tells_its_pty() -> None:
    """The ready line names a device that can be opened."""
    command = [sys.executable, '-m', 'leg_kinematics.board.simulated.mock']
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            word, path = process.stdout.readline().split()
            assert word == 'ready'
            assert Path(path).exists()
            with line_to(Path(path)) as line:
                assert isinstance(line.say(Hello()), Identity)
        finally:
            process.terminate()
