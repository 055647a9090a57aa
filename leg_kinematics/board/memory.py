# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a board's settings are, and what a simulated board keeps of them while it is off."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Self

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.frames import LONGEST_PERIOD_US, Period, Silence, Supply

_SILENCE = Silence(Reaction.RELEASE, 500)
_SUPPLY = Supply(divider_permille=0, low_mv=0)
_PERIOD = Period(LONGEST_PERIOD_US)


@dataclass(frozen=True)
class Settings:
    """All that a board can be told to keep; by default, what it does when it was told nothing.

    Attributes
    ----------
    limits
        Lowest and highest pulse by channel, µs.
    silence, supply, period
        As the protocol has them.

    """

    limits: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    silence: Silence = _SILENCE
    supply: Supply = _SUPPLY
    period: Period = _PERIOD


@dataclass
class Memory:
    """The memory of a simulated board, which outlasts power-off.

    Attributes
    ----------
    boots
        Starts so far; it wraps as 16 bits do.
    settings
        None when none were ever stored, or when the power failed meanwhile.

    """

    boots: int = 0
    settings: Settings | None = None

    @classmethod
    def load(cls, path: Path) -> Self:
        """Read a memory that was saved; a fresh one where there is no file."""
        if not path.exists():
            return cls()
        content: dict[str, Any] = json.loads(path.read_text(encoding='utf-8'))
        stored = content['settings']
        if stored is None:
            return cls(content['boots'])
        settings = Settings(
            limits={int(channel): tuple(pulses) for channel, pulses in stored['limits'].items()},
            silence=Silence(
                Reaction(stored['silence']['reaction']), stored['silence']['timeout_ms']
            ),
            supply=Supply(**stored['supply']),
            period=Period(**stored['period']),
        )
        return cls(content['boots'], settings)

    def save(self, path: Path) -> None:
        """Write it as JSON, whole or not at all."""
        fresh = path.with_name(f'{path.name}.new')
        fresh.write_text(
            json.dumps(asdict(self), default=lambda reaction: reaction.value), encoding='utf-8'
        )
        fresh.replace(path)
