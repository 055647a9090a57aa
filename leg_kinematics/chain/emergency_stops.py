# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Who holds an emergency stop: each sender for itself."""

from collections.abc import Collection


class EmergencyStops:
    """Senders of emergency stops, by whatever tells one from another.

    A stop is on as long as one sender holds it. `False` lifts that of its sender, and those of
    senders that have left: nobody else could lift them, such as that of a command that said `True`
    and ended. A sender that leaves lifts nothing by that.
    """

    def __init__(self) -> None:
        """Nobody holds one."""
        self._holding: set[bytes] = set()

    @property
    def on(self) -> bool:
        """Whether somebody holds one."""
        return bool(self._holding)

    @property
    def count(self) -> int:
        """How many hold one."""
        return len(self._holding)

    def hear(self, sender: bytes, *, on: bool, there: Collection[bytes]) -> None:
        """Take what a sender says.

        Parameters
        ----------
        sender
            Who.
        on
            What.
        there
            All senders that are there now.

        """
        if on:
            self._holding.add(sender)
        else:
            self._holding.discard(sender)
            self._holding.intersection_update(there)
