# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Recorded runs replayed into a robot in lock step: the way, the limits, and every end."""

from collections.abc import Callable
from itertools import pairwise
from math import hypot
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.lockstep import LockStep
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import FootTargets, JointTargets
from leg_kinematics.errors import BagError
from leg_kinematics.gait import Pose, Twist
from leg_kinematics.nodes.translation.streams import JointTrajectories
from leg_kinematics.recording.replaying.contents import Event
from leg_kinematics.recording.replaying.reading import contents_of, rate_limits
from leg_kinematics.recording.replaying.replay import (
    OVER,
    STOP_TOLD_FOR,
    Kind,
    Replay,
    ReplayState,
    Sent,
)
from leg_kinematics.recording.run import Run

if TYPE_CHECKING:
    from test.recorded_run import ROBOT, SERVO_MAPS, walk
else:
    from recorded_run import ROBOT, SERVO_MAPS, walk

#: How far a pose may be from the recorded path, rad: what lies between two ticks.
ON_PATH = 0.004

#: A part of the run in full motion, s from its beginning.
IN_MOTION = (4.9, 5.6)


@pytest.fixture(scope='module')
def run() -> Run:
    """Return a walk: standing up, an arc, crouching."""
    return walk()


@pytest.fixture(scope='module')
def bracken() -> CalibratedRobot:
    """Return the robot."""
    return CalibratedRobot.load(ROBOT, SERVO_MAPS)


class Replaying:
    """A robot in lock step, its replay, and somebody who watches every tick.

    Parameters
    ----------
    robot
        Of the recording.
    run
        The recording.
    topics
        What is replayed.
    span
        Of it, s; None for all.

    """

    def __init__(
        self,
        robot: CalibratedRobot,
        run: Run,
        topics: tuple[str, ...] = (),
        *,
        span: tuple[float, float] | None = None,
        speed: float = 1.0,
        loop: bool = False,
        as_recorded: bool = False,
    ) -> None:
        """Bring the robot up; nothing is replayed yet."""
        self.life = LockStep(robot.robot, robot.maps)
        contents = contents_of(run, topics, *(span or (0.0, run.seconds)), as_recorded=as_recorded)
        self.contents = contents
        limits = rate_limits(contents, speed, robot, self.life.driving.limits)
        self.replay = Replay(contents, limits, loop=loop)
        self.sent: list[list[Sent]] = []
        self.poses: list[tuple[float, ...]] = []
        self.deaf = False
        self._trajectories = JointTrajectories(robot.robot.joints)
        self.life.driving.configure()
        self.life.run(0.1)

    def power(self, *, stand: bool = False) -> None:
        """Have the robot follow, and stand where that is wanted."""
        life = self.life
        life.driving.activate()
        life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)
        life.run(0.1)
        if stand:
            assert life.walking.stand(life.now).success
            life.run_until(lambda: self.gait == 'standing')
        self.replay.hear(life.driving.report(), life.now)

    @property
    def gait(self) -> str:
        """What the gait says."""
        return self.life.walking.condition(self.life.now).state

    def play(self) -> None:
        """Give the order."""
        answer = self.replay.play(self.life.now)
        assert answer.success, answer.words

    def expect(self, state: ReplayState) -> None:
        """See that it does this now."""
        assert self.replay.state is state

    def step(self) -> None:
        """Go on by a tick, and see that the joints keep their limits."""
        life, replay = self.life, self.replay
        sent = replay.step(life.now)
        self.sent.append(sent)
        life.command = Twist()
        for each in sent:
            if isinstance(each, Twist):
                life.command = each
            elif isinstance(each, FootTargets):
                life.chain.pass_on(each, life.now)
            elif isinstance(each, JointTargets):
                life.driving.follow(each, life.now)
            elif each.topic.endswith('/joint_trajectory'):
                life.driving.follow(self._trajectories.read(each.data), life.now)
        before, limits = life.driving.velocities, life.driving.limits
        life.step()
        for was, velocity, most in zip(before, life.driving.velocities, limits.speeds, strict=True):
            assert abs(velocity) <= most * (1.0 + 1e-9)
            assert abs(velocity - was) <= limits.acceleration * life.tick * (1.0 + 1e-6)
        self.poses.append(life.driving.positions)
        if not self.deaf:
            replay.hear(life.driving.report(), life.now)

    def run_until(self, condition: Callable[[], bool], patience: float = 60.0) -> None:
        """Go on until a condition holds."""
        end = self.life.now + patience
        while not condition():
            assert self.life.now < end, (self.replay.state, self.replay.place, self.replay.reason)
            self.step()

    def run_to_end(self) -> None:
        """Go on until it is over, and the robot rests."""
        self.run_until(lambda: self.replay.quiet(self.life.now))
        for _ in range(100):
            self.step()
        assert not any(self.life.driving.velocities)

    def off_path(self, pose: tuple[float, ...], near: float) -> float:
        """Tell how far a pose is from the recorded path in the neighbourhood of a place, rad."""
        least = float('inf')
        for stretch in self.contents.stretches:
            for step in range(-20, 101):
                place = near + 0.001 * step
                if stretch.start <= place <= stretch.end:
                    row, _ = stretch.state(place)
                    least = min(least, max(abs(a - b) for a, b in zip(row, pose, strict=True)))
        return least


# ---- velocities


def way_of(twists: list[Twist], tick: float) -> Pose:
    """Integrate velocities."""
    pose = Pose(0.0, 0.0, 0.0)
    for twist in twists:
        x, y = pose.place((twist.x * tick, twist.y * tick))
        pose = Pose(x, y, pose.yaw + twist.yaw * tick)
    return pose


@pytest.mark.parametrize('speed', [0.5, 4.0])
def test_the_way_is_the_same_at_any_speed(run: Run, bracken: CalibratedRobot, speed: float) -> None:
    """What is sent adds up to what was recorded, though it is paused on its way."""
    replaying = Replaying(bracken, run, speed=speed)
    replaying.power(stand=True)
    replaying.play()
    replaying.run_until(lambda: replaying.replay.place > 5.0)
    replaying.replay.pause('to look')
    for _ in range(80):
        replaying.step()
    replaying.expect(ReplayState.PAUSED)
    replaying.play()
    replaying.run_to_end()
    replaying.expect(ReplayState.FINISHED)
    sent = [each for step in replaying.sent for each in step if isinstance(each, Twist)]
    made = way_of(sent, replaying.life.tick)
    velocities = replaying.contents.velocities
    assert velocities is not None
    asked = way_of([velocities.at(0.001 * i) for i in range(round(run.seconds * 1000))], 0.001)
    assert hypot(asked.x, asked.y) > 0.05
    # The rate changes within a tick, and so does the recorded velocity.
    assert hypot(made.x - asked.x, made.y - asked.y) < 0.02 * hypot(asked.x, asked.y)
    assert made.yaw == pytest.approx(asked.yaw, rel=0.02)


def test_a_silence_of_the_recording_stops_the_robot(run: Run, bracken: CalibratedRobot) -> None:
    """As it did then, after half a second, whatever the speed of the replay."""
    contents = contents_of(run, (), 0.0, run.seconds)
    velocities = contents.velocities
    assert velocities is not None
    last = velocities.instants[-1]
    assert velocities.at(last + 0.4) == velocities.twists[-1]
    assert velocities.at(last + 0.6) == Twist()
    assert velocities.at(velocities.instants[0] - 0.1) == Twist()
    assert bracken.robot.name == 'bracken'


def test_it_ends_in_standstill_though_the_part_ends_in_motion(
    run: Run, bracken: CalibratedRobot
) -> None:
    """The robot stands, zeros are told for a while, and then nothing more."""
    replaying = Replaying(bracken, run, span=IN_MOTION)
    replaying.power(stand=True)
    replaying.play()
    replaying.run_to_end()
    twists = [[each for each in step if isinstance(each, Twist)] for step in replaying.sent]
    moving = [index for index, step in enumerate(twists) if step and step[0] != Twist()]
    told = [index for index, step in enumerate(twists) if step]
    assert (told[-1] - moving[-1]) * replaying.life.tick == pytest.approx(STOP_TOLD_FOR, abs=0.03)
    assert not twists[-1]
    # Rates rise and fall gently: no velocity jumps.
    speeds = [hypot(step[0].x, step[0].y) if step else 0.0 for step in twists]
    assert max(abs(b - a) for a, b in pairwise(speeds)) < 0.003
    replaying.run_until(lambda: replaying.gait == 'standing')


# ---- targets

TARGETS = ('foot_targets', 'joint_trajectory')


@pytest.mark.parametrize('topic', TARGETS)
@pytest.mark.parametrize('speed', [1.0, 10.0])
def test_targets_are_played_along_their_path(
    run: Run, bracken: CalibratedRobot, topic: str, speed: float
) -> None:
    """At ten times the speed as well, as fast as the joints can; it ends where the run did."""
    replaying = Replaying(bracken, run, (topic,), span=(2.0, 7.0), speed=speed)
    as_joints = contents_of(run, ('joint_trajectory',), 2.0, 7.0)
    replaying.power()
    replaying.play()
    replaying.run_until(lambda: replaying.replay.state is ReplayState.PLAYING)
    replaying.contents = as_joints
    worst = 0.0
    while replaying.replay.state not in OVER:
        replaying.step()
        if len(replaying.poses) % 9 == 0:
            worst = max(worst, replaying.off_path(replaying.poses[-1], replaying.replay.place))
    assert worst < ON_PATH
    replaying.run_to_end()
    end, _ = as_joints.stretches[-1].state(7.0)
    assert replaying.poses[-1] == pytest.approx(end, abs=1e-6)


def test_a_part_in_motion_begins_and_ends_at_rest(run: Run, bracken: CalibratedRobot) -> None:
    """The joints are led to its first place, and come to rest in its last one; three rounds."""
    replaying = Replaying(bracken, run, ('joint_trajectory',), span=IN_MOTION, loop=True)
    replaying.power()
    replaying.play()
    first, _ = replaying.contents.stretches[0].state(IN_MOTION[0])
    for rounds in range(3):
        replaying.run_until(lambda: replaying.replay.state is ReplayState.PLAYING)
        assert replaying.poses[-1] == pytest.approx(first, abs=0.06)
        replaying.run_until(lambda rounds=rounds: replaying.replay.rounds > rounds)  # type: ignore[misc]
    replaying.replay.stop('enough')
    replaying.run_to_end()
    assert (replaying.replay.state, replaying.replay.reason) == (ReplayState.STOPPED, 'enough')


@pytest.mark.parametrize('topic', TARGETS)
def test_paused_and_gone_on_at_every_instant(
    run: Run, bracken: CalibratedRobot, topic: str
) -> None:
    """In motion, while coming and while pausing: it rests on the path, and ends where the run did.

    A pause goes on by an order only.
    """
    replaying = Replaying(bracken, run, (topic,), span=(4.9, 5.9))
    replaying.power()
    replaying.play()
    ticks = 0
    while replaying.replay.state not in OVER:
        replaying.step()
        ticks += 1
        if ticks % 37 == 0 and replaying.replay.state not in OVER:
            replaying.replay.pause('to look')
            replaying.run_until(lambda: replaying.replay.state is ReplayState.PAUSED)
            for _ in range(60):
                replaying.step()
            assert replaying.replay.state is ReplayState.PAUSED
            assert not replaying.sent[-1]
            assert not any(replaying.life.driving.velocities)
            replaying.play()
            replaying.run_until(lambda: replaying.replay.state is not ReplayState.COMING)
        elif ticks % 23 == 0:
            replaying.replay.pause('a moment')
            replaying.step()
            replaying.play()
    assert replaying.replay.state is ReplayState.FINISHED
    replaying.run_to_end()
    end, _ = contents_of(run, ('joint_trajectory',), 4.9, 5.9).stretches[-1].state(5.9)
    assert replaying.poses[-1] == pytest.approx(end, abs=1e-6)


def test_a_machine_that_is_held_up_leaves_nothing_out(run: Run, bracken: CalibratedRobot) -> None:
    """The bridge plays what it was told ahead, and the replay goes on from there, gently."""
    replaying = Replaying(bracken, run, ('joint_trajectory',), span=(4.6, 6.5))
    replaying.power()
    replaying.play()
    replaying.run_until(lambda: replaying.replay.place > 5.2)
    place = replaying.replay.place
    for _ in range(40):
        replaying.life.step()
        replaying.replay.hear(replaying.life.driving.report(), replaying.life.now)
    replaying.step()
    assert place < replaying.replay.place < place + 0.1
    assert replaying.replay.rate == 0.0
    replaying.run_to_end()
    end, _ = replaying.contents.stretches[-1].state(6.5)
    assert replaying.poses[-1] == pytest.approx(end, abs=1e-6)


def test_messages_as_recorded_keep_the_limits(run: Run, bracken: CalibratedRobot) -> None:
    """They are sent byte for byte at their instants, and wait in a pause, for no joint else.

    The robot lies on its belly, far from where the stream begins in full motion; the joints come
    to it meanwhile.
    """
    replaying = Replaying(
        bracken, run, ('joint_trajectory',), span=(5.0, 6.0), as_recorded=True, speed=2.0
    )
    replaying.power()
    replaying.play()
    replaying.run_until(lambda: replaying.replay.place > 5.4)
    replaying.replay.pause('to look')
    for _ in range(20):
        replaying.step()
    assert not any(replaying.sent[-1])
    replaying.play()
    replaying.run_to_end()
    # The preview of the last message reaches to where the walk was about then.
    led, _ = contents_of(run, ('joint_trajectory',), 5.0, 6.0).stretches[-1].state(6.0)
    assert replaying.poses[-1] == pytest.approx(led, abs=0.02)
    events = [each for step in replaying.sent for each in step]
    recorded = [m for m in run.of('joint_trajectory') if 5.0 <= run.instant(m.received) <= 6.0]
    assert [each.data for each in events if isinstance(each, Event)] == [m.data for m in recorded]


# ---- who has power, and who else drives


@pytest.mark.parametrize('topic', ['cmd_vel', *TARGETS])
def test_a_replay_powers_nothing(run: Run, bracken: CalibratedRobot, topic: str) -> None:
    """Where the robot has no power it is refused, and no servo gets any."""
    replaying = Replaying(bracken, run, (topic,))
    life, replay = replaying.life, replaying.replay
    assert 'nothing is heard' in replay.play(life.now).words
    replay.hear(life.driving.report(), life.now)
    answer = replay.play(life.now)
    assert not answer.success
    assert 'the robot does not follow: it is unpowered' in answer.words
    for _ in range(200):
        replaying.step()
    assert not any(replaying.sent)
    assert not life.pulses_us('main')


@pytest.mark.parametrize('topic', ['cmd_vel', *TARGETS])
def test_a_release_ends_it(run: Run, bracken: CalibratedRobot, topic: str) -> None:
    """At once; rearmed, the robot goes nowhere by it."""
    replaying = Replaying(bracken, run, (topic,), span=(4.6, 6.5))
    replaying.power(stand=topic == 'cmd_vel')
    replaying.play()
    replaying.run_until(lambda: replaying.replay.place > 5.2)
    replaying.life.driving.release()
    replaying.step()
    assert replaying.replay.state is ReplayState.STOPPED
    assert replaying.replay.reason == 'the robot has lost its power, or has another bridge'
    assert not replaying.replay.play(replaying.life.now).success
    replaying.life.run(0.5)
    replaying.life.driving.rearm()
    replaying.life.run_until(lambda: replaying.life.driving.state is PowerState.FOLLOWING)
    pose = replaying.life.driving.positions
    for _ in range(100):
        replaying.step()
        assert not replaying.sent[-1]
    assert replaying.poses[-1] == pose


@pytest.mark.parametrize('topic', ['cmd_vel', *TARGETS])
def test_a_bridge_that_holds_pauses_it(run: Run, bracken: CalibratedRobot, topic: str) -> None:
    """It goes on by an order only, though the bridge follows again."""
    replaying = Replaying(bracken, run, (topic,), span=(4.6, 6.5))
    replaying.power(stand=topic == 'cmd_vel')
    replaying.play()
    replaying.run_until(lambda: replaying.replay.place > 5.2)
    replaying.life.driving.deactivate()
    since = replaying.life.now
    replaying.run_until(lambda: replaying.replay.state is ReplayState.PAUSED)
    assert replaying.life.now - since == pytest.approx(1.0, abs=0.05)
    assert 'holding' in replaying.replay.reason
    replaying.life.driving.activate()
    for _ in range(100):
        replaying.step()
    replaying.expect(ReplayState.PAUSED)
    replaying.play()
    replaying.run_to_end()
    replaying.expect(ReplayState.FINISHED)


@pytest.mark.parametrize('topic', ['cmd_vel', *TARGETS])
def test_a_line_that_is_lost_for_a_moment_is_waited_for(
    run: Run, bracken: CalibratedRobot, topic: str
) -> None:
    """The joints are led to where it goes on; nothing of the way is left out."""
    replaying = Replaying(bracken, run, (topic,), span=(4.6, 6.5))
    replaying.power(stand=topic == 'cmd_vel')
    replaying.play()
    replaying.run_until(lambda: replaying.replay.place > 5.2)
    line = replaying.life.lines['main']
    line.plugged = False
    replaying.run_until(lambda: replaying.life.driving.state is PowerState.LOST)
    line.plugged = True
    replaying.run_to_end()
    replaying.expect(ReplayState.FINISHED)
    if topic != 'cmd_vel':
        end, _ = contents_of(run, ('joint_trajectory',), 4.6, 6.5).stretches[-1].state(6.5)
        assert replaying.poses[-1] == pytest.approx(end, abs=1e-6)


def test_a_bridge_that_is_not_heard_ends_it(run: Run, bracken: CalibratedRobot) -> None:
    """After a second."""
    replaying = Replaying(bracken, run, ('joint_trajectory',), span=(4.6, 6.5))
    replaying.power()
    replaying.play()
    replaying.run_until(lambda: replaying.replay.place > 5.2)
    replaying.deaf = True
    heard_until = replaying.life.now
    replaying.run_until(lambda: replaying.replay.state is ReplayState.STOPPED)
    assert replaying.life.now - heard_until == pytest.approx(1.0, abs=0.03)
    assert 'nothing is heard from the bridge' in replaying.replay.reason


@pytest.mark.parametrize('topic', ['cmd_vel', *TARGETS])
def test_somebody_else_who_drives_ends_it_at_once(
    run: Run, bracken: CalibratedRobot, topic: str
) -> None:
    """Without a word: a zero from us would stop the other."""
    replaying = Replaying(bracken, run, (topic,), span=(4.6, 6.5))
    replaying.power(stand=topic == 'cmd_vel')
    replaying.play()
    replaying.run_until(lambda: replaying.replay.place > 5.2)
    replaying.replay.break_off('/gait sends foot_targets as well')
    replaying.step()
    assert not replaying.sent[-1]
    assert replaying.replay.state is ReplayState.STOPPED


@pytest.mark.parametrize('topic', ['cmd_vel', *TARGETS])
def test_stopped_it_comes_to_rest_on_its_way(
    run: Run, bracken: CalibratedRobot, topic: str
) -> None:
    """Within the time of setting off, and it cannot be played again."""
    replaying = Replaying(bracken, run, (topic,), span=(4.6, 6.5))
    replaying.power(stand=topic == 'cmd_vel')
    replaying.play()
    replaying.run_until(lambda: replaying.replay.place > 5.2)
    before = replaying.life.now
    replaying.replay.stop('by a key')
    replaying.run_until(lambda: replaying.replay.state is ReplayState.STOPPED)
    assert replaying.life.now - before <= 0.55
    replaying.run_to_end()
    assert not replaying.replay.play(replaying.life.now).success


def test_joints_that_cannot_come_are_told_of(run: Run, bracken: CalibratedRobot) -> None:
    """A board that takes no pose any more: it is paused with what to look at."""
    replaying = Replaying(bracken, run, ('joint_trajectory',), span=IN_MOTION)
    replaying.power()
    replaying.play()
    while replaying.replay.state is ReplayState.COMING:
        # Its targets are lost on their way.
        replaying.sent.append(replaying.replay.step(replaying.life.now))
        replaying.life.step()
        replaying.replay.hear(replaying.life.driving.report(), replaying.life.now)
    assert replaying.replay.state is ReplayState.PAUSED
    assert 'have not come to where it goes on within 20 s' in replaying.replay.reason


# ---- what can be replayed


@pytest.mark.parametrize(
    ('topics', 'words'),
    [
        (('emergency_stop',), 'presses no emergency stop'),
        (('joy',), 'its buttons gave orders'),
        (('orders',), 'gives no orders'),
        (('cmd_vel', 'foot_targets'), 'both drive the robot, one through the other'),
        (('odom',), 'the recording has no odom; it has bridge/limits'),
    ],
)
def test_what_is_not_replayed_is_told(run: Run, topics: tuple[str, ...], words: str) -> None:
    """With the reason."""
    with pytest.raises(BagError, match=words):
        contents_of(run, topics, 0.0, 1.0)


def test_topics_are_named_from_the_root_as_well(run: Run) -> None:
    """And nothing that stands alone drives a robot."""
    assert contents_of(run, ('/cmd_vel',), 0.0, 1.0).kind is Kind.VELOCITY
    contents = contents_of(run, ('foot_states',), 0.0, 1.0)
    assert contents.kind is Kind.NOTHING
    assert len(contents.events) == sum(
        run.instant(each.received) <= 1.0 for each in run.of('foot_states')
    )
