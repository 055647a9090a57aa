# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The log of everything a simulated board was told: one JSON object a line."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Self


@dataclass(frozen=True)
class Record:
    """One thing that happened at a board.

    Attributes
    ----------
    time
        Of the machine's monotonic clock, which all its processes share, s.
    event
        ``boot``, ``hello``, ``pose``, ``enable``, ``release``, ``setting``, ``store`` (begun),
        ``stored``, ``supply`` (low or good again), ``refused``, ``bad`` (no frame) or ``silence``.
    seq
        Sequence number of the frame, None where there was none.
    enabled
        Bits of the channels with pulses on afterwards.
    pulses_us
        The pulse of each channel that the frame named, also when it was refused, µs.
    positions_us
        Where each servo stands whose position is known, as a pulse in µs.
    detail
        More, in words.

    """

    time: float
    event: str
    seq: int | None = None
    enabled: int = 0
    pulses_us: Mapping[int, float] = field(default_factory=dict)
    positions_us: Mapping[int, float] = field(default_factory=dict)
    detail: str = ''

    def to_line(self) -> str:
        """Write one line of the log, without its end."""
        return json.dumps(asdict(self), separators=(',', ':'))

    @classmethod
    def from_line(cls, line: str) -> Self:
        """Read one line of the log."""
        values: dict[str, Any] = json.loads(line)
        for name in ('pulses_us', 'positions_us'):
            values[name] = {int(channel): pulse for channel, pulse in values[name].items()}
        return cls(**values)


def read_log(path: Path | str) -> list[Record]:
    """Read a log, which may still be growing: a last line without its end is left out."""
    lines = Path(path).read_text(encoding='utf-8').splitlines(keepends=True)
    return [Record.from_line(line) for line in lines if line.endswith('\n')]
