# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Stamps of instants that were read from the steady clock."""

from collections.abc import Callable
from time import monotonic_ns

from builtin_interfaces.msg import Time

from leg_kinematics.nodes.messages import time_message


class Stamps:
    """What the ROS clock shows at instants of the steady clock.

    The two clocks cannot be read at once, and on a busy machine much happens between two readings.
    Each reading of one between two of the other bounds their difference; what all bounds have in
    common is the difference to the microsecond, so that stamps lie as far apart as the instants,
    however busy the machine. Bounds that have nothing in common mean that a clock was set, or that
    it is simulated; then the latest count.

    Parameters
    ----------
    ros_now
        Reads the ROS clock, ns.
    steady_now
        Reads the steady clock, ns.

    """

    def __init__(
        self, ros_now: Callable[[], int], steady_now: Callable[[], int] = monotonic_ns
    ) -> None:
        """Read the clocks for the first time."""
        self._ros_now = ros_now
        self._steady_now = steady_now
        self._least, self._most = self._read()

    def _read(self) -> tuple[int, int]:
        """Bounds of ROS time less steady time, ns."""
        before = self._steady_now()
        ros = self._ros_now()
        after = self._steady_now()
        return ros - after, ros - before

    def at(self, steady: int) -> Time:
        """Stamp of an instant of the steady clock, ns."""
        least, most = self._read()
        if max(least, self._least) <= min(most, self._most):
            least, most = max(least, self._least), min(most, self._most)
        self._least, self._most = least, most
        return time_message(steady + (least + most) // 2)
