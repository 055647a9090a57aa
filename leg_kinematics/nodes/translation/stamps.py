# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From the steady clock, by which the chain runs, to the ROS clock, which stamps are read from."""

from collections.abc import Callable
from time import monotonic_ns, time_ns

from leg_kinematics.chain.values import NANOSECONDS


class Stamps:
    """How much more the ROS clock shows than the steady clock.

    The two clocks cannot be read at once, and on a busy machine much happens between two readings.
    Each reading of one between two of the other bounds their difference; what all bounds have in
    common is the difference to the microsecond, so that stamps lie as far apart as the instants,
    however busy the machine. Bounds that have nothing in common mean that a clock was set; then
    only the latest ones count.

    Parameters
    ----------
    ros_now
        Reads the ROS clock, ns, which is that of the system, since simulated time is refused.
    steady_now
        Reads the steady clock, ns.

    """

    def __init__(
        self, ros_now: Callable[[], int] = time_ns, steady_now: Callable[[], int] = monotonic_ns
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

    def offset(self) -> int:
        """ROS time less steady time, ns."""
        least, most = self._read()
        if max(least, self._least) <= min(most, self._most):
            least, most = max(least, self._least), min(most, self._most)
        self._least, self._most = least, most
        return (least + most) // 2


def refusal_of_age(sent: int, now: int, max_age: float) -> str:
    """Say why something is not obeyed that was sent too long ago; empty where it may be.

    What seems to come from as far ahead is not obeyed either.

    Parameters
    ----------
    sent, now
        Instants of the ROS clock, ns.
    max_age
        s.

    """
    age = (now - sent) / NANOSECONDS
    if abs(age) <= max_age:
        return ''
    return (
        f'it was sent {age:.2f} s ago, at most {max_age:g} s are accepted; see that the clocks of '
        'both machines are set'
    )
