# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Leading the feet of a robot along a path, as long as the robot follows, and no longer.

The path is worked out a little ahead of the robot. The robot tells how far along it has come. When
it does not follow, the path ends there for now: nothing is worked out any more, and when the robot
can be led again it is first led to stand where it is on the path, and then on along it, from slow
to fast. So no foot is dragged over the ground, however long the pause.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from math import ceil
from typing import Generic, Protocol, TypeVar

from leg_kinematics.chain.path import Path
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import LAGGING, NANOSECONDS, FootTargets, RobotReport
from leg_kinematics.robot import Vector
from leg_kinematics.solver import hermite

#: A robot that has come on by less between two reports stands still, in ticks.
STANDSTILL_TICKS = 0.1

#: A robot that stands where it is led to is no farther from it, rad.
ARRIVED_WITHIN = 0.005

#: A robot that has not been heard of for so long does not follow, s.
UNHEARD_AFTER = 0.3

#: Nor does one that is so far behind, s, and two ticks more.
LATEST_BEHIND = 0.25

#: Why nothing moves until the robot stands where it is led to for the first time.
TAKING_OVER = 'taking the robot over'

ZERO = (0.0, 0.0, 0.0)


class Feet(Protocol):
    """Where the feet shall be at a tick, and how fast they move, in `base_link`, m and m/s."""

    @property
    def feet(self) -> tuple[Vector, ...]:
        """Of all legs, m."""

    @property
    def velocities(self) -> tuple[Vector, ...]:
        """Of all legs, m/s."""


T = TypeVar('T', bound=Feet)


class Leading(ABC, Generic[T]):
    """Leads a robot along the path that `work_out` gives, tick by tick.

    A subclass calls `begin` once it can work out the first tick.

    Parameters
    ----------
    names
        Of its legs.
    rate
        Ticks, 1/s.
    ahead
        Ticks from now that every message has points for; the first is 0.
    report
        What the robot did when it was taken over, at an instant, s.
    now
        That instant.
    from_instant
        Nothing is told before this, s.

    Attributes
    ----------
    path
        What was worked out, and where the robot is on it.
    paused
        Why it is not led on; empty while it is.
    trouble
        Why it could not be led in the last step; empty when it could.

    """

    def __init__(
        self,
        names: tuple[str, ...],
        *,
        rate: float,
        ahead: Sequence[int],
        report: RobotReport,
        now: float,
        from_instant: float,
    ) -> None:
        """Wait for `begin`."""
        self._names = names
        self._tick = 1.0 / rate
        self._ahead = tuple(ahead)
        self._from_instant = from_instant
        self._whose = (report.session, report.losses)
        self._report = report
        self._reported_at = now
        self.path: Path[T] = Path(self._tick, rate)
        self.paused = ''
        self.trouble = ''

    @abstractmethod
    def work_out(self) -> T:
        """Work out the next tick of the path."""

    def begin(self, now: float) -> None:
        """Begin with a pause, until the robot stands where it is led to."""
        self.path.begin(self.work_out())
        self.pause(TAKING_OVER, now)

    def hear(self, report: RobotReport, received: float) -> bool:
        """Take in what the robot does; tell whether it is still the one that was taken over."""
        off = report.state in {PowerState.RELEASED, PowerState.UNPOWERED}
        if off or self._whose != (report.session, report.losses):
            return False
        self._report = report
        self._reported_at = received
        if report.stamp is not None:
            way = self.path.reach(report.stamp, going_back=bool(self.paused))
            self._rests = abs(way) < STANDSTILL_TICKS
        return True

    def step(self, count: int, stamp: int, now: float) -> FootTargets | None:
        """Go on by so many ticks, or pause while the robot does not follow.

        Parameters
        ----------
        count
            Ticks.
        stamp
            Of the latest of them, ns.
        now
            s.

        """
        trouble = self.trouble = self._trouble(stamp, now)
        if self.paused:
            self._go_on(trouble)
        elif trouble:
            self.pause(trouble, now)
        if not self.paused:
            return self._lead_on(stamp, count)
        return self._stand_still(stamp) if now >= self._from_instant else None

    def pause(self, reason: str, now: float) -> None:
        """Lead the robot on no more, from an instant on, s."""
        self.paused = reason
        self._paused_at = now
        self._rests = not self.path.pace
        self._stood_since: int | None = None
        self.path.stop()

    def between(self, position: float) -> tuple[tuple[Vector, ...], tuple[Vector, ...]]:
        """Feet and their velocities at a position of the path, in ticks."""
        before, after, share = self.path.around(position)
        if share == 0.0:
            return before.feet, before.velocities
        feet, velocities = [], []
        for p, v, q, w in zip(
            before.feet, before.velocities, after.feet, after.velocities, strict=True
        ):
            (x, y, z), (dx, dy, dz) = hermite(share, self._tick, (p, v), (q, w))
            feet.append((x, y, z))
            velocities.append((dx, dy, dz))
        return tuple(feet), tuple(velocities)

    def _trouble(self, stamp: int, now: float) -> str:
        """Why the robot does not follow; empty while it does."""
        report = self._report
        if now - self._reported_at > UNHEARD_AFTER:
            return 'nothing is heard from the bridge'
        if report.state is not PowerState.FOLLOWING:
            return f'the robot is {report.state}'
        if report.lag > LAGGING:
            return f'a joint is {report.lag:.2f} rad behind'
        # Where it stands on the path does not show before it is led there.
        if not self.paused and report.stamp is not None:
            behind = (stamp - report.stamp) / NANOSECONDS - (now - self._reported_at)
            if behind > LATEST_BEHIND + 2.0 * self._tick:
                return f'the robot stands {behind:.2f} s behind: are its targets refused?'
        return ''

    def _go_on(self, trouble: str) -> None:
        """End a pause, once there is no trouble and the robot stands where it is led to."""
        report = self._report
        if trouble:
            self.paused = trouble
            self._stood_since = None
        elif (
            self._stood_since is not None
            and report.stamp is not None
            and report.stamp >= self._stood_since
            and report.lag <= ARRIVED_WITHIN
        ):
            self.paused = ''
            self._stood_since = None
            self.path.set_off()

    def _stand_still(self, stamp: int) -> FootTargets | None:
        """Lead the robot to stand where it is on the path, once it has come to rest there."""
        if (
            self._report.state is not PowerState.FOLLOWING
            or self._reported_at < self._paused_at
            or not (self._rests or self._stood_since is not None)
        ):
            return None
        if self._stood_since is None:
            self._stood_since = stamp
        feet, _ = self.between(self.path.at)
        self.path.publish(stamp, (0.0,), (self.path.at,))
        still = (ZERO,) * len(self._names)
        return FootTargets(stamp, self._names, (0.0,), (feet,), (still,))

    def _lead_on(self, stamp: int, count: int) -> FootTargets:
        """Go on along the path by so many ticks."""
        path = self.path
        path.advance(count)
        times = tuple(ticks * self._tick for ticks in self._ahead)
        coming = [path.ahead(ticks) for ticks in self._ahead]
        while path.front < coming[-1][0]:
            path.append(self.work_out())
        points = [self.between(position) for position, _ in coming]
        path.publish(stamp, times, tuple(position for position, _ in coming))
        return FootTargets(
            stamp,
            self._names,
            times,
            tuple(feet for feet, _ in points),
            tuple(
                scaled(velocities, pace)
                for (_, velocities), (_, pace) in zip(points, coming, strict=True)
            ),
        )


def ticks_ahead(preview: float, rate: float) -> tuple[int, ...]:
    """Ticks from now that a message has points for, so that they reach a preview ahead, s."""
    reach = max(2, ceil(preview * rate - 1e-9)) if preview else 0
    return tuple(sorted({0, min(1, reach), reach}))


def scaled(vectors: tuple[Vector, ...], factor: float) -> tuple[Vector, ...]:
    """Multiply vectors by a factor."""
    if factor == 1.0:
        return vectors
    return tuple((factor * x, factor * y, factor * z) for x, y, z in vectors)
