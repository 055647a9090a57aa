# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What was seen to go wrong from outside, one by one. Each docstring says what happened."""

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board.simulated.line import SimulatedDriver
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.driving import DrivingParameters
from leg_kinematics.chain.lockstep import LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import FootTargets, JointLimits, JointTargets
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test.watched import Happening, WatchedRobot
else:
    from watched import Happening, WatchedRobot

H = Happening

LINKED = LockStepParameters(
    walking=WalkingParameters(preview=0.07),
    driving=DrivingParameters(enable_interval=0.05),
    linked=True,
)

#: A pulse that is found again may be rounded once more, µs.
SAME_US = 1.0


@pytest.fixture(scope='module')
def standing(bracken: Robot, bracken_maps: ServoMaps) -> Callable[[], WatchedRobot]:
    """Give bracken on its feet, with links between the stages."""
    robot = WatchedRobot(bracken, bracken_maps, LINKED)
    robot.bring_up()
    robot.stand_up()
    robot.run(0.3)
    return robot.copy


@pytest.fixture(scope='module')
def walking(standing: Callable[[], WatchedRobot]) -> Callable[[], WatchedRobot]:
    """Give it in mid-step."""
    robot = standing()
    robot.walk(Twist(x=0.08), 1.3)
    return robot.copy


def odometry(robot: WatchedRobot, seconds: float) -> list[tuple[float, float, float]]:
    """Places that odometry gives in so many seconds."""
    places = []
    for _ in range(round(seconds / robot.life.tick)):
        walked = robot.step().walked
        if walked is not None:
            places += [odom.motion.position for odom in walked.odometry]
    return places


def test_a_pulse_beyond_the_end_of_a_table_throws_no_servo(
    standing: Callable[[], WatchedRobot],
) -> None:
    """A servo found at a pulse that the board allows and its table does not reach.

    Configure failed, left the port open and sent all servos to the resting posture in one pose:
    1335 us at once.
    """
    robot = standing()
    output, servo_map = next(
        (output, channel.servo_map)
        for output, channel in robot.channels.items()
        if channel.servo_map.curve.pulse_span_us[0] > channel.servo_map.lowest_us
    )
    robot.happen(H.RESTART)
    host = SimulatedDriver(robot.life.lines['main'])
    host.open()
    host.set_pulses({**robot.life.pulses_us('main'), output[1]: servo_map.lowest_us})
    robot._outputs = before = robot.outputs  # noqa: SLF001
    assert before[output] == servo_map.lowest_us
    # Nothing of it is a movement that a word would be needed for, so the watch is not asked.
    robot.life.driving.configure()
    for _ in range(50):
        robot.life.step()
        for channel, pulse in robot.outputs.items():
            assert abs(pulse - before[channel]) <= SAME_US
    assert robot.state is PowerState.HOLDING
    assert robot.outputs.keys() == before.keys()


@pytest.mark.parametrize('trouble', ['just restarted', 'configuring', 'unreachable', 'shut down'])
def test_a_release_says_what_it_did(walking: Callable[[], WatchedRobot], trouble: str) -> None:
    """A release that had sent nothing was answered 'pulses off, latched', or after 26 s."""
    robot = walking()
    if trouble == 'unreachable':
        robot.happen(H.UNPLUGGED)
        robot.run(0.6)
    elif trouble == 'shut down':
        robot.life.driving.shutdown()
    else:
        robot.happen(H.RESTART)
        if trouble == 'configuring':
            robot.order(H.CONFIGURE)
    assert len(robot.outputs) == 18
    # No time passes here: the answer comes at once.
    answer = robot.order(H.RELEASE)
    assert not answer.success
    assert 'COULD NOT BE TOLD' in answer.words
    robot.happen(H.PLUGGED)
    robot.run(0.5)
    assert robot.outputs == {}
    if trouble in {'configuring', 'unreachable'}:
        assert robot.order(H.RELEASE).success


@pytest.mark.parametrize('configured', [True, False])
def test_a_release_is_latched_through_the_life_cycle(
    standing: Callable[[], WatchedRobot], *, configured: bool
) -> None:
    """Cleanup and configure lost the latch, and so did a release while unconfigured."""
    robot = standing()
    if not configured:
        robot.happen(H.RESTART)
    robot.order(H.RELEASE)
    robot.run(0.3)
    if configured:
        robot.order(H.CLEANUP)
        robot.run(0.3)
    robot.order(H.CONFIGURE)
    robot.run(0.3)
    robot.order(H.ACTIVATE)
    robot.run(1.0)
    assert robot.state is PowerState.RELEASED
    assert robot.outputs == {}


@pytest.mark.parametrize('how', ['power', 'supply', 'cleanup'])
def test_after_a_loss_of_power_nothing_rises_by_itself(
    walking: Callable[[], WatchedRobot], how: str
) -> None:
    """A board that was off and on, or cleanup and activate: the robot stood up or walked off."""
    robot = walking()
    if how == 'power':
        robot.happen(H.BOARD_OFF)
        robot.run(0.3)
        robot.happen(H.BOARD_ON)
    elif how == 'supply':
        robot.happen(H.SUPPLY_GONE)
        robot.run(1.0)
        robot.happen(H.SUPPLY_BACK)
    else:
        robot.order(H.CLEANUP)
        robot.run(0.3)
        robot.order(H.CONFIGURE)
        robot.run(0.3)
        robot.order(H.ACTIVATE)
    robot.run(3.0)
    assert robot.outputs == {}
    assert robot.order(H.REARM).success
    robot.run_until(lambda: robot.state is PowerState.FOLLOWING)
    before = robot.outputs
    robot.run(3.0)
    assert robot.outputs == before
    robot.stand_up()
    assert robot.outputs != before


def test_rearm_says_that_it_did_nothing(standing: Callable[[], WatchedRobot]) -> None:
    """It answered 'rearmed' without a board, and while every leg had its pulses."""
    robot = standing()
    assert (
        robot.order(H.REARM).words == 'not rearmed: nothing is released: every leg has its pulses'
    )
    robot.order(H.RELEASE)
    robot.run(0.1)
    robot.happen(H.UNPLUGGED)
    robot.run(1.0)
    answer = robot.order(H.REARM)
    assert not answer.success
    assert 'main' in answer.words


def refuse(_: FootTargets) -> JointTargets:
    """Refuse everything, as kinematics does beyond its reach."""
    raise CommandError('everything is refused')


@pytest.mark.parametrize('trouble', ['refused', 'held', 'no board', 'lags'])
def test_the_gait_and_its_odometry_stand_with_the_robot(
    bracken: Robot, bracken_maps: ServoMaps, walking: Callable[[], WatchedRobot], trouble: str
) -> None:
    """They walked on while kinematics refused, the bridge held or lagged, or no board was there."""
    robot = walking()
    life = robot.life
    if trouble == 'refused':
        vars(life.chain.solving)['solve'] = refuse
    elif trouble == 'held':
        robot.order(H.DEACTIVATE)
    elif trouble == 'no board':
        robot.happen(H.UNPLUGGED)
    else:
        # A robot whose bridge is far slower than its gait, which does not know.
        slow = DrivingParameters(enable_interval=0.05, speed_share=0.05)
        robot = WatchedRobot(bracken, bracken_maps, replace(LINKED, driving=slow))
        life = robot.life
        count = len(bracken.joints)
        life.walking.heed(JointLimits(bracken.joints, (100.0,) * count, 1e5))
        robot.bring_up()
        assert robot.order(H.STAND).success
        life.command = Twist(x=0.08)
    robot.run(1.0)
    if trouble == 'lags':
        seen = set()
        for _ in range(400):
            robot.step()
            seen.add(life.walking.condition(life.now).state)
        assert 'paused' in seen
        return
    assert life.walking.condition(life.now).state == 'paused'
    assert len(set(odometry(robot, 2.0))) <= 1
    sample = life.walking.sample
    robot.run(2.0)
    assert life.walking.sample == sample


def test_a_stream_is_told_from_a_move_by_its_velocities(
    bracken: Robot, walking: Callable[[], WatchedRobot]
) -> None:
    """A preview reaching far ahead, at slow rates of the gait, was taken for a straight move."""
    solving = walking().life.chain.solving
    still = ((0.0, 0.0, 0.0),) * 6
    stream = FootTargets(1, bracken.leg_names, (0.7,), (bracken.standing.feet,), (still,))
    assert solving.solve(stream).trajectory.times == (0.7,)
    move = replace(stream, velocities=None)
    assert len(solving.solve(move).trajectory.times) > 1


@pytest.mark.parametrize('step', [-1.0, -0.5, -0.25, 0.25, 0.5, 1.0, 3600.0, -3600.0])
def test_a_clock_that_is_set_holds_the_legs_for_a_moment_at_most(
    walking: Callable[[], WatchedRobot], step: float
) -> None:
    """A sender's clock that stepped back by 0.25 to 1 s froze the legs for a second."""
    robot = walking()
    life = robot.life
    go = life.walking.step
    vars(life.walking)['step'] = lambda now, offset: go(now, offset + round(step * 1e9))
    still = longest = 0.0
    before = robot.outputs
    for _ in range(300):
        robot.step()
        outputs = robot.outputs
        still = 0.0 if outputs != before else still + life.tick
        longest = max(longest, still)
        before = outputs
    assert longest <= 0.5
    assert life.walking.condition(life.now).state == 'walking'


def test_what_was_released_and_rearmed_over_a_cut_link_does_not_rise(
    walking: Callable[[], WatchedRobot],
) -> None:
    """The gait saw only the last value, and the robot rose within 0.6 s of the heal."""
    robot = walking()
    robot.happen(H.FORWARD_CUT)
    robot.happen(H.BACKWARD_CUT)
    robot.run(0.2)
    robot.order(H.RELEASE)
    robot.run(0.3)
    assert robot.order(H.REARM).success
    robot.run_until(lambda: robot.state is PowerState.FOLLOWING)
    before = robot.outputs
    robot.happen(H.HEALED)
    robot.run(5.0)
    assert robot.outputs == before
    assert robot.life.walking.sample is None


@pytest.mark.parametrize(
    'cut', [(H.FORWARD_CUT,), (H.BACKWARD_CUT,), (H.FORWARD_CUT, H.BACKWARD_CUT)]
)
def test_odometry_does_not_walk_on_over_a_cut_link(
    walking: Callable[[], WatchedRobot], cut: tuple[Happening, ...]
) -> None:
    """It walked 0.9 m while the robot stood."""
    robot = walking()
    begun = odometry(robot, 0.1)[-1]
    for each in cut:
        robot.happen(each)
    robot.run(0.5)
    before = robot.outputs
    places = odometry(robot, 10.0)
    assert robot.outputs == before
    assert all(place[0] - begun[0] <= 0.08 * 0.4 for place in places)
    assert len(set(places)) <= 1
