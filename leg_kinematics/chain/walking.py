# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The first stage: a body velocity in, foot targets and odometry out, while the robot follows."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from leg_kinematics.chain.contradiction import contradiction
from leg_kinematics.chain.following import PAUSE_AFTER_LOSS
from leg_kinematics.chain.leading import TAKING_OVER, ZERO, ticks_ahead
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.schedule import Schedule
from leg_kinematics.chain.values import (
    NANOSECONDS,
    Answer,
    Condition,
    JointLimits,
    Level,
    Odom,
    RobotReport,
    Walked,
)
from leg_kinematics.chain.walk import Walk
from leg_kinematics.errors import CannotWalkError, CommandError
from leg_kinematics.gait import (
    BodyMotion,
    Covariance,
    GaitParameters,
    GaitSample,
    GaitState,
    Odometry,
    Offset,
    Twist,
    Walker,
)
from leg_kinematics.parameters import number
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver

#: What is known of the feet is as old as this at most when the robot is taken over, s.
FEET_KNOWN_FOR = 1.0

#: Between the last targets of a walk and the first of the next, s. Who streams on through a loss
#: of power without a pause is not followed by the bridge, and this is longer than it asks for.
PAUSE_BETWEEN_WALKS = PAUSE_AFTER_LOSS + 0.15

#: An order for a body offset is worked out no more often than this, since it takes some 2 ms, s.
OFFSET_INTERVAL = 0.3

#: The state of a gait whose robot lacks what a walk needs.
STAYS_AWAY = 'stays away'

#: In these states the gait moves no foot.
AT_REST = (GaitState.STANDING, GaitState.RESTING)

#: A refusal is told for so long, s.
REFUSAL_SHOWN_FOR = 1.0


@dataclass(frozen=True, slots=True)
class WalkingParameters:
    """How a walk is carried out; with no preview where foot targets are handed on directly."""

    rate: float = number(100.0, 'Hz', 10.0, 500.0, 'Tick rate of the gait')
    preview: float = number(
        0.07, 's', 0.02, 0.5, 'Time that foot targets reach ahead, for a slow line'
    )
    silence: float = number(0.5, 's', 0.05, 10.0, 'Without cmd_vel for this long the robot stops')
    slip: float = number(
        0.02, '', 0.0, 1.0, 'Slip of a gait cycle as a share of its way (standard deviation)'
    )


class Walking:
    """Walks a robot that follows, and only then.

    Nothing is sent until `stand`: only then is the robot taken over, from where its feet are. It is
    given up when power was taken from it, whatever the cause: whoever gives power back shall not
    see the robot stand up by itself.

    From a robot that lacks what a walk needs it stays away: it says what that is, sends nothing.

    Parameters
    ----------
    robot
        The description, of the legs that are wired.
    legs
        Its solvers, with the ranges of the servo maps.
    gait
        How to walk.
    parameters
        How to carry it out.
    not_wired
        Says which legs are not wired; empty where all are.

    Raises
    ------
    DescriptionError
        A posture of the robot cannot be taken.
    CommandError
        The parameters contradict each other or do not suit a robot that could walk.

    Attributes
    ----------
    lacks
        What the robot lacks that a walk needs; empty where it lacks nothing.
    walk
        Of the robot that was taken over; None while there is none.
    refused
        Commands that were refused.

    """

    def __init__(
        self,
        robot: Robot,
        legs: tuple[LegSolver, ...],
        gait: GaitParameters,
        parameters: WalkingParameters,
        not_wired: str = '',
    ) -> None:
        """Wait for a robot."""
        self._robot = robot
        self._gait = gait
        self._parameters = parameters
        self._new_walker: Callable[..., Walker] = partial(Walker, robot, legs, gait)
        # What does not fit is told now, not when the robot shall stand up.
        gait.check()
        self.lacks = f'a walk needs every leg: {not_wired}' if not_wired else ''
        if not self.lacks:
            try:
                self._new_walker(robot.resting.feet)
            except CannotWalkError as error:
                self.lacks = str(error)
        self._new_odometry = partial(Odometry, parameters.slip, robot.standing.feet)
        self._ahead = ticks_ahead(parameters.preview, parameters.rate)
        self._schedule = Schedule(1.0 / parameters.rate, self._ahead[-1])
        self.walk: Walk | None = None
        self._report: RobotReport | None = None
        self._reported_at = 0.0
        self._feet: tuple[Vector, ...] | None = None
        self._feet_at = 0.0
        self._touching: dict[int, bool] = {}
        self._command = Twist()
        self._commanded_at = -float('inf')
        self._ordered: Offset | None = None
        self._next_order_at = -float('inf')
        self._contradiction = ''
        self._led_at = -float('inf')
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
        if self.walk is None:
            raise CommandError(self._too_early('body_offset'))
        self._ordered = offset
        self._obey_offset(received)

    def set_duty_factor(self, duty_factor: float) -> None:
        """Walk with another duty factor.

        Raises
        ------
        CommandError
            The robot has not been taken over, or cannot do it; nothing has changed then.

        """
        if self.walk is None:
            raise CommandError(self._too_early('gait/duty_factor'))
        self.walk.walker.set_duty_factor(duty_factor)

    def touch(self, leg: int, touching: bool) -> None:  # noqa: FBT001
        """Tell whether a foot touches the ground."""
        self._touching[leg] = touching
        if self.walk is not None:
            self.walk.walker.touch(leg, touching)

    def locate(self, feet: tuple[Vector, ...], received: float) -> None:
        """Take in where the feet are, in `base_link`, m."""
        self._feet = feet
        self._feet_at = received

    def hear(self, report: RobotReport, received: float) -> None:
        """Take in what the robot does."""
        self._report = report
        self._reported_at = received
        if self.walk is not None and not self.walk.hear(report, received):
            self._give_up()

    def heed(self, limits: JointLimits) -> None:
        """Take in how fast the bridge drives the joints; see whether the gait asks for more."""
        if not self.lacks:
            self._contradiction = contradiction(self._robot, self._gait, limits)

    def stand(self, now: float) -> Answer:
        """Stand up; take the robot over where it is if that has not been done."""
        if self.lacks or self._contradiction:
            contradicting = f'parameters contradict each other: {self._contradiction}'
            return Answer(success=False, words=self._staying_away or contradicting)
        report = self._report
        if report is None or now - self._reported_at > FEET_KNOWN_FOR:
            return Answer(success=False, words='nothing is heard from the bridge: is it running?')
        walk = self.walk
        if walk is None:
            if report.state is not PowerState.FOLLOWING:
                return Answer(
                    success=False,
                    words=f'the robot does not follow, it is {report.state}: '
                    f'{_what_helps(report.state)}',
                )
            if self._feet is None or now - self._feet_at > FEET_KNOWN_FOR:
                return Answer(
                    success=False,
                    words='it is not known where the feet are: no foot_states in the last second',
                )
            walk = self.walk = self._take_over(self._feet, report, now)
        if refusal := _refusal_of(walk):
            return refusal
        walk.walker.stand()
        words = f'now {walk.walker.state}'
        if walk.walker.hindrance:
            words += f'; it will not walk: {walk.walker.hindrance}'
        return Answer(success=True, words=words)

    def crouch(self) -> Answer:
        """Stop and lie down."""
        if self.walk is None:
            words = 'the robot has not been taken over: call gait/stand first'
            return Answer(success=False, words=self._staying_away or words)
        if refusal := _refusal_of(self.walk):
            return refusal
        self.walk.walker.crouch()
        return Answer(success=True, words=f'now {self.walk.walker.state}')

    def hand_over(self) -> Answer:
        """Give up the robot where it stands or rests, so that somebody else can lead its feet."""
        if self.walk is None:
            return Answer(
                success=True, words='nothing to hand over: the gait has not taken the robot over'
            )
        if refusal := _refusal_of(self.walk):
            return refusal
        state = self.walk.walker.state
        if self.walk.paused or state not in AT_REST:
            return Answer(
                success=False,
                words=f'the robot is led now ({self.walk.paused or state}): call again when it '
                'stands or rests',
            )
        self._give_up()
        return Answer(
            success=True,
            words=f'handed over {state}: the gait sends nothing until gait/stand is called',
        )

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
        walk = self.walk
        if walk is None:
            return None
        count = self._schedule.due(now)
        if not count:
            return None
        stamp = round(self._schedule.at * NANOSECONDS) + clock_offset
        try:
            self._obey_offset(now)
        except CommandError as error:
            self.refuse(error, now)
        silent = now - self._commanded_at > self._parameters.silence
        walk.command = Twist() if silent else self._command
        targets = walk.step(count, stamp, now)
        if targets is not None:
            self._led_at = now
        return Walked(targets, walk.odometry_until(stamp, now))

    def odometry_at_rest(self, now: float, clock_offset: int) -> Odom | None:
        """Where a robot that follows rests before it is taken over: at the origin of `odom`.

        None when it is walked, cannot walk, does not follow, or when nobody knows where its feet
        are.
        """
        if self.lacks:
            return None
        feet = self._feet if now - self._feet_at <= FEET_KNOWN_FOR else None
        if self.walk is not None or self._waiting_for(now) or feet is None:
            return None
        height = -min(z for _, _, z in feet)
        still = BodyMotion((0.0, 0.0, height), ZERO, ZERO, ZERO)
        stamp = round(now * NANOSECONDS) + clock_offset
        return Odom(stamp, still, Covariance(), Covariance())

    # ---- taking over and giving up

    def _take_over(self, feet: tuple[Vector, ...], report: RobotReport, now: float) -> Walk:
        walker = self._new_walker(feet)
        for leg, touching in self._touching.items():
            walker.touch(leg, touching)
        self._schedule.begin(now)
        return Walk(
            walker,
            self._new_odometry(),
            self._robot.leg_names,
            rate=self._parameters.rate,
            ahead=self._ahead,
            cycle=lambda duty_factor: self._gait.swing_time / (1.0 - duty_factor),
            report=report,
            now=now,
            from_instant=self._led_at + PAUSE_BETWEEN_WALKS,
        )

    def _give_up(self) -> None:
        """Forget the robot: where it is when it is taken over again nobody knows yet."""
        self.walk = self._feet = self._ordered = None

    def _obey_offset(self, now: float) -> None:
        if self._ordered is None or self.walk is None or now < self._next_order_at:
            return
        offset, self._ordered = self._ordered, None
        self._next_order_at = now + OFFSET_INTERVAL
        self.walk.walker.offset_body(offset)

    # ---- what is known

    @property
    def sample(self) -> GaitSample | None:
        """The walk where the robot is; None while no robot has been taken over."""
        return None if self.walk is None else self.walk.sample

    @property
    def at(self) -> float:
        """Ideal instant of the latest tick, s; whoever called may have been early or late."""
        return self._schedule.at

    @property
    def ticks(self) -> int:
        """Ticks since the beginning."""
        return self._schedule.count

    @property
    def missed(self) -> int:
        """Ticks that were left out because they came too late."""
        return self._schedule.missed

    def _waiting_for(self, now: float) -> str:
        """Say what is missing until the robot can be taken over; empty when nothing is."""
        report = self._report
        if report is None or now - self._reported_at > FEET_KNOWN_FOR:
            return 'waiting for the bridge'
        if report.state is not PowerState.FOLLOWING:
            return f'waiting for the bridge, which is {report.state}'
        if self._feet is None:
            return 'waiting for foot_states'
        return ''

    @property
    def _staying_away(self) -> str:
        """Refuse what a robot cannot do for what it lacks; empty where it lacks nothing."""
        return f'the gait stays away from this robot: {self.lacks}' if self.lacks else ''

    def _too_early(self, what: str) -> str:
        """Refuse what only a robot that was taken over can do."""
        return self._staying_away or f'{what} came before gait/stand; stand up first'

    def condition(self, now: float) -> Condition:
        """Say how the walk is, at an instant, s."""
        if self._refusal and now - self._refused_at <= REFUSAL_SHOWN_FOR:
            return Condition(Level.WARN, 'refused', self._refusal)
        if self._contradiction:
            return Condition(Level.ERROR, 'parameters contradict each other', self._contradiction)
        if self.walk is None:
            return self._condition_untaken(now)
        if self.walk.paused == TAKING_OVER:
            return Condition(Level.OK, TAKING_OVER)
        if self.walk.paused:
            return Condition(Level.WARN, 'paused', self.walk.paused)
        walker = self.walk.walker
        level = Level.WARN if walker.hindrance else Level.OK
        return Condition(level, str(walker.state), walker.hindrance)

    def _condition_untaken(self, now: float) -> Condition:
        """Say what is missing until the robot is taken over."""
        if self.lacks:
            return Condition(Level.OK, STAYS_AWAY, self.lacks)
        return Condition(Level.OK, self._waiting_for(now) or 'waiting for gait/stand')


def _refusal_of(walk: Walk) -> Answer | None:
    """Refuse an order while the robot cannot be led: an order is meant for now, not for later."""
    if walk.paused and walk.paused != TAKING_OVER:
        return Answer(
            success=False, words=f'the robot cannot be led now: {walk.paused}; call again later'
        )
    return None


def _what_helps(state: PowerState) -> str:
    """Say who has to do what for a robot to follow."""
    return {
        PowerState.UNPOWERED: 'activate the bridge first',
        PowerState.RELEASED: 'call bridge/rearm first',
        PowerState.ENABLING: 'wait until every leg has its pulses',
        PowerState.HOLDING: 'activate the bridge, or call bridge/rearm',
    }.get(state, 'see what the bridge says')
