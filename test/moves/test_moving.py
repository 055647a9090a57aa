# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The stage that moves feet when somebody asks, with a whole robot in lock step."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import dist

import pytest

from leg_kinematics.board import Record
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.lockstep import LockStep
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.solving import LineParameters
from leg_kinematics.chain.values import JointLimits
from leg_kinematics.errors import CommandError
from leg_kinematics.moves.moving import LEADS_FOR, SOMEBODY_ELSE, Moving
from leg_kinematics.moves.places import Frame, LegFrames, Place
from leg_kinematics.moves.playing import REPORT_HOLDS_FOR, PlayState
from leg_kinematics.moves.steps import FeetStep, Haste

OUT = FeetStep({'left_front': Place(Frame.RESTING, x=0.04)})
UP = FeetStep({'left_front': Place(Frame.RESTING, z=0.02)})


@dataclass
class Bench:
    """A robot in lock step and the stage that moves it.

    Attributes
    ----------
    robot, stage
        Both.
    told
        The last pose that each board was told, by channel, us.

    """

    robot: LockStep
    stage: Moving
    told: dict[str, Mapping[int, float]] = field(default_factory=dict)

    def go_on(self) -> None:
        """Advance by a tick."""
        robot, stage = self.robot, self.stage
        stage.hear(robot.driving.report(), robot.now)
        stage.locate(tuple(robot.driving.positions), robot.now)
        targets = stage.step(robot.now, 0)
        if targets is not None:
            stage.hear_targets(targets.stamp, robot.now)
            robot.chain.pass_on(targets, robot.now, at_once=True)
        robot.step()

    def until(self, condition: Callable[[], bool]) -> None:
        """Advance until something has happened."""
        for _ in range(3000):
            if condition():
                return
            self.go_on()
        pytest.fail(f'waited in vain: {self.stage.condition(self.robot.now)}')

    def run(self, seconds: float) -> None:
        """Advance by so many seconds."""
        for _ in range(round(seconds / 0.01)):
            self.go_on()

    def order(self) -> str:
        """Play; return why not, or nothing."""
        answer = self.stage.play(self.robot.now)
        return '' if answer.success else answer.words

    def state(self) -> PlayState:
        """How far what was begun has come."""
        assert self.stage.playing is not None
        return self.stage.playing.state


@pytest.fixture
def bench(calibrated: CalibratedRobot) -> Bench:
    """Return a robot that rests and follows."""
    told: dict[str, Mapping[int, float]] = {}

    def record(board: str, what: Record) -> None:
        if what.event == 'pose':
            told[board] = what.pulses_us

    robot = LockStep(calibrated.robot, calibrated.maps, record=record)
    robot.driving.configure()
    robot.run_until(lambda: robot.driving.status.found)
    assert robot.driving.activate().success
    robot.run_until(lambda: robot.driving.state is PowerState.FOLLOWING)
    bench = Bench(robot, Moving(calibrated), told)
    bench.go_on()
    return bench


def test_the_pulses_put_the_foot_where_it_shall_be(
    bench: Bench, calibrated: CalibratedRobot
) -> None:
    """As the board has them, they leave it within 0.1 mm of its place, and the others at theirs."""
    bench.stage.begin(bench.stage.plan([OUT, UP]))
    assert not bench.order()
    bench.until(lambda: bench.state() is PlayState.FINISHED)
    bench.run(0.1)
    (told,) = bench.told.values()
    assert told == pytest.approx(
        dict(
            zip(
                (each.channel for each in calibrated.maps.maps),
                bench.stage.pulses_us,
                strict=True,
            )
        )
    )
    feet = bench.stage.feet_by_pulses
    place = LegFrames(calibrated.robot).coordinates('left_front', Frame.RESTING, feet[0])
    assert place == pytest.approx((0.04, 0.0, 0.02), abs=1e-4)
    for foot, rest in zip(feet[1:], calibrated.robot.resting.feet[1:], strict=True):
        assert dist(foot, rest) < 1e-4


def test_what_is_missing_is_told(calibrated: CalibratedRobot, bench: Bench) -> None:
    """Nobody is heard, the robot does not follow, its joints are not known, somebody else leads."""
    stage, now = Moving(calibrated), bench.robot.now
    assert 'nothing is heard from the bridge' in stage.trouble(now)
    with pytest.raises(CommandError, match='no joint_states'):
        stage.plan([OUT])
    stage.hear(bench.robot.driving.report(), now)
    assert 'no joint_states' in stage.trouble(now)
    stage.locate(tuple(bench.robot.driving.positions), now)
    assert stage.trouble(now) == ''
    stage.hear_targets(77, now)
    assert 'gait/hand_over' in stage.trouble(now + LEADS_FOR)
    assert stage.trouble(now + LEADS_FOR + 0.01) == ''
    assert 'nothing is heard' in stage.trouble(now + REPORT_HOLDS_FOR + 0.01)
    bench.robot.driving.release()
    bench.robot.step()
    stage.hear(bench.robot.driving.report(), now)
    assert stage.trouble(now + LEADS_FOR + 0.01) == 'the robot does not follow: it is released'


def test_nothing_begins_while_somebody_else_leads(bench: Bench) -> None:
    """The refusal names gait/hand_over, and nothing is sent."""
    bench.stage.begin(bench.stage.plan([OUT]))
    bench.stage.hear_targets(77, bench.robot.now)
    assert bench.order() == SOMEBODY_ELSE
    before = bench.stage.feet
    bench.run(0.3)
    assert bench.stage.feet == before


def test_somebody_else_who_begins_pauses_what_is_played(bench: Bench) -> None:
    """Its own targets, heard again, do not; when the other is silent it goes on by a word."""
    bench.stage.begin(bench.stage.plan([OUT, UP]))
    assert not bench.order()
    bench.run(0.8)
    assert bench.state() is PlayState.PLAYING
    bench.stage.hear_targets(None, bench.robot.now)
    assert bench.state() is PlayState.PAUSED
    assert str(bench.stage.condition(bench.robot.now)) == f'paused: step 1: {SOMEBODY_ELSE}'
    bench.run(LEADS_FOR + 0.1)
    assert bench.state() is PlayState.PAUSED
    assert not bench.order()
    bench.until(lambda: bench.state() is PlayState.FINISHED)


def test_who_moves_the_feet_meanwhile_ends_what_was_planned(bench: Bench) -> None:
    """Neither a plan from where they were is begun, nor one gone on with from elsewhere."""
    stage = bench.stage
    plan, elsewhere = stage.plan([UP]), stage.plan([OUT])
    stage.begin(elsewhere)
    assert not bench.order()
    bench.run(0.8)
    assert stage.playing is not None
    stage.playing.pause('key')
    bench.run(0.5)
    with pytest.raises(CommandError, match='no longer where the plan begins'):
        stage.begin(plan)
    other = Moving(stage.calibrated)
    moved = Bench(bench.robot, other)
    moved.go_on()
    other.begin(other.plan([UP]))
    assert not moved.order()
    moved.until(lambda: moved.state() is PlayState.FINISHED)
    bench.run(0.1)
    assert 'no longer where they were left' in bench.order()
    assert bench.state() is PlayState.PAUSED


def test_no_joint_is_faster_than_the_bridge_drives_it(
    bench: Bench, calibrated: CalibratedRobot
) -> None:
    """A move takes as much longer as its busiest joint has to be slower."""
    quick = FeetStep(OUT.places, Haste(speed=10.0))
    stage = Moving(calibrated, LineParameters(speed_share=0.8))
    rest = calibrated.robot.resting.feet
    before = stage.plan([quick], rest).duration
    slow = {joint: speed / 4.0 for joint, speed in stage.speeds.items()}
    stage.heed(JointLimits(tuple(slow), tuple(slow.values()), 300.0))
    assert stage.plan([quick], rest).duration == pytest.approx(4.0 * before, rel=1e-6)
    assert bench.stage.play_step(bench.robot.now).words == 'there is nothing to play'
