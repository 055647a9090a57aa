# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whether the servos still have a supply, by what their boards measure."""

from leg_kinematics.board import BoardsStatus

#: No hobby servo turns below this supply, V (common practice, no source).
GONE_BELOW = 2.0

#: The supply of the servos is gone when it has been below that for so long, s.
GONE_FOR = 0.5


class Supply:
    """Watches the supply of all boards; one that measures none is trusted."""

    def __init__(self) -> None:
        """Take the supply to be there."""
        self._gone_since: float | None = None

    def gone(self, status: BoardsStatus, now: float) -> bool:
        """Tell whether the supply of a board has been gone for long enough by an instant, s."""
        supplies = [link.board.supply for link in status.links.values()]
        if not any(supply is not None and supply < GONE_BELOW for supply in supplies):
            self._gone_since = None
        elif self._gone_since is None:
            self._gone_since = now
        return self._gone_since is not None and now - self._gone_since >= GONE_FOR
