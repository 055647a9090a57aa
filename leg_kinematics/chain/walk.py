# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The walk of one robot, from its taking over until it is given up, and its odometry."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from leg_kinematics.chain.leading import Leading, scaled
from leg_kinematics.chain.values import Odom, RobotReport
from leg_kinematics.gait import BodyMotion, Covariance, GaitSample, Odometry, Twist, Walker
from leg_kinematics.robot import Vector

#: Odometry goes on for so long after the robot was last heard of, s.
EXTRAPOLATED_FOR = 0.03


@dataclass(frozen=True, slots=True)
class Tick:
    """What a tick of the gait gave, and how far its pose can be trusted."""

    sample: GaitSample
    trust: Covariance

    @property
    def feet(self) -> tuple[Vector, ...]:
        """In `base_link`, m."""
        return self.sample.feet

    @property
    def velocities(self) -> tuple[Vector, ...]:
        """In `base_link`, m/s."""
        return self.sample.velocities


class Walk(Leading[Tick]):
    """Leads a robot along the path that its walker works out.

    Parameters
    ----------
    walker
        Of the robot.
    odometry
        How far its pose can be trusted.
    cycle
        Time of a cycle of the gait by its duty factor, s.
    names, rate, ahead, report, now, from_instant
        As for `Leading`.

    Attributes
    ----------
    walker
        Of the robot.
    command
        Body velocity that is asked for.

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
        from_instant: float,
    ) -> None:
        """Begin with a pause, until the robot stands where it is led to."""
        super().__init__(
            names, rate=rate, ahead=ahead, report=report, now=now, from_instant=from_instant
        )
        self.walker = walker
        self.command = Twist()
        self._odometry = odometry
        self._cycle = cycle
        self._told = 0
        # When it was heard last, and where it was then.
        self._stood_at = (0.0, 0.0)
        self.begin(now)

    @property
    def sample(self) -> GaitSample:
        """The walk where the robot is led to."""
        return self.path.around(self.path.at)[0].sample

    def work_out(self) -> Tick:
        """Have the walker work out the next tick."""
        sample = self.walker.step(self._tick, self.command)
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
        linear, angular = scaled((motion.linear, motion.angular), pace)
        rate = self._odometry.twist(tick.sample.twist) if pace else Covariance()
        return Odom(stamp, replace(motion, linear=linear, angular=angular), tick.trust, rate)
