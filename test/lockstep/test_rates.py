# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""All rates of gait and bridge walk, or are refused when they are put together."""

import sys
from collections.abc import Iterator
from math import dist
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Boards, BoardSpec, Reaction, SilenceAction
from leg_kinematics.board.simulated.line import SimulatedDriver, SimulatedLine
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.chain import Chain
from leg_kinematics.chain.driving import Driving, DrivingParameters
from leg_kinematics.chain.lockstep import SERVO, LockStep, LockStepParameters
from leg_kinematics.chain.outputs import pulse_limits
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.solving import Solving, SolvingParameters
from leg_kinematics.chain.values import LAGGING, JointLimits, Level, RobotReport
from leg_kinematics.chain.walking import Walking, WalkingParameters
from leg_kinematics.gait import GaitParameters, Twist
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import leg_solvers, posture_angles

if TYPE_CHECKING:
    from test.watched import WatchedRobot, placed
else:
    from watched import WatchedRobot, placed

GAIT_RATES = (10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
BRIDGE_RATES = (10.0, 20.0, 50.0, 100.0, 200.0)

WALK = Twist(0.06, 0.02, 0.1)

#: How far a foot may be from where the walk has it, m: pulses in half microseconds put the three
#: joints of a stretched leg off by up to 0.2 mm at its foot.
NEAR = 0.0003


class TwoClocks:
    """Gait and kinematics by one clock, the bridge by another, and messages between them."""

    def __init__(self, robot: Robot, maps: ServoMaps, gait_rate: float, bridge_rate: float) -> None:
        """Put them together."""
        legs = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
        self._legs = legs
        self._maps = maps
        self.line = SimulatedLine(SERVO)
        self._boards = Boards(
            [BoardSpec('main', 'simulated', 'main')],
            pulse_limits(maps.maps),
            SilenceAction(Reaction.HOLD, 0.5),
            new_driver=lambda _: SimulatedDriver(self.line),
            threads=False,
        )
        walking = Walking(robot, legs, GaitParameters(), WalkingParameters(rate=gait_rate))
        self.driving = Driving(
            robot,
            maps.maps,
            posture_angles(robot, legs, 'resting'),
            DrivingParameters(enable_interval=0.05),
            self._boards,
            session=1,
        )
        self.chain = Chain(walking, Solving(robot, legs, SolvingParameters()), self.driving)
        self.walking = walking
        self.command = Twist()
        self.now = 1.0
        self.worst = 0.0
        self._ticks = self._merged(gait_rate, bridge_rate)
        self._told: tuple[RobotReport, tuple[Vector, ...] | None] | None = None

    @staticmethod
    def _merged(gait_rate: float, bridge_rate: float) -> Iterator[tuple[float, bool]]:
        """Instants of both clocks, and whether each is one of the bridge's."""
        gait, bridge = 1, 1
        while True:
            # The gait's ticks lie a little off those of the bridge, as they would.
            at_gait, at_bridge = 1.0037 + gait / gait_rate, 1.0 + bridge / bridge_rate
            if at_bridge <= at_gait:
                bridge += 1
                yield at_bridge, True
            else:
                gait += 1
                yield at_gait, False

    def step(self) -> None:
        """Go on to the next tick of one of them."""
        self.now, of_bridge = next(self._ticks)
        if of_bridge:
            self._step_bridge()
            return
        if self._told is not None:
            report, feet = self._told
            if feet is not None:
                self.walking.locate(feet, self.now)
            self.walking.hear(report, self.now)
        self.walking.command(self.command, self.now)
        walked = self.walking.step(self.now, 0)
        if walked is not None and walked.targets is not None:
            self.chain.pass_on(walked.targets, self.now)

    def _step_bridge(self) -> None:
        self.line.advance(self.now)
        self._boards.step()
        self.driving.step(self.now)
        feet = None
        if self.driving.located:
            feet = self.chain.solving.locate(self.driving.positions)
        report = self.driving.report()
        self._told = (report, feet)
        if self.walking.condition(self.now).state == 'walking' and report.stamp is not None:
            self._compare(report.stamp)

    def _compare(self, stamp: int) -> None:
        """Compare the feet by the pulses with those of the walk at the same instant of it."""
        assert self.line.board is not None
        pulses = self.line.board.outputs_us
        angles = [each.angle(pulses[each.channel]) for each in self._maps.maps]
        wanted = placed(self.walking, stamp).feet
        for number, (leg, foot) in enumerate(zip(self._legs, wanted, strict=True)):
            q1, q2, q3 = angles[3 * number : 3 * number + 3]
            self.worst = max(self.worst, dist(leg.foot((q1, q2, q3)), foot))

    def run(self, seconds: float) -> None:
        """Let time pass."""
        end = self.now + seconds
        while self.now < end:
            self.step()

    def run_until(self, state: str, patience: float = 20.0) -> None:
        """Wait for a condition of the gait."""
        end = self.now + patience
        while self.walking.condition(self.now).state != state:
            assert self.now < end, (self.walking.condition(self.now), self.driving.condition())
            self.step()


@pytest.mark.parametrize('bridge_rate', BRIDGE_RATES)
@pytest.mark.parametrize('gait_rate', GAIT_RATES)
def test_every_pair_of_rates_walks(
    bracken: Robot, bracken_maps: ServoMaps, gait_rate: float, bridge_rate: float
) -> None:
    """It stands up, walks without a pause, stops, and its feet are where the walk has them."""
    robot = TwoClocks(bracken, bracken_maps, gait_rate, bridge_rate)
    robot.driving.configure()
    robot.run(0.5)
    assert robot.driving.activate().success
    while robot.driving.state is not PowerState.FOLLOWING:
        assert robot.now < 5.0, robot.driving.condition()
        robot.step()
    robot.run(0.3)
    assert robot.walking.stand(robot.now).success
    robot.run_until('standing')
    robot.command = WALK
    robot.run_until('walking')
    begun = robot.walking.sample
    for _ in range(20):
        robot.run(0.1)
        assert robot.walking.condition(robot.now).state == 'walking'
        assert robot.driving.condition().level is Level.OK
    sample = robot.walking.sample
    assert begun is not None
    assert sample is not None
    assert sample.pose.x - begun.pose.x > 0.08
    robot.command = Twist()
    robot.run_until('standing')
    figure = f'{robot.worst * 1e3:.2f} mm'
    sys.stdout.write(f'\ngait {gait_rate:g} Hz, bridge {bridge_rate:g} Hz: {figure}')
    assert robot.worst <= NEAR


@pytest.mark.parametrize('rate', GAIT_RATES)
def test_every_rate_walks_where_values_are_handed_on(
    bracken: Robot, bracken_maps: ServoMaps, rate: float
) -> None:
    """Without links and preview, a tick of all is one tick."""
    robot = WatchedRobot(
        bracken,
        bracken_maps,
        LockStepParameters(
            walking=WalkingParameters(rate=rate, preview=0.0),
            driving=DrivingParameters(enable_interval=0.02),
        ),
    )
    robot.bring_up()
    robot.stand_up()
    robot.walk(WALK, 2.0)
    life = robot.life
    assert life.walking.condition(life.now).state == 'walking'
    assert life.driving.condition().level is Level.OK
    sample = life.walking.sample
    assert sample is not None
    assert sample.pose.x > 0.08
    legs = leg_solvers(bracken)
    angles = [each.angle(robot.outputs[each.board, each.channel]) for each in bracken_maps.maps]
    for number, (leg, foot) in enumerate(zip(legs, sample.feet, strict=True)):
        q1, q2, q3 = angles[3 * number : 3 * number + 3]
        assert dist(leg.foot((q1, q2, q3)), foot) <= NEAR


SLOW = [
    DrivingParameters(enable_interval=0.02, speed_share=0.15),
    DrivingParameters(enable_interval=0.02, joint_acceleration=5.0),
    DrivingParameters(
        enable_interval=0.02, speed_share=0.2, joint_acceleration=20.0, catch_up_speed=0.05
    ),
]


def slow(robot: Robot, maps: ServoMaps, driving: DrivingParameters, *, linked: bool) -> LockStep:
    """Make a robot whose bridge is slower than its gait, with its legs enabled."""
    walking = WalkingParameters(preview=0.07 if linked else 0.0)
    parameters = LockStepParameters(walking=walking, driving=driving, linked=linked)
    life = LockStep(robot, maps, parameters)
    life.driving.configure()
    life.run(0.1)
    life.driving.activate()
    life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)
    life.run(0.1)
    return life


@pytest.mark.parametrize('driving', SLOW)
def test_a_gait_that_asks_for_more_than_its_bridge_allows_does_not_begin(
    bracken: Robot, bracken_maps: ServoMaps, driving: DrivingParameters
) -> None:
    """Both parameters are named, and nothing moves."""
    life = slow(bracken, bracken_maps, driving, linked=False)
    before = life.pulses_us('main')
    answer = life.walking.stand(life.now)
    assert not answer.success
    assert 'gait' in answer.words
    assert 'of the bridge' in answer.words
    life.run(0.5)
    assert life.pulses_us('main') == before


@pytest.mark.parametrize('linked', [False, True])
@pytest.mark.parametrize('driving', SLOW)
def test_a_bridge_that_cannot_keep_up_says_so(
    bracken: Robot, bracken_maps: ServoMaps, driving: DrivingParameters, *, linked: bool
) -> None:
    """A lag beyond its bound is never silent, whatever the gait was told of the bridge.

    The bridge says that it is behind its stream, and the gait pauses.
    """
    life = slow(bracken, bracken_maps, driving, linked=linked)
    count = len(bracken.joints)
    life.walking.heed(JointLimits(bracken.joints, (100.0,) * count, 1e5))
    assert life.walking.stand(life.now).success
    life.run(4.0)
    life.command = Twist(x=0.1)
    told = paused = 0
    worst = 0.0
    for _ in range(600):
        life.step()
        lag = life.driving.report().lag
        worst = max(worst, lag)
        behind = life.driving.condition().state == 'active, and behind its stream'
        assert behind == (lag > LAGGING)
        told += behind
        paused += life.walking.condition(life.now).state == 'paused'
    assert told
    assert paused
    sys.stdout.write(
        f'\n{driving}: {worst:.2f} rad behind at worst, told in {told}, paused in {paused} of 600'
    )
