# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is played is interrupted at every moment: held, told, and gone on with only by a word."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.chain.power import PowerState
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.plan import Plan
from leg_kinematics.moves.playing import PlayState
from leg_kinematics.moves.steps import BodyStep, FeetStep, Haste, Posture, PostureStep
from leg_kinematics.robot import load_robot

if TYPE_CHECKING:
    from test.played_robot import RATE, PlayedRobot, farthest
else:
    from played_robot import RATE, PlayedRobot, farthest

CONFIG = Path(__file__).parents[2] / 'config'

#: What the robot shall do: stand up, reach out with a foot, lean, all of it quickly.
STEPS = (
    PostureStep(Posture.STANDING, Haste(time=0.8)),
    FeetStep({'left_front': Place(Frame.RESTING, x=0.02, z=0.0)}, Haste(time=0.6)),
    BodyStep((0.01, None, None, None, 0.05, None), Haste(time=0.6)),
)

#: And back to where it began.
BACK = (
    PostureStep(Posture.STANDING, Haste(time=0.5)),
    PostureStep(Posture.RESTING, Haste(time=0.5)),
)

#: It is interrupted every so often, ticks.
EVERY = 30

#: Within so many ticks it has come to rest, and a line that is cut is found to be, after 0.5 s. A
#: cut that is mended before is a delay: what was told ahead is then played to its end.
AT_REST = 70

#: Largest distance of a foot from its path while it comes to rest and goes on, m.
ON_PATH = 2e-4

SAME = 1e-6


@pytest.fixture
def bracken() -> PlayedRobot:
    """Return the example robot, its servos powered."""
    robot = load_robot(CONFIG / 'robots' / 'bracken.yaml')
    maps = load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', robot)
    return PlayedRobot(robot, maps)


def instants(played: PlayedRobot) -> tuple[Plan, range]:
    """Give the plan, and the ticks at which it is interrupted."""
    plan = played.planner.plan(STEPS, played.feet)
    return plan, range(5, round(RATE * plan.duration), EVERY)


def off_path(played: PlayedRobot, plan: Plan) -> float:
    """Distance of the foot that is farthest from where the plan has it at any time, m."""
    times = (plan.duration * step / 2000 for step in range(2001))
    return min(farthest(played.feet, plan.at(time).feet) for time in times)


def go_on_to_the_end(played: PlayedRobot, plan: Plan) -> None:
    """Say the word, and see it done."""
    playing = played.playing
    assert playing is not None
    assert playing.play(played.life.now).success
    for _ in range(round(RATE * (plan.duration + 2.0))):
        if playing.state is not PlayState.PLAYING:
            break
        played.step()
    played.step()
    assert playing.state is PlayState.FINISHED, playing.condition()
    assert farthest(played.feet, plan.end) <= SAME


def rests(played: PlayedRobot, ticks: int = 30) -> bool:
    """Tell whether nothing moves for a while."""
    before = played.feet
    played.run(ticks)
    return farthest(played.feet, before) <= SAME


def key(played: PlayedRobot) -> Callable[[], None]:
    """Pause by a key."""
    assert played.playing is not None
    assert played.playing.pause('a key was pressed').success
    return lambda: None


def cable(played: PlayedRobot) -> Callable[[], None]:
    """Cut the cable of the board, which keeps its power."""
    line = played.life.lines['main']
    line.cut = True

    def mend() -> None:
        line.cut = False
        played.life.run_until(lambda: played.life.driving.state is PowerState.FOLLOWING)

    return mend


def bridge(played: PlayedRobot) -> Callable[[], None]:
    """Park the bridge, which holds then."""
    played.life.driving.deactivate()

    def activate() -> None:
        played.life.driving.activate()
        played.life.run_until(lambda: played.life.driving.state is PowerState.FOLLOWING)

    return activate


@pytest.mark.parametrize('interrupt', [key, cable, bridge])
def test_it_holds_says_so_and_goes_on_by_a_word(
    bracken: PlayedRobot, interrupt: Callable[[PlayedRobot], Callable[[], None]]
) -> None:
    """A key, a cable and a bridge that is parked hold the robot on its path."""
    plan, ticks = instants(bracken)
    for tick in ticks:
        playing = bracken.take(bracken.planner.plan(STEPS, bracken.feet))
        assert playing.play(bracken.life.now).success
        bracken.run(tick)
        mend = interrupt(bracken)
        bracken.run(AT_REST)
        assert playing.state == 'paused'
        assert playing.reason
        assert playing.move is not None
        assert f'step {playing.move.number + 1}' in str(playing.condition())
        assert off_path(bracken, plan) <= ON_PATH
        mend()
        assert rests(bracken), 'it goes on by itself'
        assert playing.state == 'paused'
        go_on_to_the_end(bracken, plan)
        bracken.play(bracken.planner.plan(BACK, bracken.feet))


@pytest.mark.parametrize(('ticks', 'state'), [(80, 'finished'), (130, 'paused')])
def test_a_busy_machine_is_waited_for_but_not_for_long(
    bracken: PlayedRobot, ticks: int, state: str
) -> None:
    """While the bridge is not heard the feet hold; after a second it takes a word to go on."""
    plan, _ = instants(bracken)
    playing = bracken.take(plan)
    assert playing.play(bracken.life.now).success
    bracken.run(90)
    for _ in range(ticks):
        playing.step(bracken.life.now, 0)
        bracken.life.step()
    assert off_path(bracken, plan) <= ON_PATH
    bracken.run(round(RATE * (plan.duration + 1.0)))
    assert playing.state == state
    if state == 'paused':
        assert 'nothing is heard' in playing.reason
        go_on_to_the_end(bracken, plan)


def release(played: PlayedRobot) -> None:
    """Take the power, and give it back."""
    life = played.life
    life.driving.release()
    life.run_until(lambda: life.driving.state is PowerState.RELEASED)
    played.run(AT_REST)
    assert life.driving.rearm().success
    life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)


def board(played: PlayedRobot) -> None:
    """Switch the board off and on, and give power back."""
    life = played.life
    life.lines['main'].switch_off()
    played.run(AT_REST)
    life.lines['main'].switch_on()
    life.run_until(lambda: life.driving.rearm().success)
    life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)


@pytest.mark.parametrize('take_power', [release, board])
def test_after_a_loss_of_power_it_is_over(
    bracken: PlayedRobot, take_power: Callable[[PlayedRobot], None]
) -> None:
    """Nobody knows where the legs are then: not even a word makes the plan go on."""
    _, ticks = instants(bracken)
    for tick in ticks:
        playing = bracken.take(bracken.planner.plan(STEPS, bracken.feet))
        assert playing.play(bracken.life.now).success
        bracken.run(tick)
        take_power(bracken)
        assert rests(bracken)
        assert playing.state is PlayState.STOPPED
        assert 'power' in playing.reason
        answer = playing.play(bracken.life.now)
        assert not answer.success
        assert 'power' in answer.words
        assert rests(bracken)


def test_step_by_step(bracken: PlayedRobot) -> None:
    """One step at a time; the robot holds at the end of each."""
    plan = bracken.planner.plan(STEPS, bracken.feet)
    playing = bracken.take(plan)
    ends = []
    for number in range(len(STEPS)):
        assert playing.play_step(bracken.life.now).success
        for _ in range(500):
            bracken.step()
            if playing.state is not PlayState.PLAYING:
                break
        assert rests(bracken)
        assert playing.move is not None
        assert f'step {number + 1}' in str(playing.condition())
        ends.append((number, playing.state))
        last = [move for move in plan.moves if move.number == number][-1]
        assert farthest(bracken.feet, last.path.feet(1.0)) <= SAME
    states = [state for _, state in ends]
    assert states == [PlayState.AT_STEP, PlayState.AT_STEP, PlayState.FINISHED]


def test_stop_is_for_good(bracken: PlayedRobot) -> None:
    """What was stopped is not gone on with; a new plan begins where the feet are."""
    playing = bracken.take(bracken.planner.plan(STEPS, bracken.feet))
    assert playing.play(bracken.life.now).success
    bracken.run(60)
    assert playing.stop('that will do').success
    bracken.run(AT_REST)
    assert rests(bracken)
    assert not playing.play(bracken.life.now).success
    assert not playing.pause('too late').success
    bracken.play(bracken.planner.plan([PostureStep(Posture.RESTING)], bracken.feet))


def test_a_loop_goes_round(bracken: PlayedRobot) -> None:
    """In a loop the steps are played again and again, each round the same."""
    lines = [
        FeetStep({'left_front': Place(Frame.RESTING, x=0.03)}, Haste(time=0.3)),
        FeetStep({'left_front': Place(Frame.RESTING, x=0.0, z=0.02)}, Haste(time=0.3)),
    ]
    first = bracken.planner.plan(lines, bracken.feet)
    again = bracken.planner.plan(lines, first.end)
    playing = bracken.take(first, again)
    assert playing.play(bracken.life.now).success
    corners = 0
    for _ in range(400):
        bracken.step()
        corners += farthest(bracken.feet, first.moves[0].path.feet(1.0)) < 1e-3
    assert playing.state is PlayState.PLAYING
    assert playing.time > first.duration + 2.0 * again.duration
    assert corners > 3
    assert playing.stop('enough').success


def test_nothing_is_played_before_the_robot_follows(bracken: PlayedRobot) -> None:
    """A released robot is not moved, and nobody hears of a bridge that is not there."""
    playing = bracken.take(bracken.planner.plan(STEPS, bracken.feet))
    bracken.life.driving.release()
    bracken.run(AT_REST)
    answer = playing.play(bracken.life.now)
    assert not answer.success
    assert 'released' in answer.words
    late = playing.play(bracken.life.now + 5.0)
    assert not late.success
    assert 'bridge' in late.words
