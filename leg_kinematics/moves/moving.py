# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The stage that moves feet when somebody asks: it hears where they are, plans, and plays."""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import dist, inf

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.solving import LineParameters
from leg_kinematics.chain.values import (
    Answer,
    Condition,
    FootTargets,
    JointLimits,
    Level,
    RobotReport,
)
from leg_kinematics.errors import CommandError
from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.plan import Plan, Planner
from leg_kinematics.moves.playing import REPORT_HOLDS_FOR, Playing, PlayState
from leg_kinematics.moves.steps import Step
from leg_kinematics.parameters import number
from leg_kinematics.robot import Vector

#: Boards take pulses in steps of this, µs.
PULSE_STEP_US = 0.5

#: Who has sent foot targets within this time leads the robot, s.
LEADS_FOR = 0.5

#: Feet are where a plan begins within this, m.
AT_START = 1e-4

#: A robot that is farther than this from where a plan was left was moved by somebody, m.
ASIDE = 5e-3

#: So many stamps of our own are remembered, to know our own targets when they are heard.
REMEMBERED_STAMPS = 256

SOMEBODY_ELSE = (
    'somebody else sends foot_targets; if that is the gait, call gait/hand_over when the robot '
    'stands or rests'
)


@dataclass(frozen=True, slots=True)
class MovingParameters:
    """How moves are carried out."""

    rate: float = number(100.0, 'Hz', 50.0, 500.0, 'Ticks of a move')
    preview: float = number(
        0.07, 's', 0.02, 0.5, 'Time that foot targets reach ahead, for a slow line'
    )


class Moving:
    """Moves the feet of a robot that follows, as long as nobody else does.

    Nothing moves until a plan was begun and `play` is called.

    Parameters
    ----------
    calibrated
        The robot with its maps.
    lines
        How straight and how fast the feet go.
    parameters
        How moves are carried out.

    Attributes
    ----------
    calibrated
        The robot.
    tolerance
        Of a foot from its straight line, m.
    speeds
        Highest speed of each joint, rad/s, by name.
    playing
        The plan that was begun last; None before that.
    still_since
        When the joints were first heard of where they are now, s.

    """

    def __init__(
        self,
        calibrated: CalibratedRobot,
        lines: LineParameters | None = None,
        parameters: MovingParameters | None = None,
    ) -> None:
        """Know nothing of where the robot is."""
        self.calibrated = calibrated
        lines = lines or LineParameters()
        self.tolerance = lines.line_tolerance
        self.speeds: Mapping[str, float] = lines.speeds(calibrated.robot)
        self._parameters = parameters or MovingParameters()
        self.playing: Playing | None = None
        self._report: RobotReport | None = None
        self._reported_at = -inf
        self._positions: tuple[float, ...] | None = None
        self._located_at = -inf
        self.still_since = -inf
        self._sent: deque[int] = deque(maxlen=REMEMBERED_STAMPS)
        self._others_at = -inf

    # ---- what comes in

    def hear(self, report: RobotReport, received: float) -> None:
        """Take in what the robot does, as told at an instant, s."""
        self._report, self._reported_at = report, received
        if self.playing is not None:
            self.playing.hear(report, received)

    def locate(self, positions: tuple[float, ...], received: float) -> None:
        """Take in where the joints are, rad, as told at an instant, s."""
        if positions != self._positions:
            self.still_since = received
        self._positions, self._located_at = positions, received

    def heed(self, limits: JointLimits) -> None:
        """Take in how fast the bridge drives the joints: moves are no faster."""
        self.speeds = limits.bound(self.speeds)

    def hear_targets(self, stamp: int | None, received: float) -> None:
        """Take in that foot targets were sent, by the stamp that they have, ns.

        Those of somebody else pause what is played: two who lead a robot lead it astray.
        """
        if stamp in self._sent:
            return
        self._others_at = received
        if self.playing is not None:
            self.playing.pause(SOMEBODY_ELSE)

    # ---- where the robot is

    def unheard(self, now: float) -> bool:
        """Tell whether nothing was heard from the bridge lately, at an instant, s."""
        return now - self._reported_at > REPORT_HOLDS_FOR

    def trouble(self, now: float) -> str:
        """Say why no move can begin at an instant, s; empty when one can."""
        report = self._report
        if report is None or self.unheard(now):
            return 'nothing is heard from the bridge: is it running?'
        if report.state is not PowerState.FOLLOWING:
            return f'the robot does not follow: it is {report.state}'
        if self._positions is None or now - self._located_at > REPORT_HOLDS_FOR:
            return 'where the joints are is not known: no joint_states within the last second'
        if now - self._others_at <= LEADS_FOR:
            return SOMEBODY_ELSE
        return ''

    @property
    def heard(self) -> bool:
        """Whether the bridge was heard, and of a robot that follows where its joints are."""
        report = self._report
        return report is not None and (
            report.state is not PowerState.FOLLOWING or self.positions_known
        )

    @property
    def positions_known(self) -> bool:
        """Whether it was heard where the joints are."""
        return self._positions is not None

    @property
    def positions(self) -> tuple[float, ...]:
        """Joint angles as commanded, rad, in the order of the robot.

        Raises
        ------
        CommandError
            They are not known yet.

        """
        if self._positions is None:
            raise CommandError('where the feet are is not known: no joint_states has come')
        return self._positions

    @property
    def feet(self) -> Feet:
        """Feet as commanded, in `base_link`, m; CommandError where they are not known yet."""
        return self._feet_at(self.positions)

    @property
    def pulses_us(self) -> tuple[float, ...]:
        """Pulses of the joints as boards take them, µs; CommandError as for `feet`."""
        return tuple(
            PULSE_STEP_US * round(each.pulse_us(angle) / PULSE_STEP_US)
            for each, angle in zip(self.calibrated.maps.maps, self.positions, strict=True)
        )

    @property
    def feet_by_pulses(self) -> Feet:
        """Feet where these pulses turn the joints, in `base_link`, m; errors as for `feet`."""
        maps = self.calibrated.maps.maps
        return self._feet_at(
            [each.angle(pulse) for each, pulse in zip(maps, self.pulses_us, strict=True)]
        )

    def _feet_at(self, positions: Sequence[float]) -> Feet:
        each = iter(positions)
        joints = zip(each, each, each, strict=True)
        return tuple(
            leg.foot(three) for leg, three in zip(self.calibrated.legs, joints, strict=True)
        )

    # ---- orders

    def plan(self, steps: Sequence[Step], feet: Sequence[Vector] | None = None) -> Plan:
        """Solve steps from where the feet are, or from other feet, in `base_link`, m.

        Raises
        ------
        StepError
            A step cannot be done.
        CommandError
            Where the feet are is not known yet.

        """
        planner = Planner(
            self.calibrated.robot,
            self.calibrated.legs,
            tolerance=self.tolerance,
            speeds=self.speeds,
        )
        return planner.plan(steps, self.feet if feet is None else feet)

    def begin(self, plan: Plan, again: Plan | None = None) -> Playing:
        """Have a plan ready to be played, and after it another one over and over.

        Raises
        ------
        CommandError
            The feet are not where the plan begins.

        """
        if self._farthest_from(plan.start) > AT_START:
            raise CommandError(
                'the feet are no longer where the plan begins: they were moved meanwhile; plan anew'
            )
        self.playing = Playing(
            plan,
            self.calibrated.robot.leg_names,
            rate=self._parameters.rate,
            preview=self._parameters.preview,
            again=again,
        )
        return self.playing

    def play(self, now: float) -> Answer:
        """Play what was begun to its end, or go on with it."""
        return self._play(now, one_step=False)

    def play_step(self, now: float) -> Answer:
        """Play what was begun to the end of a step."""
        return self._play(now, one_step=True)

    def _play(self, now: float, *, one_step: bool) -> Answer:
        playing = self.playing
        if playing is None:
            return Answer(success=False, words='there is nothing to play')
        if trouble := self.trouble(now):
            return Answer(success=False, words=trouble)
        if self._farthest_from(playing.sample(playing.time).feet) > ASIDE:
            return Answer(
                success=False,
                words='the feet are no longer where they were left: somebody has moved them; '
                'start anew from where they are',
            )
        if self._report is not None:
            playing.hear(self._report, self._reported_at)
        return playing.play_step(now) if one_step else playing.play(now)

    def _farthest_from(self, feet: Sequence[Vector]) -> float:
        """How far a foot is from where it should be at most, m."""
        return max(dist(foot, other) for foot, other in zip(self.feet, feet, strict=True))

    # ---- time

    def step(self, now: float, clock_offset: int) -> FootTargets | None:
        """Go on to an instant, s; the clock of the stamps shows so many ns more."""
        if self.playing is None:
            return None
        targets = self.playing.step(now, clock_offset)
        if targets is not None:
            self._sent.append(targets.stamp)
        return targets

    def condition(self, now: float) -> Condition:
        """Say what is played, or why nothing can be, at an instant, s."""
        if self.playing is not None and self.playing.state is not PlayState.READY:
            return self.playing.condition()
        if trouble := self.trouble(now):
            return Condition(Level.OK, 'waiting', trouble)
        return Condition(Level.OK, 'ready')
