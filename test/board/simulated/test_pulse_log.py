# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The log of a simulated board."""

from pathlib import Path

from leg_kinematics.board.simulated.pulse_log import Record, read_log


def test_a_record_comes_back(tmp_path: Path) -> None:
    """Channels are numbers again, and every field is kept."""
    record = Record(12.5, 'pose', 7, 0b11, {0: 1500.0, 17: 1600.5}, {0: 1499.0}, 'words')
    path = tmp_path / 'log.jsonl'
    path.write_text(record.to_line() + '\n', encoding='utf-8')
    assert read_log(path) == [record]


def test_a_line_half_written_is_left_out(tmp_path: Path) -> None:
    """A log can be read while it grows or after its writer was killed."""
    lines = Record(1.0, 'boot').to_line() + '\n' + Record(2.0, 'pose').to_line()[:-9]
    path = tmp_path / 'log.jsonl'
    path.write_text(lines, encoding='utf-8')
    assert read_log(path) == [Record(1.0, 'boot')]
