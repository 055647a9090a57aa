# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""When a run goes wrong: what the bridge reports that somebody will want to look at."""

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import NANOSECONDS, RobotReport

#: A bridge that reports in every tick, and is not heard for so long, is gone, s.
SILENCE = 1.0


class Incidents:
    """Tells by the reports of the bridge when a robot was released, or has lost power or board.

    Instants are those of receipt, ns.
    """

    def __init__(self) -> None:
        """Know nothing of the robot yet."""
        self._before: RobotReport | None = None
        self._heard = 0

    def hear(self, report: RobotReport, received: int) -> str:
        """Take a report; say in words what has gone wrong since the one before, if anything."""
        before, self._before = self._before, report
        self._heard = received
        if before is None or before.session != report.session:
            return ''
        if report.state is PowerState.LOST and before.state is not PowerState.LOST:
            return 'a board was lost'
        if report.losses > before.losses and before.state is not PowerState.RELEASED:
            released = report.state is PowerState.RELEASED
            return 'the robot was released' if released else 'some servos lost their power'
        return ''

    def look(self, now: int) -> str:
        """Say whether the bridge has fallen silent by now; once, until it is heard again."""
        if self._before is None or now - self._heard < SILENCE * NANOSECONDS:
            return ''
        self._before = None
        return 'the bridge fell silent'
