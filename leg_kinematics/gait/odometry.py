# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How `base_link` moves in `odom`, and how far to trust that.

A walk has no odometer: it is taken to go where it was told, and its feet slip. The model has one
number, the slip: in each cycle of the gait the body goes wrong by a random share of the way, of
mean zero and standard deviation `slip`, along and across its heading alike; and it turns wrong by
as much as moves the feet by that share, at their distance r from the middle. So with s the speed
at which the ground passes under the feet, s^2 = vx^2 + vy^2 + (r wz)^2, the twist has the standard
deviations slip s in x and in y and slip s / r in yaw, and the pose spreads like a random walk whose
steps last one cycle: after n cycles straight on, the way is wrong by slip / sqrt(n) of its length.
A fault that is the same in every cycle is no slip but a matter of calibration.

That the noise grows with the motion, and that its covariance is carried along by the Jacobian of
the motion, is the odometry of Thrun, Burgard and Fox, Probabilistic Robotics, MIT Press 2005,
chapter 5 (from memory). There the noise of a step is proportional to the step, so that the sum
depends on the length of the steps; here the cycle sets it, and the tick does not matter.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, hypot, sqrt

from leg_kinematics.gait.body import Point, Pose, Twist
from leg_kinematics.gait.walker import GaitSample
from leg_kinematics.robot import Vector


@dataclass(frozen=True, slots=True)
class BodyMotion:
    """Pose and twist of `base_link` in `odom`, with all that lifts, shifts and tilts it.

    Attributes
    ----------
    position
        In `odom`, whose ground is z = 0, m.
    rpy
        Fixed-axis roll, pitch and yaw in `odom`, rad.
    linear, angular
        Velocity of the origin and turning, along the axes of `base_link`, m/s and rad/s.

    """

    position: Vector
    rpy: Vector
    linear: Vector
    angular: Vector

    @classmethod
    def of(cls, sample: GaitSample) -> 'BodyMotion':
        """Put the parts of a tick together."""
        offset, rate = sample.offset, sample.offset_rate
        (sx, sy, sz), (roll, pitch, yaw) = offset.shift, offset.rpy
        x, y = sample.pose.place((sx, sy))
        u, v = sample.twist.at((sx, sy))
        du, dv, dw = rate.shift
        turn_x, turn_y, turn_z = offset.turn_rate(rate.rpy)
        return cls(
            (x, y, sample.height + sz),
            (roll, pitch, sample.pose.yaw + yaw),
            offset.turn_back((u + du, v + dv, sample.height_rate + dw)),
            offset.turn_back((turn_x, turn_y, turn_z + sample.twist.yaw)),
        )


@dataclass(frozen=True, slots=True)
class Covariance:
    """Of x, y and yaw: the upper half of a symmetric matrix, in m and rad.

    Of a pose x and y are those of `odom`, of a twist those of the body.
    """

    xx: float = 0.0
    xy: float = 0.0
    yy: float = 0.0
    x_yaw: float = 0.0
    y_yaw: float = 0.0
    yaw_yaw: float = 0.0

    def carried(self, way: Point) -> 'Covariance':
        """Covariance after the body has gone a way (m) in these axes.

        An error e of the yaw turns the way: to first order it moves its end by e (-y, x). That
        is exact for the Jacobian of SE(2), however far or crooked the way.
        """
        x, y = way
        return Covariance(
            self.xx - 2.0 * y * self.x_yaw + y * y * self.yaw_yaw,
            self.xy + x * self.x_yaw - y * self.y_yaw - x * y * self.yaw_yaw,
            self.yy + 2.0 * x * self.y_yaw + x * x * self.yaw_yaw,
            self.x_yaw - y * self.yaw_yaw,
            self.y_yaw + x * self.yaw_yaw,
            self.yaw_yaw,
        )

    def __add__(self, other: 'Covariance') -> 'Covariance':
        """Add what is independent."""
        return Covariance(
            self.xx + other.xx,
            self.xy + other.xy,
            self.yy + other.yy,
            self.x_yaw + other.x_yaw,
            self.y_yaw + other.y_yaw,
            self.yaw_yaw + other.yaw_yaw,
        )


class Odometry:
    """The trust in the pose, carried along from tick to tick.

    To first order: it holds while the yaw is known to about half a radian.

    Parameters
    ----------
    slip
        Standard deviation of the share of the way by which a cycle goes wrong; 0.02 is 2 %.
    feet
        Where the feet stand in mid stance, in `base_link`, m.

    """

    def __init__(self, slip: float, feet: Sequence[Vector]) -> None:
        """Start at the origin of `odom`, where the pose is known exactly."""
        self._slip = slip
        self._arm = sqrt(fsum(x * x + y * y for x, y, _ in feet) / len(feet))
        self._at: Point = (0.0, 0.0)
        self._pose = Covariance()

    @property
    def pose(self) -> Covariance:
        """Of the pose, in the axes of `odom`."""
        return self._pose

    def twist(self, twist: Twist) -> Covariance:
        """Of a twist, in the axes of the body."""
        ground_speed = hypot(twist.x, twist.y, self._arm * twist.yaw)
        linear = (self._slip * ground_speed) ** 2
        return Covariance(xx=linear, yy=linear, yaw_yaw=linear / self._arm**2)

    def go(self, pose: Pose, twist: Twist, dt: float, cycle: float) -> None:
        """Follow the body through a tick.

        Parameters
        ----------
        pose
            At the end of the tick.
        twist
            During the tick.
        dt
            Length of the tick, s.
        cycle
            For how long a foot's slip lasts: the time of a cycle of the gait, s.

        Notes
        -----
        The slip is the same along and across, so that it does not matter how the body is turned.
        It comes evenly over the tick, whose way is taken as straight: a yaw that goes wrong at a
        share u of the tick turns the rest of the way, and the integrals of 1 - u and (1 - u)^2
        are 1/2 and 1/3.

        """
        x, y = pose.x - self._at[0], pose.y - self._at[1]
        self._at = (pose.x, pose.y)
        rate = self.twist(twist)
        spread, turn = cycle * dt * rate.xx, cycle * dt * rate.yaw_yaw
        self._pose = self._pose.carried((x, y)) + Covariance(
            spread + y * y * turn / 3.0,
            -x * y * turn / 3.0,
            spread + x * x * turn / 3.0,
            -0.5 * y * turn,
            0.5 * x * turn,
            turn,
        )
