# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Which servo boards a robot has, and what they are told."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from leg_kinematics.board.boards import Boards, Output
from leg_kinematics.board.driver import BoardSpec, Reaction, SilenceAction
from leg_kinematics.errors import CommandError
from leg_kinematics.parameters import choice, flag, number, texts

#: A board reacts to silence no sooner than after so many poses that did not come.
FEWEST_TICKS = 3.0


def _specs(written: Sequence[str]) -> tuple[BoardSpec, ...]:
    return tuple(map(BoardSpec.parse, written))


@dataclass(frozen=True, slots=True)
class BoardsParameters:
    """Which boards there are, how often they get poses, and what they do when those fail to come.

    Raises
    ------
    CommandError
        The boards would react to silence between two poses.

    """

    boards: tuple[BoardSpec, ...] = texts(
        _specs, 'Each servo board as NAME=DRIVER:PORT', required=True
    )
    store_limits: bool = flag(
        default=False,
        meaning='Replace the pulse limits that the boards keep by those of the servo maps',
    )
    rate: float = number(100.0, 'Hz', 10.0, 200.0, 'Rate of the poses sent to the boards')
    board_silence_reaction: Reaction = choice(
        Reaction.HOLD, 'What the board does when the bridge is silent'
    )
    board_silence: float = number(
        0.5, 's', 0.05, 60.0, 'Without a pose for this long the board reacts'
    )

    def __post_init__(self) -> None:
        """Compare the silence with the rate."""
        if self.board_silence * self.rate < FEWEST_TICKS - 1e-9:
            raise CommandError(
                f"'board_silence' {self.board_silence:g} s must be at least three ticks of 'rate' "
                f'{self.rate:g} Hz, which are {FEWEST_TICKS / self.rate:g} s'
            )

    @property
    def silence(self) -> SilenceAction:
        """What every board does without us."""
        return SilenceAction(self.board_silence_reaction, self.board_silence)

    def boards_for(self, limits: Mapping[Output, tuple[float, float]]) -> Boards:
        """Put the boards together, with the lowest and highest pulse of each output in use, µs.

        Raises
        ------
        CommandError
            They are not exactly the boards of the outputs.
        BoardError
            A driver is not installed.

        """
        wanted = list(dict.fromkeys(name for name, _ in limits))
        names = [spec.name for spec in self.boards]
        if sorted(names) != sorted(wanted):
            raise CommandError(
                f"'boards' must name exactly the boards of the servo maps: expected "
                f'{", ".join(wanted)} (got {", ".join(names)})'
            )
        return Boards(self.boards, limits, self.silence, store_limits=self.store_limits)
