# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a simulated board keeps while it is off."""

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Self

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed.frames import Period, Silence, Supply
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.errors import BoardError


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
        """Read a memory that was saved; a fresh one where there is no file.

        Raises
        ------
        BoardError
            The file is something else.

        """
        if not path.exists():
            return cls()
        try:
            return cls._from(json.loads(path.read_text(encoding='utf-8')))
        except (ValueError, TypeError, LookupError, AttributeError) as error:
            raise BoardError(
                f'{path} is not what a board remembers ({error!r}); delete it to begin with a '
                'fresh board, or name another file'
            ) from error

    @classmethod
    def _from(cls, content: dict[str, Any]) -> Self:
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
