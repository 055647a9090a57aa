# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the stages hand to each other."""

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf

from leg_kinematics.chain.power import PowerState
from leg_kinematics.gait import BodyMotion, Covariance
from leg_kinematics.robot import Vector
from leg_kinematics.solver import Trajectory

NANOSECONDS = 1_000_000_000

#: A joint farther from where its stream wants it lags, rad: the bridge says so, the gait pauses.
LAGGING = 0.05


@dataclass(frozen=True, slots=True)
class FootTargets:
    """Where feet shall be, and when.

    Targets with velocities are a stream: the feet are there at these instants, at these velocities,
    and the next targets follow soon. Targets without are straight moves, from rest to rest, from
    point to point; each may take longer than asked where the servos need it.

    Attributes
    ----------
    stamp
        Instant of the sender's clock from which the times count, ns; 0 means now.
    legs
        Names of the legs that shall move.
    times
        s from the stamp, shape (n,).
    feet
        In `base_link`, m, shape (n, legs, 3).
    velocities
        m/s, shape (n, legs, 3); None for straight moves.

    """

    stamp: int
    legs: tuple[str, ...]
    times: tuple[float, ...]
    feet: Sequence[Sequence[Vector]]
    velocities: Sequence[Sequence[Vector]] | None


@dataclass(frozen=True, slots=True)
class JointTargets:
    """Where the joints shall be, and when.

    Attributes
    ----------
    stamp
        Instant of the sender's clock from which the times count, ns; 0 means now.
    trajectory
        Of the joints that are named, in the order of their names.
    joints
        Names of the joints that shall move; None for all, in the order of the robot.

    """

    stamp: int
    trajectory: Trajectory
    joints: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class JointLimits:
    """How fast joints are driven at most: what is asked for beyond that, they lag behind.

    Attributes
    ----------
    joints
        Their names.
    speeds
        rad/s, shape (joints,).
    acceleration
        Of every joint, rad/s^2.

    """

    joints: tuple[str, ...]
    speeds: tuple[float, ...]
    acceleration: float

    def bound(self, speeds: Mapping[str, float]) -> dict[str, float]:
        """Give speeds by joint, rad/s, none of them above its limit."""
        highest = dict(zip(self.joints, self.speeds, strict=True))
        return {joint: min(speed, highest.get(joint, inf)) for joint, speed in speeds.items()}


@dataclass(frozen=True, slots=True)
class RobotReport:
    """What the robot does, as told to whoever walks it.

    Attributes
    ----------
    state
        Who has power and who may move.
    session
        A number that every start of the bridge draws anew.
    losses
        Times in this session that power was taken away.
    stamp
        Instant of the sender's clock in its stream that the joints have come to, ns; None where
        they are in no stream.
    lag
        How far the joint that is farthest behind is from where the stream wants it, rad.

    """

    state: PowerState
    session: int
    losses: int
    stamp: int | None
    lag: float


@dataclass(frozen=True, slots=True)
class Odom:
    """Where the robot is, as far as it is known to have come.

    Attributes
    ----------
    stamp
        ns, of the clock of the stamps.
    motion
        Pose and twist of `base_link`; at rest while the robot does not follow.
    trust, rate_trust
        Covariances of pose and twist.

    """

    stamp: int
    motion: BodyMotion
    trust: Covariance
    rate_trust: Covariance


@dataclass(frozen=True, slots=True)
class Walked:
    """The outcome of a step.

    Attributes
    ----------
    targets
        None while the robot cannot be led.
    odometry
        Where it has come to since the last step.

    """

    targets: FootTargets | None
    odometry: tuple[Odom, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of an order.

    Attributes
    ----------
    success
        Whether it was carried out.
    words
        What was done, or why nothing was.

    """

    success: bool
    words: str


class Level(enum.IntEnum):
    """How well a stage is, by the numbers of diagnostic_msgs/DiagnosticStatus."""

    OK = 0
    WARN = 1
    ERROR = 2


@dataclass(frozen=True, slots=True)
class Condition:
    """How a stage is.

    Attributes
    ----------
    level
        Of trouble.
    state
        In few words, which change only with the state.
    detail
        More words, which may change all the time.

    """

    level: Level
    state: str
    detail: str = ''

    def __str__(self) -> str:
        """Put both in one line."""
        return f'{self.state}: {self.detail}' if self.detail else self.state
