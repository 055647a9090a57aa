# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The first stage: a body velocity in, foot targets and odometry out, as long as the robot follows.

The walk is a path that is worked out a little ahead of the robot. Where the robot has come to on
it, the robot tells. When it does not follow, the path ends there for now: nothing is worked out any
more, and when the robot can be led again it is first led to stand where it is on the path, and then
on along it, from slow to fast. So no foot is dragged over the ground, however long the pause.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from math import ceil

from leg_kinematics.chain.path import Path
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.schedule import Schedule
from leg_kinematics.chain.values import (
    NANOSECONDS,
    Answer,
    Condition,
    FootTargets,
    JointLimits,
    Level,
    RobotReport,
)
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import (
    BodyMotion,
    Covariance,
    GaitParameters,
    GaitSample,
    Odometry,
    Offset,
    Twist,
    Walker,
)
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, hermite

#: What is known of the feet is as old as this at most when the robot is taken over, s.
FRESH = 1.0

#: A robot that has not been heard of for so long does not follow, s.
HEARD_WITHIN = 0.3

#: Nor does one that is so far behind, s, and two ticks more.
BEHIND = 0.25

#: Nor does one with a joint so far from where it should be, rad.
ASTRAY = 0.05

#: A robot that has come on by less between two reports stands still, in ticks.
AT_REST = 0.1

#: A robot that stands where it is led to is no farther from it, rad.
THERE = 0.005

#: An order for a body offset is worked out no more often than this, since it takes as long as a
#: few ticks, s.
OFFSET_INTERVAL = 0.3

#: Peak acceleration of a joint in a walk, times the time of a swing, over its peak speed. Largest
#: seen with bracken at its limits of speed, ahead, aside and turning: 9.5.
SWIFTNESS = 10.0

#: A refusal is told for so long, s.
TOLD_FOR = 1.0

#: Odometry goes on for so long after the robot was last heard of, s.
EXTRAPOLATED = 0.03

#: Why nothing moves until the robot stands where it is led to for the first time.
TAKING_OVER = 'taking the robot over'

ZERO = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class WalkingParameters:
    """How a walk is carried out.

    Attributes
    ----------
    rate
        Ticks, 1/s.
    preview
        Time that foot targets reach ahead, for a line that loses or delays them, s; 0 where they
        are handed on directly.
    silence
        Without a body velocity for so long the robot stops, s.
    slip
        Of the odometry.

    """

    rate: float = 100.0
    preview: float = 0.07
    silence: float = 0.5
    slip: float = 0.02


@dataclass(frozen=True, slots=True)
class Tick:
    """What a tick of the gait gave, and how far its pose can be trusted."""

    sample: GaitSample
    trust: Covariance


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


class Walking:
    """Walks a robot that follows, and only then.

    Nothing is sent until `stand`: only then is the robot taken over, from where its feet are. It
    is given up when power was taken from it, by whom or what ever: whoever gives it back shall not
    find the robot standing up by itself.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers, with the ranges of the servo maps.
    gait
        How to walk.
    parameters
        How to carry it out.

    Raises
    ------
    DescriptionError
        A posture of the robot cannot be taken.
    CommandError
        The parameters contradict each other or do not suit the robot.

    Attributes
    ----------
    refused
        Commands that were refused.

    """

    def __init__(
        self,
        robot: Robot,
        legs: tuple[LegSolver, ...],
        gait: GaitParameters,
        parameters: WalkingParameters,
    ) -> None:
        """Wait for a robot."""
        self._robot = robot
        self._gait = gait
        self._parameters = parameters
        self._tick = 1.0 / parameters.rate
        self._new_walker: Callable[..., Walker] = partial(Walker, robot, legs, gait)
        # What does not fit is told now, not when the robot shall stand up.
        self._new_walker(robot.resting.feet)
        self._new_odometry = partial(Odometry, parameters.slip, robot.standing.feet)
        self._odometry = self._new_odometry()
        reach = max(2, ceil(parameters.preview / self._tick - 1e-9)) if parameters.preview else 0
        self._ahead = tuple(sorted({0, min(1, reach), reach}))
        self._schedule = Schedule(self._tick, reach)
        self._path: Path[Tick] = Path(self._tick, parameters.rate)
        self._walker: Walker | None = None
        self._whose: tuple[int, int] | None = None
        self._paused = ''
        self._paused_at = 0.0
        self._rests = False
        self._stood_since: int | None = None
        self._report: RobotReport | None = None
        self._reported_at = 0.0
        self._clock_offset = 0
        self._feet: tuple[Vector, ...] | None = None
        self._feet_at = 0.0
        self._touching: dict[int, bool] = {}
        self._command = Twist()
        self._commanded_at = -float('inf')
        self._ordered: Offset | None = None
        self._next_order_at = -float('inf')
        self._told = 0
        self._contradiction = ''
        # When it was heard last, and where it was then.
        self._stood_at = (0.0, 0.0)
        self.refused = 0
        self._refusal = ''
        self._refused_at = 0.0

    # ---- what comes in

    def refuse(self, error: CommandError, now: float) -> None:
        """Note that a command was refused, and why."""
        self.refused += 1
        self._refusal = str(error)
        self._refused_at = now

    def command(self, twist: Twist, received: float) -> None:
        """Take a body velocity that came at an instant, s."""
        self._refusal = ''
        self._command = twist
        self._commanded_at = received

    def order_offset(self, offset: Offset, received: float) -> None:
        """Take an order for another body offset; of a stream, one every so often is obeyed.

        Raises
        ------
        CommandError
            The robot has not been taken over, or cannot do it; nothing has changed then.

        """
        if self._walker is None:
            raise CommandError('body_pose came before gait/stand; stand up first')
        self._ordered = offset
        self._obey_offset(received)

    def set_duty_factor(self, duty_factor: float) -> None:
        """Walk with another duty factor.

        Raises
        ------
        CommandError
            The robot has not been taken over, or cannot do it; nothing has changed then.

        """
        if self._walker is None:
            raise CommandError('gait/duty_factor came before gait/stand; stand up first')
        self._walker.set_duty_factor(duty_factor)

    def touch(self, leg: int, touching: bool) -> None:  # noqa: FBT001
        """Tell whether a foot touches the ground."""
        self._touching[leg] = touching
        if self._walker is not None:
            self._walker.touch(leg, touching)

    def locate(self, feet: tuple[Vector, ...], received: float) -> None:
        """Take in where the feet are, in `base_link`, m."""
        self._feet = feet
        self._feet_at = received

    def hear(self, report: RobotReport, received: float) -> None:
        """Take in what the robot does."""
        self._report = report
        self._reported_at = received
        if self._walker is None:
            return
        if self._whose != (report.session, report.losses) or report.state in {
            PowerState.RELEASED,
            PowerState.UNPOWERED,
        }:
            self._give_up()
        elif report.stamp is not None:
            way = self._path.reach(report.stamp, going_back=bool(self._paused))
            self._rests = abs(way) < AT_REST

    def heed(self, limits: JointLimits) -> None:
        """Take in how fast the bridge drives the joints; see whether the gait asks for more."""
        self._contradiction = self._contradicts(limits)

    def _contradicts(self, limits: JointLimits) -> str:
        if limits.joints != self._robot.joints:
            return (
                f'the bridge drives the joints of another robot: expected '
                f'{", ".join(self._robot.joints)} (got {", ".join(limits.joints)})'
            )
        links = [link for leg in self._robot.legs for link in leg.links]
        share = self._gait.speed_share
        for joint, link, speed in zip(limits.joints, links, limits.speeds, strict=True):
            if share * link.servo.speed > speed * (1.0 + 1e-9):
                return (
                    f"'speed_share' {share:g} of the gait asks {joint} for up to "
                    f'{share * link.servo.speed:.2f} rad/s, that of the bridge allows {speed:.2f}'
                )
        needed = SWIFTNESS * share * max(link.servo.speed for link in links)
        needed /= self._gait.swing_time
        if needed > limits.acceleration:
            return (
                f"'swing_time' {self._gait.swing_time:g} s of the gait may ask joints for "
                f"{needed:.0f} rad/s^2, 'joint_acceleration' of the bridge allows "
                f'{limits.acceleration:g}'
            )
        return ''

    def stand(self, now: float) -> Answer:
        """Stand up; take the robot over where it is if that has not been done."""
        report = self._report
        if report is None or now - self._reported_at > FRESH:
            return Answer(success=False, words='nothing is heard of the bridge: is it running?')
        if self._contradiction:
            return Answer(success=False, words=f'parameters contradict: {self._contradiction}')
        if self._walker is None:
            if report.state is not PowerState.FOLLOWING:
                return Answer(
                    success=False,
                    words=f'the robot does not follow, it is {report.state}: '
                    f'{_what_helps(report.state)}',
                )
            if self._feet is None or now - self._feet_at > FRESH:
                return Answer(
                    success=False,
                    words='where the feet are is not known: no foot_states within the last second',
                )
            self._take_over(self._feet, report, now)
        walker = self._walker
        if walker is None:
            raise RuntimeError('the robot was taken over and there is no walker')
        walker.stand()
        words = self._words(walker)
        if walker.hindrance:
            words += f'; it will not walk: {walker.hindrance}'
        return Answer(success=True, words=words)

    def crouch(self) -> Answer:
        """Stop and lie down."""
        if self._walker is None:
            return Answer(
                success=False, words='the robot has not been taken over: call gait/stand first'
            )
        self._walker.crouch()
        return Answer(success=True, words=self._words(self._walker))

    def _words(self, walker: Walker) -> str:
        """Say what the robot does now, or will do."""
        if self._paused and self._paused != TAKING_OVER:
            return f'{walker.state} once the robot can be led: {self._paused}'
        return f'now {walker.state}'

    # ---- time

    def step(self, now: float, clock_offset: int) -> Walked | None:
        """Go on to an instant.

        Parameters
        ----------
        now
            s.
        clock_offset
            What the clock of the stamps shows more than `now`, ns.

        Returns
        -------
        Walked or None
            None while no robot has been taken over, or when the step comes before its time.

        """
        if self._walker is None:
            return None
        count = self._schedule.due(now)
        if not count:
            return None
        stamp = round(self._schedule.at * NANOSECONDS) + clock_offset
        self._clock_offset = clock_offset
        try:
            self._obey_offset(now)
        except CommandError as error:
            self.refuse(error, now)
        self._judge(now)
        targets = self._stand_still(stamp) if self._paused else self._lead_on(stamp, count, now)
        return Walked(targets, self._odometry_until(stamp, now))

    def _judge(self, now: float) -> None:
        """Pause when the robot does not follow; go on when it stands where it is led to."""
        trouble = self._trouble(now)
        if not self._paused:
            if trouble:
                self._pause(trouble, now)
        elif trouble:
            self._paused = trouble
            self._stood_since = None
        elif self._stood_since is not None:
            report = self._report
            if (
                report is not None
                and report.stamp is not None
                and report.stamp >= self._stood_since
                and report.lag <= THERE
            ):
                self._paused = ''
                self._stood_since = None
                self._path.set_off()

    def _trouble(self, now: float) -> str:
        """Why the robot does not follow; empty while it does."""
        report = self._report
        if report is None or now - self._reported_at > HEARD_WITHIN:
            return 'nothing is heard of the bridge'
        if report.state is not PowerState.FOLLOWING:
            return f'the robot is {report.state}'
        if report.lag > ASTRAY:
            return f'a joint is {report.lag:.2f} rad behind'
        stamp = round(now * NANOSECONDS) + self._clock_offset
        # Where it stands on the path does not show before it is led there.
        if not self._paused and report.stamp is not None:
            behind = (stamp - report.stamp) / NANOSECONDS - (now - self._reported_at)
            if behind > BEHIND + 2.0 * self._tick:
                return f'the robot stands {behind:.2f} s behind: are its targets refused?'
        return ''

    def _pause(self, reason: str, now: float) -> None:
        self._paused = reason
        self._paused_at = now
        self._rests = not self._path.pace
        self._stood_since = None
        self._path.stop()

    def _stand_still(self, stamp: int) -> FootTargets | None:
        """Lead the robot to stand where it is on the path, once it has come to rest there."""
        report = self._report
        if (
            report is None
            or report.state is not PowerState.FOLLOWING
            or self._reported_at < self._paused_at
            or not (self._rests or self._stood_since is not None)
        ):
            return None
        if self._stood_since is None:
            self._stood_since = stamp
        feet, _ = self._between(self._path.at)
        self._path.publish(stamp, (0.0,), (self._path.at,))
        legs = self._robot.leg_names
        return FootTargets(stamp, legs, (0.0,), (feet,), ((ZERO,) * len(legs),))

    def _lead_on(self, stamp: int, count: int, now: float) -> FootTargets:
        """Go on along the path by so many ticks."""
        path = self._path
        path.advance(count)
        times = tuple(ticks * self._tick for ticks in self._ahead)
        coming = [path.ahead(ticks) for ticks in self._ahead]
        while path.front < coming[-1][0]:
            path.append(self._advance(now))
        points = [self._between(position) for position, _ in coming]
        path.publish(stamp, times, tuple(position for position, _ in coming))
        return FootTargets(
            stamp,
            self._robot.leg_names,
            times,
            tuple(feet for feet, _ in points),
            tuple(
                _scaled(velocities, pace)
                for (_, velocities), (_, pace) in zip(points, coming, strict=True)
            ),
        )

    def _between(self, position: float) -> tuple[tuple[Vector, ...], tuple[Vector, ...]]:
        """Feet and their velocities at a position of the path, in ticks."""
        before, after, share = self._path.around(position)
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

    def _advance(self, now: float) -> Tick:
        if self._walker is None:
            raise RuntimeError('no walk has begun')
        silent = now - self._commanded_at > self._parameters.silence
        sample = self._walker.step(self._tick, Twist() if silent else self._command)
        cycle = self._gait.swing_time / (1.0 - sample.duty_factor)
        self._odometry.go(sample.pose, sample.twist, self._tick, cycle)
        return Tick(sample, self._odometry.pose)

    def _odometry_until(self, stamp: int, now: float) -> tuple[Odom, ...]:
        """Where the robot has come to since the last step, tick by tick, and never back.

        It has come no farther than it has told, but for a moment on the way of its telling. That
        it stands is said when two reports of it in a row say so: where it came to rest without a
        word, nobody knows yet.
        """
        path = self._path
        since = 0.0 if self._paused else min(EXTRAPOLATED, now - self._reported_at)
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
        if self._paused and heard and path.reached == self._stood_at[1]:
            odometry.append(self._odom(stamp, 0.0))
        self._stood_at = (self._reported_at, path.reached)
        return tuple(odometry)

    def _odom(self, stamp: int, pace: float) -> Odom:
        tick, _, _ = self._path.around(float(self._told))
        motion = BodyMotion.of(tick.sample)
        linear, angular = _scaled((motion.linear, motion.angular), pace)
        rate = self._odometry.twist(tick.sample.twist) if pace else Covariance()
        return Odom(stamp, replace(motion, linear=linear, angular=angular), tick.trust, rate)

    # ---- taking over and giving up

    def _take_over(self, feet: tuple[Vector, ...], report: RobotReport, now: float) -> None:
        self._walker = self._new_walker(feet)
        for leg, touching in self._touching.items():
            self._walker.touch(leg, touching)
        self._whose = (report.session, report.losses)
        self._odometry = self._new_odometry()
        self._told = 0
        self._schedule.begin(now)
        self._path.begin(self._advance(now))
        self._pause(TAKING_OVER, now)

    def _give_up(self) -> None:
        """Where the robot is when its servos have power again nobody knows."""
        self._walker = self._feet = self._whose = None
        self._ordered = None
        self._paused = ''

    def _obey_offset(self, now: float) -> None:
        if self._ordered is None or self._walker is None or now < self._next_order_at:
            return
        offset, self._ordered = self._ordered, None
        self._next_order_at = now + OFFSET_INTERVAL
        self._walker.pose_body(offset)

    # ---- what is known

    @property
    def sample(self) -> GaitSample | None:
        """The walk where the robot is; None while no robot has been taken over."""
        if self._walker is None:
            return None
        return self._path.around(self._path.at)[0].sample

    @property
    def ticks(self) -> int:
        """Ticks since the beginning."""
        return self._schedule.count

    @property
    def missed(self) -> int:
        """Ticks that were left out because they came too late."""
        return self._schedule.missed

    def _waiting_for(self, now: float) -> str:
        """Say what is missing until the robot can be taken over."""
        report = self._report
        if report is None or now - self._reported_at > FRESH:
            return 'waiting for the bridge'
        if report.state is not PowerState.FOLLOWING:
            return f'waiting for the bridge, which is {report.state}'
        if self._feet is None:
            return 'waiting for foot_states'
        return 'waiting for gait/stand'

    def condition(self, now: float) -> Condition:
        """Say how the walk is, at an instant, s."""
        if self._refusal and now - self._refused_at <= TOLD_FOR:
            return Condition(Level.WARN, 'refused', self._refusal)
        if self._contradiction:
            return Condition(Level.ERROR, 'parameters contradict', self._contradiction)
        if self._walker is None:
            return Condition(Level.OK, self._waiting_for(now))
        if self._paused == TAKING_OVER:
            return Condition(Level.OK, TAKING_OVER)
        if self._paused:
            return Condition(Level.WARN, 'paused', self._paused)
        hindrance = self._walker.hindrance
        level = Level.WARN if hindrance else Level.OK
        return Condition(level, str(self._walker.state), hindrance)


def _what_helps(state: PowerState) -> str:
    """Say who has to do what for a robot to follow."""
    return {
        PowerState.UNPOWERED: 'activate the bridge first',
        PowerState.RELEASED: 'call bridge/rearm first',
        PowerState.ENABLING: 'wait until every leg has its pulses',
        PowerState.HOLDING: 'activate the bridge, or call bridge/rearm',
    }.get(state, 'see what the bridge says')


def _scaled(vectors: tuple[Vector, ...], factor: float) -> tuple[Vector, ...]:
    if factor == 1.0:
        return vectors
    return tuple((factor * x, factor * y, factor * z) for x, y, z in vectors)
