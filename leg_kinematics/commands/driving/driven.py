# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a terminal needs of the robots that it drives, wherever they are."""

from collections.abc import Iterable, Sequence
from typing import Protocol

from leg_kinematics.teleop.layout import Act
from leg_kinematics.teleop.steering import Wanted


class Driven(Protocol):
    """Robots, one of which is driven."""

    @property
    def title(self) -> str:
        """Which is driven, and by which way."""

    @property
    def choices(self) -> Sequence[str]:
        """Names of all robots, in the order of the keys that choose one."""

    @property
    def states(self) -> Sequence[tuple[str, str]]:
        """What is known of the robots, by name."""

    def choose(self, index: int) -> None:
        """Drive another robot."""

    def work(self, seconds: float) -> None:
        """Take what comes for so long, s."""

    def send(self, wanted: Wanted, *, held: bool) -> str:
        """Send what is wanted, while the hold control is pressed or just let go.

        Returns
        -------
        str
            Why it counts no more, though the control is pressed; empty while it does.

        """

    def order(self, acts: Iterable[Act], duty_factor: float) -> None:
        """Hand on orders."""

    def stop(self) -> None:
        """Stop whoever drives."""

    def leave(self) -> None:
        """Stand still, and drive no more."""
