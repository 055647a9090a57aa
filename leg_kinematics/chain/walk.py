# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The walk of one robot, from its taking over until it is given up: led on, and paused."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from leg_kinematics.chain.path import Path
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import FootTargets, Odom, RobotReport
from leg_kinematics.gait import BodyMotion, Covariance, GaitSample, Odometry, Twist, Walker
from leg_kinematics.robot import Vector
from leg_kinematics.solver import hermite

#: A robot that has come on by less between two reports stands still, in ticks.
STANDSTILL_TICKS = 0.1

#: A robot that stands where it is led to is no farther from it, rad.
ARRIVED_WITHIN = 0.005

#: Odometry goes on for so long after the robot was last heard of, s.
EXTRAPOLATED_FOR = 0.03

#: Why nothing moves until the robot stands where it is led to for the first time.
TAKING_OVER = 'taking the robot over'

ZERO = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Tick:
    """What a tick of the gait gave, and how far its pose can be trusted."""

    sample: GaitSample
    trust: Covariance


class Walk:
    """Leads a robot along the path that its walker works out.

    Parameters
    ----------
    walker
        Of the robot.
    odometry
        How far its pose can be trusted.
    names
        Of its legs.
    rate
        Ticks, 1/s.
    ahead
        Ticks from now that every message has points for; the first is 0.
    cycle
        Time of a cycle of the gait by its duty factor, s.
    report
        What the robot did when it was taken over, at an instant, s.

    Attributes
    ----------
    walker
        Of the robot.
    path
        What was worked out, and where the robot is on it.
    paused
        Why it is not led on; empty while it is.

    """

    def __init__(
        self,
        walker: Walker,
        odometry: Odometry,
        names: tuple[str, ...],
        *,
        rate: float,
        ahead: Sequence[int],
        cycle: Callable[[float], float],
        report: RobotReport,
        now: float,
    ) -> None:
        """Begin with a pause, until the robot stands where it is led to."""
        self.walker = walker
        self._odometry = odometry
        self._names = names
        self._tick = 1.0 / rate
        self._ahead = tuple(ahead)
        self._cycle = cycle
        self._whose = (report.session, report.losses)
        self._report = report
        self._reported_at = now
        self.path: Path[Tick] = Path(self._tick, rate)
        self.path.begin(self._advance(Twist()))
        self._told = 0
        # When it was heard last, and where it was then.
        self._stood_at = (0.0, 0.0)
        self.paused = ''
        self.pause(TAKING_OVER, now)

    @property
    def sample(self) -> GaitSample:
        """The walk where the robot is led to."""
        return self.path.around(self.path.at)[0].sample

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

    def pause(self, reason: str, now: float) -> None:
        """Lead the robot on no more, from an instant on, s."""
        self.paused = reason
        self._paused_at = now
        self._rests = not self.path.pace
        self._stood_since: int | None = None
        self.path.stop()

    def go_on(self, trouble: str) -> None:
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

    def stand_still(self, stamp: int) -> FootTargets | None:
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

    def lead_on(self, stamp: int, count: int, command: Twist) -> FootTargets:
        """Go on along the path by so many ticks."""
        path = self.path
        path.advance(count)
        times = tuple(ticks * self._tick for ticks in self._ahead)
        coming = [path.ahead(ticks) for ticks in self._ahead]
        while path.front < coming[-1][0]:
            path.append(self._advance(command))
        points = [self.between(position) for position, _ in coming]
        path.publish(stamp, times, tuple(position for position, _ in coming))
        return FootTargets(
            stamp,
            self._names,
            times,
            tuple(feet for feet, _ in points),
            tuple(
                _scaled(velocities, pace)
                for (_, velocities), (_, pace) in zip(points, coming, strict=True)
            ),
        )

    def between(self, position: float) -> tuple[tuple[Vector, ...], tuple[Vector, ...]]:
        """Feet and their velocities at a position of the path, in ticks."""
        before, after, share = self.path.around(position)
        if share == 0.0:
            return before.sample.feet, before.sample.velocities
        feet, velocities = [], []
        for p, v, q, w in zip(
            before.sample.feet,
            before.sample.velocities,
            after.sample.feet,
            after.sample.velocities,
            strict=True,
        ):
            (x, y, z), (dx, dy, dz) = hermite(share, self._tick, (p, v), (q, w))
            feet.append((x, y, z))
            velocities.append((dx, dy, dz))
        return tuple(feet), tuple(velocities)

    def _advance(self, command: Twist) -> Tick:
        sample = self.walker.step(self._tick, command)
        cycle = self._cycle(sample.duty_factor)
        self._odometry.go(sample.pose, sample.twist, self._tick, cycle)
        return Tick(sample, self._odometry.pose)

    def odometry_until(self, stamp: int, now: float) -> tuple[Odom, ...]:
        """Where the robot has come to since the last step, tick by tick, and never back.

        It has come no farther than it has told, but for a moment on the way of its telling. That
        it stands is said when two reports of it in a row say so: where it came to rest without a
        word, nobody knows yet.
        """
        path = self.path
        since = 0.0 if self.paused else min(EXTRAPOLATED_FOR, now - self._reported_at)
        reached = min(path.at, path.reached + since / self._tick)
        odometry = []
        while self._told + 1 <= reached:
            self._told += 1
            at = path.stamp(self._told)
            if at is not None:
                odometry.append(
                    self._odom(at, 1.0 if self._told > path.full_pace_at else path.pace)
                )
        heard = self._reported_at > max(self._stood_at[0], self._paused_at)
        if self.paused and heard and path.reached == self._stood_at[1]:
            odometry.append(self._odom(stamp, 0.0))
        self._stood_at = (self._reported_at, path.reached)
        return tuple(odometry)

    def _odom(self, stamp: int, pace: float) -> Odom:
        tick, _, _ = self.path.around(float(self._told))
        motion = BodyMotion.of(tick.sample)
        linear, angular = _scaled((motion.linear, motion.angular), pace)
        rate = self._odometry.twist(tick.sample.twist) if pace else Covariance()
        return Odom(stamp, replace(motion, linear=linear, angular=angular), tick.trust, rate)


def _scaled(vectors: tuple[Vector, ...], factor: float) -> tuple[Vector, ...]:
    if factor == 1.0:
        return vectors
    return tuple((factor * x, factor * y, factor * z) for x, y, z in vectors)
