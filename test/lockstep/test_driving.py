# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The last stage: whom it obeys, what it answers, and what it never does to a servo."""

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Reaction, SilenceAction
from leg_kinematics.chain.driving import DrivingParameters
from leg_kinematics.chain.following import PAUSE_AFTER_LOSS
from leg_kinematics.chain.lockstep import LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import JointTargets, Level
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.errors import CommandError, MapRangeError
from leg_kinematics.solver import Trajectory

if TYPE_CHECKING:
    from test.watched import QUICK, Happening, WatchedRobot, pair_of_legs
else:
    from watched import QUICK, Happening, WatchedRobot, pair_of_legs

H = Happening


def made(parameters: LockStepParameters = QUICK) -> WatchedRobot:
    """Make a pair of legs, unconfigured."""
    return WatchedRobot(*pair_of_legs(), parameters)


@pytest.fixture
def following() -> WatchedRobot:
    """Make one whose legs have their pulses, at rest."""
    robot = made()
    robot.bring_up()
    return robot


def targets(robot: WatchedRobot, offset: float, *, stamp: int = 0) -> JointTargets:
    """Make a stream of one point, off the present joints by an angle, at rest."""
    angles = tuple(angle + offset for angle in robot.life.driving.positions)
    still = (0.0,) * len(angles)
    return JointTargets(stamp, Trajectory((0.0,), (angles,), (still,)))


def test_nothing_is_answered_with_success_before_configure() -> None:
    """Activate and rearm say what is missing."""
    robot = made()
    assert 'not configured' in robot.order(H.ACTIVATE).words
    assert robot.order(H.REARM).words.startswith('not rearmed: nothing is released')
    assert robot.state is PowerState.UNPOWERED


def test_it_waits_for_its_boards_and_says_which() -> None:
    """Configured without a board it waits; activate fails by name; then both succeed."""
    robot = made()
    robot.happen(H.UNPLUGGED)
    assert robot.order(H.CONFIGURE).success
    robot.run(1.0)
    condition = robot.life.driving.condition()
    assert condition.state == 'waiting for boards'
    assert 'left' in condition.detail
    assert 'right' not in condition.detail
    answer = robot.order(H.ACTIVATE)
    assert not answer.success
    assert 'board left' in answer.words
    robot.happen(H.PLUGGED)
    robot.run(0.3)
    assert robot.order(H.ACTIVATE).success


def test_legs_get_their_pulses_one_after_another() -> None:
    """In the order of the robot, as far apart as told, at rest, and no joint moves."""
    robot = made(replace(QUICK, driving=DrivingParameters(enable_interval=0.4)))
    robot.order(H.CONFIGURE)
    robot.run(0.1)
    robot.order(H.ACTIVATE)
    seen: dict[str, float] = {}
    while len(seen) < 2:
        robot.step()
        for board, _ in robot.outputs:
            seen.setdefault(board, robot.life.now)
    assert list(seen) == ['left', 'right']
    assert seen['right'] - seen['left'] == pytest.approx(0.4, abs=0.0401)


def test_activate_again_says_that_it_follows(following: WatchedRobot) -> None:
    """Parked and activated, legs that have kept their pulses follow, and the answer says so."""
    following.order(H.DEACTIVATE)
    following.run(0.2)
    answer = following.order(H.ACTIVATE)
    assert answer.words == 'active'
    assert following.state is PowerState.FOLLOWING


def test_configure_again_forgets_no_loss(following: WatchedRobot) -> None:
    """A board that restarts beside a second configure has still lost its pulses."""
    losses = following.life.driving.report().losses
    following.happen(H.BOARD_OFF)
    following.run(0.1)
    following.order(H.CONFIGURE)
    following.happen(H.BOARD_ON)
    following.run(1.0)
    assert following.life.driving.report().losses == losses + 1
    assert following.state is PowerState.HOLDING


def test_a_board_that_restarts_takes_power_from_all(following: WatchedRobot) -> None:
    """The other board holds; nothing is followed; rearm gives the legs their pulses again."""
    following.happen(H.BOARD_OFF)
    following.run(0.1)
    following.happen(H.BOARD_ON)
    following.run(1.0)
    assert {board for board, _ in following.outputs} == {'right'}
    assert following.state is PowerState.HOLDING
    assert following.order(H.REARM).success
    following.run_until(lambda: following.state is PowerState.FOLLOWING)


def test_one_board_that_has_not_heard_the_release_keeps_all_from_rearming(
    following: WatchedRobot,
) -> None:
    """Rearm is refused by name of the board, until it has confirmed."""
    following.happen(H.UNPLUGGED)
    following.run(0.6)
    answer = following.order(H.RELEASE)
    assert not answer.success
    assert 'board left COULD NOT BE TOLD' in answer.words
    assert 'board right has confirmed' in answer.words
    refusal = following.order(H.REARM).words
    assert refusal.startswith('not rearmed')
    assert 'board left' in refusal
    assert 'board right' not in refusal
    following.happen(H.PLUGGED)
    following.run(0.3)
    assert following.outputs == {}
    assert following.order(H.REARM).success


def test_a_release_before_configure_reaches_the_boards() -> None:
    """Servos that another bridge has left with power are released by one that has just begun."""
    robot = made()
    robot.bring_up()
    robot.happen(H.RESTART)
    robot.run(0.2)
    assert robot.outputs
    assert not robot.order(H.RELEASE).success
    robot.run(0.2)
    assert robot.outputs == {}
    assert robot.state is PowerState.RELEASED


def test_a_release_survives_the_life_cycle(following: WatchedRobot) -> None:
    """Cleaned up, configured and activated, it is released still."""
    following.order(H.RELEASE)
    following.run(0.2)
    following.order(H.CLEANUP)
    following.run(0.2)
    following.order(H.CONFIGURE)
    following.run(0.3)
    assert following.order(H.ACTIVATE).words.startswith('released until bridge/rearm')
    following.run(1.0)
    assert following.outputs == {}


def test_cleanup_lets_go_when_the_boards_have_confirmed(following: WatchedRobot) -> None:
    """Pulses are off at once, and the ports are free soon."""
    following.order(H.CLEANUP)
    assert following.outputs == {}
    following.run(0.1)
    assert following.life.driving.status.links == {}
    assert following.state is PowerState.RELEASED


def test_shutdown_tells_what_goes_on(following: WatchedRobot) -> None:
    """A bridge that ends leaves the servos to their boards, and says which have pulses."""
    assert following.life.driving.shutdown() == set(following.channels)
    assert len(following.outputs) == 6


def test_the_supply_is_gone_only_when_it_stays_away(following: WatchedRobot) -> None:
    """A short dip is none; half a second without supply is a loss of power."""
    following.happen(H.SUPPLY_BACK)
    following.run(0.5)
    following.happen(H.SUPPLY_GONE)
    following.run(0.3)
    following.happen(H.SUPPLY_BACK)
    following.run(1.0)
    assert following.state is PowerState.FOLLOWING
    following.happen(H.SUPPLY_GONE)
    following.run(1.0)
    assert following.life.driving.report().state is PowerState.RELEASED
    assert 'supply' in following.life.driving.condition().detail


def test_a_board_that_released_by_itself_is_seen() -> None:
    """Silence of the bridge, to a board that then releases: found without pulses, it is a loss."""
    robot = made(replace(QUICK, silence=SilenceAction(Reaction.RELEASE, 0.3)))
    robot.bring_up()
    losses = robot.life.driving.report().losses
    robot.happen(H.CABLE_CUT)
    robot.run(0.8)
    robot.happen(H.CABLE_MENDED)
    robot.run(0.4)
    assert robot.life.driving.report().losses == losses + 1
    assert robot.state is PowerState.HOLDING


def test_pulses_beyond_the_maps_block_until_they_are_off() -> None:
    """Found where no map has an angle, nothing is sent and nothing moves; a release helps."""
    robot = made()
    robot.bring_up()
    line = robot.life.lines['left']
    assert line.board is not None
    robot.happen(H.RESTART)
    channel = next(channel for board, channel in robot.channels if board == 'left')
    board = line.board
    servo_map = robot.channels['left', channel].servo_map
    beyond = servo_map.lowest_us - 50.0
    board._settings = replace(  # noqa: SLF001
        board._settings,  # noqa: SLF001
        limits={**board._settings.limits, channel: (500.0, 2500.0)},  # noqa: SLF001
    )
    board._pulses[channel] = beyond  # noqa: SLF001
    robot._outputs = robot.outputs  # noqa: SLF001
    robot.order(H.CONFIGURE)
    robot.run(0.5)
    assert robot.outputs['left', channel] == beyond
    assert not robot.order(H.ACTIVATE).success
    assert not robot.order(H.REARM).success


@pytest.mark.parametrize('offset', [10.0, -10.0])
def test_targets_without_a_pulse_are_refused_whole(following: WatchedRobot, offset: float) -> None:
    """Beyond either end of a map: nothing moves."""
    driving = following.life.driving
    before = following.outputs
    with pytest.raises(MapRangeError):
        driving.follow(targets(following, offset), following.life.now)
    following.run(0.3)
    assert following.outputs == before


def test_a_cubic_that_swings_out_between_its_points_is_refused(following: WatchedRobot) -> None:
    """Points within the map are not enough."""
    driving = following.life.driving
    angles = driving.positions
    fast = (50.0, *(0.0,) * (len(angles) - 1))
    swings = Trajectory((0.0, 1.0), (angles, angles), (fast, tuple(-v for v in fast)))
    with pytest.raises(MapRangeError):
        driving.follow(JointTargets(0, swings), following.life.now)


def test_targets_of_other_joints_are_refused(following: WatchedRobot) -> None:
    """Too few of them."""
    with pytest.raises(CommandError, match='6 joints, got 2'):
        following.life.driving.follow(
            JointTargets(0, Trajectory((0.0,), ((0.0, 0.0),), ((0.0, 0.0),))), following.life.now
        )


@pytest.mark.parametrize('rate', [10.0, 50.0, 100.0, 200.0])
@pytest.mark.parametrize('catch_up_speed', [0.3, 1.0])
def test_far_from_its_stream_a_joint_comes_at_the_catch_up_speed(
    rate: float, catch_up_speed: float
) -> None:
    """Also in the last tick, and however slow the ticks are; half a microsecond is rounding."""
    driving = DrivingParameters(enable_interval=0.02, catch_up_speed=catch_up_speed)
    walking = WalkingParameters(rate=rate, preview=0.07)
    robot = made(replace(QUICK, driving=driving, walking=walking))
    robot.bring_up()
    life = robot.life
    goal = targets(robot, 0.2)
    angles = [life.driving.positions]
    for _ in range(round(1.5 / life.tick)):
        life.driving.follow(goal, life.now)
        life.step()
        angles.append(life.driving.positions)
    assert angles[-1] == pytest.approx(goal.trajectory.positions[0])
    for before, after in pairwise(angles):
        fastest = max(abs(q - p) for p, q in zip(before, after, strict=True))
        assert fastest <= catch_up_speed * life.tick + 1e-9


def test_a_joint_far_behind_is_told(following: WatchedRobot) -> None:
    """A lag beyond 0.05 rad is a state, with its size."""
    life = following.life
    goal = targets(following, 0.3)
    life.driving.follow(goal, life.now)
    life.step()
    life.driving.follow(goal, life.now)
    life.step()
    condition = life.driving.condition()
    assert (condition.level, condition.state) == (Level.WARN, 'active, and behind its stream')
    assert life.driving.report().lag > 0.05


def test_who_streams_on_through_a_loss_is_not_followed_before_he_pauses(
    following: WatchedRobot,
) -> None:
    """He does not know of it; told so, and after a pause, he is followed."""
    life = following.life
    goal = targets(following, 0.1)

    def stream(seconds: float) -> list[str]:
        refusals = []
        for _ in range(round(seconds / life.tick)):
            try:
                life.driving.follow(goal, life.now)
            except CommandError as error:
                refusals.append(str(error))
            life.step()
        return refusals

    stream(0.5)
    life.driving.release()
    assert stream(0.1) == []
    assert life.driving.rearm().success
    refusals = stream(1.0)
    assert life.driving.state is PowerState.FOLLOWING
    assert 'pause' in refusals[-1]
    assert following.outputs == {
        output: pytest.approx(channel.resting_us, abs=0.51)
        for output, channel in following.channels.items()
    }
    life.run(PAUSE_AFTER_LOSS + 2 * life.tick)
    assert stream(0.5) == []
    assert life.driving.positions == pytest.approx(goal.trajectory.positions[0])
