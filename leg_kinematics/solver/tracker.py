# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Following a stream of joint trajectories without ever jumping."""

from collections import deque
from collections.abc import Sequence

from leg_kinematics.solver.trajectory import Trajectory

#: A stream whose last point is this long ago has fallen silent, s.
SILENT_AFTER = 0.25

#: Offsets that differ by more mean that the sender's clock was set, s.
CLOCK_STEP = 1.0

#: Messages over which the fastest delivery is sought.
WINDOW = 100


class StreamClock:
    """Places the stamps of a sender on our own clock.

    The offset of the two clocks and the delay of the fastest recent message are one number, the
    smallest difference of receipt and stamp in a window. By it a stream plays as evenly as it
    was stamped, whatever the jitter of its delivery and wherever the sender's clock stands.
    """

    def __init__(self) -> None:
        """Know nothing yet."""
        self._offsets: deque[float] = deque(maxlen=WINDOW)

    def start(self, stamp: float, received: float) -> float:
        """When on our clock a message starts, s; a stamp of zero means now."""
        if stamp == 0.0:
            return received
        offset = received - stamp
        if self._offsets and abs(offset - min(self._offsets)) > CLOCK_STEP:
            self._offsets.clear()
        self._offsets.append(offset)
        return stamp + min(self._offsets)


class Tracker:
    """Joint positions that follow trajectories within speed limits.

    After a silence, of the stream or of whoever calls, the joints return to the stream at the
    catch-up speed, together and on a straight line of joint space; once there they follow at full
    speed again.

    Parameters
    ----------
    positions
        Where the joints are, rad.
    speeds
        Highest speed of each joint, rad/s.
    catch_up_speed
        Highest speed on the way back into a stream, rad/s.

    """

    def __init__(
        self, positions: Sequence[float], speeds: Sequence[float], catch_up_speed: float
    ) -> None:
        """Hold the positions."""
        self._positions = tuple(positions)
        self._speeds = tuple(speeds)
        self._catch_up = tuple(min(speed, catch_up_speed) for speed in speeds)
        self._trajectory: Trajectory | None = None
        self._start = 0.0
        self._now = 0.0
        self._following = False

    @property
    def positions(self) -> tuple[float, ...]:
        """Where the joints shall be now, rad."""
        return self._positions

    @property
    def following(self) -> bool:
        """Tell whether the joints are in a stream, neither silent nor on the way back."""
        return self._following

    def follow(self, trajectory: Trajectory, start: float) -> None:
        """Replace what is followed by a trajectory that starts at a time of our clock, s."""
        self._trajectory = trajectory
        self._start = start

    def hold(self) -> None:
        """Follow nothing; what comes next is reached at the catch-up speed."""
        self._trajectory = None
        self._following = False

    def place(self, positions: Sequence[float]) -> None:
        """Say where the joints are, rad, and hold there."""
        self._positions = tuple(positions)
        self.hold()

    def step(self, now: float) -> tuple[float, ...]:
        """Advance to a time of our clock, s; returns the positions, rad."""
        dt = now - self._now
        self._now = now
        if self._trajectory is None:
            return self._positions
        if now > self._start + self._trajectory.end + SILENT_AFTER:
            self.hold()
            return self._positions
        if dt > SILENT_AFTER:
            # We were away ourselves; the time that passed is no reason to hurry.
            self._following = False
            return self._positions
        way = [
            wanted - position
            for wanted, position in zip(
                self._trajectory.sample(now - self._start), self._positions, strict=True
            )
        ]
        speeds = self._speeds if self._following else self._catch_up
        share = min(
            (speed * dt / abs(d) for speed, d in zip(speeds, way, strict=True) if d), default=1.0
        )
        self._following = self._following or share >= 1.0
        share = min(1.0, share)
        self._positions = tuple(
            position + share * d for position, d in zip(self._positions, way, strict=True)
        )
        return self._positions
