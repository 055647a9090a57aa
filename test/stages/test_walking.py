# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The first stage: it takes over from the feet as they are, and leads only who follows."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import atan, inf, nan, sin
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from transforms3d.euler import euler2mat

from leg_kinematics.chain.following import PAUSE_AFTER_LOSS
from leg_kinematics.chain.leading import ARRIVED_WITHIN, LATEST_BEHIND, UNHEARD_AFTER
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import (
    LAGGING,
    NANOSECONDS,
    Answer,
    Condition,
    FootTargets,
    Level,
    Odom,
    RobotReport,
    Walked,
)
from leg_kinematics.chain.walking import (
    FEET_KNOWN_FOR,
    OFFSET_INTERVAL,
    REFUSAL_SHOWN_FOR,
    Walking,
    WalkingParameters,
)
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Covariance, GaitParameters, Offset, Twist, Walker
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, Trajectory

if TYPE_CHECKING:
    from test.walk_record import WalkRecord

#: What the clock of the stamps shows more than the steady one, ns.
CLOCK_OFFSET = 1_700_000_000_123_456_789

#: A foot so near to its place needs no other step, m.
SETTLED = 2e-3

#: Elevation of a foot that stands, but for rounding, m.
ON_GROUND = 1e-9

AHEAD = Twist(x=0.08)

FOLLOWS = RobotReport(PowerState.FOLLOWING, session=7, losses=0, stamp=None, lag=0.0)


@dataclass
class Puppet:
    """A robot that is at once where it is led, tells so a tick later, and counts the instants.

    Attributes
    ----------
    stage
        Who leads it.
    tick
        s.
    feet
        Where they are, in `base_link`, m.
    now
        s.
    report
        What it tells; the stamp is that of the targets where it is.
    mute
        Whether nothing of it is heard.
    follows
        Whether it does what it is told.
    targets, odometry
        All that has come out of the stage.

    """

    stage: Walking
    tick: float
    feet: tuple[Vector, ...]
    now: float = 100.0
    report: RobotReport = FOLLOWS
    mute: bool = False
    follows: bool = True
    targets: list[FootTargets] = field(default_factory=list)
    odometry: list[Odom] = field(default_factory=list)

    def tell(self) -> None:
        """Let the stage know where the feet are and what the robot does."""
        self.stage.locate(self.feet, self.now)
        self.stage.hear(self.report, self.now)

    def go_on(self, twist: Twist | None = None, at: float | None = None) -> Walked | None:
        """Advance to an instant, s, the next tick if there is none; perhaps with a velocity."""
        self.now = self.now + self.tick if at is None else at
        if not self.mute:
            self.tell()
        if twist is not None:
            self.stage.command(twist, self.now)
        walked = self.stage.step(self.now, CLOCK_OFFSET)
        if walked is None:
            return None
        self.odometry += walked.odometry
        if walked.targets is not None:
            self.targets.append(walked.targets)
            if self.follows:
                self.feet = tuple(walked.targets.feet[0])
                self.report = replace(self.report, stamp=walked.targets.stamp)
        return walked

    def run(self, seconds: float, twist: Twist | None = None) -> None:
        """Advance by so many seconds."""
        for _ in range(round(seconds / self.tick)):
            self.go_on(twist)

    def until(self, condition: Callable[[], bool], twist: Twist | None = None) -> None:
        """Advance until something has happened."""
        for _ in range(round(30.0 / self.tick)):
            if condition():
                return
            self.go_on(twist)
        pytest.fail(f'waited in vain; the gait says {self.condition()}')

    def until_state(self, state: str, twist: Twist | None = None) -> None:
        """Advance until the stage is in a state."""
        self.until(lambda: self.condition().state == state, twist)

    def condition(self) -> Condition:
        """Tell what the stage says of itself now."""
        return self.stage.condition(self.now)

    def stand(self) -> None:
        """Call stand, which must be obeyed, and wait until the robot stands."""
        self.tell()
        answer = self.stage.stand(self.now)
        assert answer.success, answer.words
        self.until_state('standing')


MakePuppet = Callable[..., Puppet]


@pytest.fixture
def make_puppet(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> MakePuppet:
    """Make robots that rest, with a stage each."""

    def make(
        rate: float = 100.0, preview: float = 0.07, slip: float = 0.02, **gait: object
    ) -> Puppet:
        parameters = GaitParameters(**{'stand_time': 0.2, **gait})  # type: ignore[arg-type]
        walking = WalkingParameters(rate=rate, preview=preview, slip=slip)
        stage = Walking(bracken, bracken_legs, parameters, walking)
        return Puppet(stage, 1.0 / rate, bracken.resting.feet)

    return make


@pytest.fixture
def standing(make_puppet: MakePuppet) -> Puppet:
    """Return a robot that stands."""
    puppet = make_puppet()
    puppet.stand()
    return puppet


def walk_into_a_step(puppet: Puppet) -> None:
    """Walk until feet are high in the air."""

    def swings() -> bool:
        heights = [z for _, _, z in puppet.feet]
        return max(heights) - min(heights) > 0.02

    puppet.until(swings, AHEAD)


# ---- taking over


def test_it_takes_over_only_what_it_knows(make_puppet: MakePuppet, bracken: Robot) -> None:
    """Each refusal says what is missing; nothing is sent meanwhile."""
    puppet = make_puppet()
    stage = puppet.stage

    def refusal() -> str:
        answer = stage.stand(puppet.now)
        assert not answer.success
        assert stage.step(puppet.now, CLOCK_OFFSET) is None
        return answer.words

    assert puppet.condition() == Condition(Level.OK, 'waiting for the bridge')
    assert 'nothing is heard from the bridge' in refusal()
    stage.hear(puppet.report, puppet.now)
    assert puppet.condition() == Condition(Level.OK, 'waiting for foot_states')
    assert 'no foot_states' in refusal()
    stage.locate(bracken.resting.feet, puppet.now)
    assert puppet.condition() == Condition(Level.OK, 'waiting for gait/stand')
    puppet.now += FEET_KNOWN_FOR + 0.01
    assert 'nothing is heard from the bridge' in refusal()
    stage.hear(puppet.report, puppet.now)
    assert 'no foot_states' in refusal()
    crouched = stage.crouch()
    assert not crouched.success
    assert 'call gait/stand first' in crouched.words
    stage.locate(bracken.resting.feet, puppet.now)
    assert stage.stand(puppet.now).success


@pytest.mark.parametrize(
    ('state', 'help_'),
    [
        (PowerState.UNPOWERED, 'activate the bridge first'),
        (PowerState.RELEASED, 'call bridge/rearm first'),
        (PowerState.ENABLING, 'wait until every leg has its pulses'),
        (PowerState.HOLDING, 'activate the bridge, or call bridge/rearm'),
        (PowerState.LOST, 'see what the bridge says'),
    ],
)
def test_only_a_robot_that_follows_is_taken_over(
    make_puppet: MakePuppet, state: PowerState, help_: str
) -> None:
    """Stand is refused with the state of the robot and what helps."""
    puppet = make_puppet()
    puppet.report = replace(puppet.report, state=state)
    puppet.tell()
    answer = puppet.stage.stand(puppet.now)
    assert not answer.success
    assert answer.words == f'the robot does not follow, it is {state}: {help_}'
    assert puppet.condition().state == f'waiting for the bridge, which is {state}'


def test_odometry_at_rest_leads_over_into_that_of_the_walk(
    make_puppet: MakePuppet, bracken: Robot
) -> None:
    """It is told once the robot follows and its feet are known, at the origin; then the walk does.

    REP 105: the pose in `odom` goes on without a jump.
    """
    puppet = make_puppet()
    stage = puppet.stage

    def at_rest() -> Odom | None:
        return stage.odometry_at_rest(puppet.now, CLOCK_OFFSET)

    assert at_rest() is None
    stage.locate(bracken.resting.feet, puppet.now)
    assert at_rest() is None
    stage.hear(replace(puppet.report, state=PowerState.ENABLING), puppet.now)
    assert at_rest() is None
    stage.hear(puppet.report, puppet.now)
    last = at_rest()
    assert last is not None
    assert last.stamp == round(puppet.now * NANOSECONDS) + CLOCK_OFFSET
    assert last.motion.position == pytest.approx((0.0, 0.0, bracken.resting.height))
    still = (last.motion.rpy, last.motion.linear, last.motion.angular)
    assert still == ((0.0, 0.0, 0.0),) * 3
    assert last.trust == last.rate_trust == Covariance()
    puppet.now += FEET_KNOWN_FOR + 0.01
    stage.hear(puppet.report, puppet.now)
    assert at_rest() is None
    puppet.stand()
    assert at_rest() is None
    first = puppet.odometry[0]
    assert first.stamp > last.stamp
    assert first.motion.position == pytest.approx(last.motion.position, abs=1e-4)
    assert first.motion.rpy == pytest.approx(last.motion.rpy)


def test_the_robot_stands_up_from_where_its_feet_are(
    make_puppet: MakePuppet, bracken: Robot
) -> None:
    """The first target is where the feet are, at rest; the last is the standing posture."""
    puppet = make_puppet(stand_time=2.0)
    puppet.tell()
    assert puppet.stage.stand(puppet.now).success
    puppet.go_on()
    first = puppet.targets[0]
    assert first.legs == bracken.leg_names
    assert first.stamp == round(puppet.now * 1e9) + CLOCK_OFFSET
    assert first.times == (0.0,)
    assert first.velocities == (((0.0, 0.0, 0.0),) * 6,)
    for foot, expected in zip(first.feet[0], bracken.resting.feet, strict=True):
        assert foot == pytest.approx(expected, abs=1e-6)
    puppet.until_state('standing')
    puppet.run(0.2)
    for foot, expected in zip(puppet.feet, bracken.standing.feet, strict=True):
        assert foot == pytest.approx(expected, abs=1e-9)


def test_it_leads_on_only_when_the_robot_is_where_it_was_led(make_puppet: MakePuppet) -> None:
    """A robot that is still on its way there is waited for, however long."""
    puppet = make_puppet()
    puppet.report = replace(puppet.report, lag=2.0 * ARRIVED_WITHIN)
    puppet.tell()
    assert puppet.stage.stand(puppet.now).success
    puppet.run(1.0)
    assert puppet.condition() == Condition(Level.OK, 'taking the robot over')
    assert len({targets.feet[0] for targets in puppet.targets}) == 1
    puppet.report = replace(puppet.report, lag=0.0)
    puppet.until_state('standing')


@pytest.mark.parametrize('rate', [10.0, 20.0, 50.0, 100.0, 200.0, 500.0])
@pytest.mark.parametrize('preview', [0.0, 0.02, 0.07, 0.5])
def test_targets_reach_ahead_by_seconds(
    make_puppet: MakePuppet, rate: float, preview: float
) -> None:
    """Whatever the rate; with a preview at least two ticks, so that a late one does not show."""
    puppet = make_puppet(rate=rate, preview=preview)
    puppet.stand()
    times = puppet.targets[-1].times
    assert times[0] == 0.0
    assert times[-1] >= (max(preview, 2.0 / rate) if preview else 0.0) - 1e-9
    assert times[-1] <= max(preview + 1.0 / rate, 2.0 / rate) if preview else times == (0.0,)
    puppet.until_state('walking', AHEAD)
    puppet.until(lambda: puppet.odometry[-1].motion.linear[0] == AHEAD.x, AHEAD)


# ---- following, or not


@pytest.mark.parametrize(
    ('spoil', 'words'),
    [
        (lambda report: replace(report, state=PowerState.HOLDING), 'the robot is holding'),
        (lambda report: replace(report, state=PowerState.LOST), 'the robot is lost'),
        (lambda report: replace(report, state=PowerState.ENABLING), 'the robot is enabling'),
        (lambda report: replace(report, lag=LAGGING + 0.01), 'a joint is 0.06 rad behind'),
    ],
)
def test_it_pauses_while_the_robot_does_not_follow(
    standing: Puppet, spoil: Callable[[RobotReport], RobotReport], words: str
) -> None:
    """In mid step: nothing is led on, odometry stands still, and afterwards the walk goes on."""
    walk_into_a_step(standing)
    good = standing.report
    standing.report = spoil(good)
    standing.follows = False
    standing.go_on(AHEAD)
    assert standing.condition() == Condition(Level.WARN, 'paused', words)
    begun = len(standing.odometry)
    standing.run(1.0, AHEAD)
    told = standing.odometry[begun:]
    assert len({odom.motion.position for odom in told}) == 1
    assert {odom.motion.linear for odom in told} == {(0.0, 0.0, 0.0)}
    assert {odom.rate_trust for odom in told} == {Covariance()}
    standing.report, standing.follows = replace(good, stamp=standing.report.stamp), True
    count = len(standing.targets)
    standing.until_state('walking', AHEAD)
    first = standing.targets[count]
    assert first.velocities == (((0.0, 0.0, 0.0),) * 6,)
    way = standing.odometry[-1].motion.position[0]
    standing.run(1.0, AHEAD)
    assert standing.odometry[-1].motion.position[0] > way + 0.03


def test_it_pauses_while_nothing_is_heard_of_the_robot(standing: Puppet) -> None:
    """After a while, and goes on when it is heard again."""
    standing.until_state('walking', AHEAD)
    standing.mute = True
    standing.run(UNHEARD_AFTER - 0.02, AHEAD)
    assert standing.condition().state == 'walking'
    standing.run(0.05, AHEAD)
    assert standing.condition() == Condition(
        Level.WARN, 'paused', 'nothing is heard from the bridge'
    )
    count = len(standing.targets)
    standing.run(1.0, AHEAD)
    assert len(standing.targets) == count
    standing.mute = False
    standing.until_state('walking', AHEAD)


def test_it_pauses_when_what_it_sends_has_no_effect(standing: Puppet) -> None:
    """A robot that says that it follows and stays where it is: its targets are refused."""
    standing.until_state('walking', AHEAD)
    standing.follows = False
    standing.run(LATEST_BEHIND - 0.02, AHEAD)
    assert standing.condition().state == 'walking'
    standing.run(0.06, AHEAD)
    condition = standing.condition()
    assert condition.state == 'paused'
    assert 'behind: are its targets refused?' in condition.detail
    standing.follows = True
    standing.until_state('walking', AHEAD)


@pytest.mark.parametrize(
    'change',
    [
        lambda report: replace(report, state=PowerState.RELEASED),
        lambda report: replace(report, state=PowerState.UNPOWERED),
        lambda report: replace(report, losses=report.losses + 1),
        lambda report: replace(report, session=report.session + 1),
    ],
    ids=['released', 'unpowered', 'another loss', 'another bridge'],
)
def test_a_robot_that_lost_its_power_is_given_up(
    standing: Puppet, change: Callable[[RobotReport], RobotReport]
) -> None:
    """Whoever hears only that it follows again sees the loss by its count.

    Nothing is sent until somebody calls stand, and then the walk begins anew where the feet are.
    """
    standing.run(1.0, AHEAD)
    walked = standing.odometry[-1]
    good = standing.report
    standing.report = change(replace(good, stamp=None))
    standing.follows = False
    count = len(standing.targets)
    for _ in range(50):
        assert standing.go_on(AHEAD) is None
    assert standing.condition().state.startswith('waiting for ')
    assert not standing.stage.crouch().success
    standing.report = replace(standing.report, state=PowerState.FOLLOWING)
    standing.follows = True
    standing.run(0.5, AHEAD)
    assert len(standing.targets) == count
    standing.odometry.clear()
    standing.stand()
    assert standing.odometry[0].motion.position[0] == 0.0
    assert standing.odometry[0].trust.xx < walked.trust.xx


def test_an_order_in_a_pause_is_refused(standing: Puppet) -> None:
    """It is for now, and not for whenever the robot can be led again; the answer says why."""
    standing.report = replace(standing.report, state=PowerState.HOLDING)
    standing.follows = False
    standing.run(0.1)
    for answer in (standing.stage.crouch(), standing.stage.stand(standing.now)):
        assert not answer.success
        assert 'the robot is holding' in answer.words
    standing.report = replace(standing.report, state=PowerState.FOLLOWING)
    standing.follows = True
    standing.run(1.0)
    assert standing.condition() == Condition(Level.OK, 'standing')


# ---- time


#: When the stage is stepped, in ticks. Late by just over a tick, and then at once for the tick
#: that was missed, is what a busy machine does.
CALLS = {
    'on time': [float(tick) for tick in range(60)],
    'late by just over a tick': [0, 1, 2, 4.02, 4.05, 5, 6, 8.9, 9, 11.01, 11.03, 12, 13, 14, 15],
    'first late, then on time': [0.3, *map(float, range(1, 60))],
    'always another time': [tick + 0.45 * sin(12.9898 * tick) ** 2 for tick in range(60)],
    'late by several ticks': [0, 1, 5.2, 5.3, 6, 7, 12.999, 13.0, 14, 15],
}


@pytest.mark.parametrize('calls', CALLS.values(), ids=CALLS)
def test_the_time_of_the_walk_does_not_jump(standing: Puppet, calls: Sequence[float]) -> None:
    """Whenever it is stepped, all targets go on where those before are by their stamp."""
    standing.run(1.0, AHEAD)
    walk_into_a_step(standing)
    begin = standing.now + standing.tick
    first = len(standing.targets) - 1
    for call in calls:
        standing.go_on(AHEAD, begin + call * standing.tick)
    ways = [foot_way(targets) for targets in standing.targets[first:]]
    for (before, earlier), (after, later) in pairwise(ways):
        assert later - earlier > 0.9 * standing.tick
        assert after.sample(0.0) == pytest.approx(before.sample(later - earlier), abs=5e-5)
    late = begin + calls[-1] * standing.tick - ways[-1][1]
    assert -0.5 * standing.tick <= late < 1.1 * standing.tick


def test_a_pause_of_the_process_is_left_out(standing: Puppet) -> None:
    """Beyond the preview the robot has come to rest; the walk goes on from there, and counts it."""
    standing.run(1.0, AHEAD)
    told = foot_way(standing.targets[-1])[0]
    missed = standing.stage.missed
    standing.go_on(AHEAD, standing.now + 0.2)
    next_ = foot_way(standing.targets[-1])[0]
    assert next_.sample(0.0) == pytest.approx(told.positions[-1], abs=1e-12)
    # Of twenty ticks seven were told ahead.
    assert standing.stage.missed - missed == 13


def foot_way(targets: FootTargets) -> tuple[Trajectory, float]:
    """Give the way of all feet, m, and its stamp on the steady clock, s."""

    def row(vectors: Sequence[Vector]) -> tuple[float, ...]:
        return tuple(value for vector in vectors for value in vector)

    assert targets.velocities is not None
    way = Trajectory(
        targets.times,
        tuple(row(feet) for feet in targets.feet),
        tuple(row(velocities) for velocities in targets.velocities),
    )
    return way, (targets.stamp - CLOCK_OFFSET) / 1e9


# ---- walking


def test_it_walks_as_told_and_stops_on_silence(standing: Puppet) -> None:
    """Odometry follows the command; after a while without one the robot stands again."""
    standing.until(lambda: standing.odometry[-1].motion.linear[0] == 0.05, Twist(x=0.05))
    standing.until_state('standing')
    assert max(odom.motion.linear[0] for odom in standing.odometry) == 0.05
    assert standing.odometry[-1].motion.position[0] > 0.01
    standing.run(0.2)
    assert standing.odometry[-1].motion.linear[0] == 0.0


def fill(record: 'WalkRecord', puppet: Puppet, targets: Sequence[FootTargets]) -> None:
    """Put what the stage gave into a record."""
    motions = {odom.stamp: odom.motion for odom in puppet.odometry}
    begin = puppet.targets[0].stamp
    for each in targets:
        motion = motions.get(each.stamp)
        if motion is None or each.velocities is None:
            continue
        turned = np.array(each.feet[0]) @ euler2mat(*motion.rpy, 'sxyz').T
        elevations = motion.position[2] + turned[:, 2]
        time = record.tick * round((each.stamp - begin) / 1e9 / record.tick)
        stands = (elevations < ON_GROUND).tolist()
        record.add(time, each.feet[0], each.velocities[0], stands, motion)


def test_silence_in_mid_step_ends_in_an_ordinary_stop(
    standing: Puppet,
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    new_record: 'type[WalkRecord]',
    tmp_path: Path,
) -> None:
    """Three feet up and nobody speaks: no jump, no fall, and all feet go to their places."""
    begun = len(standing.targets)

    def swings_at_full_speed() -> bool:
        fast = standing.odometry[-1].motion.linear[0] > 0.08
        return fast and max(z for _, _, z in standing.feet) > 0.025 - bracken.standing.height

    standing.until(swings_at_full_speed, Twist(x=0.1))
    spoken = len(standing.targets)

    def settled() -> bool:
        off = np.abs(np.subtract(standing.feet, bracken.standing.feet))
        return bool((off <= (SETTLED, SETTLED, ON_GROUND)).all())

    standing.until(settled)
    standing.run(0.2)
    record = new_record(bracken, bracken_legs, standing.tick)
    fill(record, standing, standing.targets[begun:spoken])
    record.mark('silence')
    fill(record, standing, standing.targets[spoken:])
    record.draw(tmp_path / 'walk.png')
    defaults = GaitParameters()
    record.check(
        acceleration=12.0, speed_share=defaults.speed_share, margin=defaults.min_margin, down=3
    )
    speeds = np.array([motion.linear[0] for motion in record.motions])
    assert speeds.max() > 0.08
    assert speeds[-1] == 0.0
    assert all(record.standing[-1])
    changes = defaults.acceleration * np.diff(record.times)
    assert (np.abs(np.diff(speeds)) <= changes + 1e-9).all()


def test_who_cannot_step_is_told_so(make_puppet: MakePuppet) -> None:
    """A lift that no leg has room for: the robot may stand, and both answer and status warn."""
    puppet = make_puppet(lift=0.2)
    puppet.tell()
    answer = puppet.stage.stand(puppet.now)
    assert answer.success
    assert 'it will not walk: stride radius 0 mm of ' in answer.words
    puppet.until_state('standing')
    condition = puppet.condition()
    assert condition.level is Level.WARN
    assert condition.detail.startswith('stride radius 0 mm of ')


def test_it_crouches_to_the_resting_posture(standing: Puppet, bracken: Robot) -> None:
    """And stands up again from there."""
    assert standing.stage.crouch().success
    standing.until_state('resting')
    standing.run(0.2)
    for foot, expected in zip(standing.feet, bracken.resting.feet, strict=True):
        assert foot == pytest.approx(expected, abs=1e-9)
    standing.stand()


def test_the_duty_factor_is_that_of_the_walk(standing: Puppet) -> None:
    """Six legs wave on five feet."""
    standing.stage.set_duty_factor(5.0 / 6.0)

    def waves() -> bool:
        sample = standing.stage.sample
        assert sample is not None
        return sum(sample.standing) == 5 and sample.duty_factor == pytest.approx(5.0 / 6.0)

    standing.until(waves, Twist(x=0.02))


@pytest.mark.parametrize('value', [0.49, 1.0, -2.0, nan, inf])
def test_a_wrong_duty_factor_is_refused(standing: Puppet, value: float) -> None:
    """With the reason; the walk keeps the one that it has."""
    with pytest.raises(CommandError, match='duty_factor must be'):
        standing.stage.set_duty_factor(value)
    standing.go_on()
    sample = standing.stage.sample
    assert sample is not None
    assert sample.duty_factor == 0.5


def test_orders_before_standing_are_refused(make_puppet: MakePuppet) -> None:
    """A body offset and a duty factor are of a walk; they say what to do first."""
    puppet = make_puppet()
    with pytest.raises(CommandError, match='body_offset came before gait/stand; stand up first'):
        puppet.stage.order_offset(Offset(), puppet.now)
    with pytest.raises(CommandError, match='gait/duty_factor came before gait/stand; stand up'):
        puppet.stage.set_duty_factor(0.6)


def test_contacts_end_the_search_for_the_ground(make_puppet: MakePuppet) -> None:
    """A foot that feels the ground stands on it; one that never does is known.

    What was told before the robot was taken over counts as well.
    """
    puppet = make_puppet(contacts=True)
    for leg in range(1, 5):
        puppet.stage.touch(leg, True)  # noqa: FBT003
    puppet.stand()
    puppet.stage.touch(5, True)  # noqa: FBT003

    def in_vain() -> tuple[bool, ...]:
        sample = puppet.stage.sample
        assert sample is not None
        return sample.missed

    puppet.until(lambda: any(in_vain()), Twist(x=0.02))
    puppet.run(2.0, Twist(x=0.02))
    assert in_vain() == (True, False, False, False, False, False)


def test_a_refusal_is_told_for_a_while(make_puppet: MakePuppet) -> None:
    """Or until the next velocity that is obeyed; it is counted."""
    puppet = make_puppet()
    rest = puppet.condition()
    puppet.stage.refuse(CommandError('no such speed'), puppet.now)
    assert puppet.condition() == Condition(Level.WARN, 'refused', 'no such speed')
    puppet.now += REFUSAL_SHOWN_FOR
    assert puppet.condition().state == 'refused'
    puppet.now += 0.01
    assert puppet.condition() == rest
    puppet.stage.refuse(CommandError('no such speed'), puppet.now)
    puppet.stage.command(Twist(), puppet.now)
    assert puppet.condition() == rest
    assert puppet.stage.refused == 2


# ---- handing over


def test_a_robot_that_stands_is_handed_over(standing: Puppet) -> None:
    """Nothing is sent from then on; it is taken over again where somebody else has put its feet."""
    answer = standing.stage.hand_over()
    assert answer == Answer(
        success=True,
        words='handed over standing: the gait sends nothing until gait/stand is called',
    )
    sent = len(standing.targets)
    last = standing.now
    standing.run(0.5, AHEAD)
    assert len(standing.targets) == sent
    assert standing.condition().state == 'waiting for gait/stand'
    lifted = tuple((x, y, z + 0.01 * (index == 0)) for index, (x, y, z) in enumerate(standing.feet))
    standing.feet = lifted
    standing.stand()
    assert list(standing.targets[sent].feet[0]) == [pytest.approx(foot) for foot in lifted]
    assert standing.targets[sent].stamp - CLOCK_OFFSET > (last + PAUSE_AFTER_LOSS) * NANOSECONDS


def test_nothing_is_handed_over_that_was_not_taken_over(make_puppet: MakePuppet) -> None:
    """Whoever asks may send: the answer says so."""
    answer = make_puppet().stage.hand_over()
    assert answer.success
    assert 'nothing to hand over' in answer.words


@pytest.mark.parametrize(
    ('state', 'words'),
    [
        ('standing_up', '(taking the robot over)'),
        ('rising', '(standing_up)'),
        ('walking', '(walking)'),
        ('crouching', '(crouching)'),
        ('paused', 'the robot is holding'),
    ],
)
def test_a_robot_that_is_led_is_not_handed_over(
    make_puppet: MakePuppet, state: str, words: str
) -> None:
    """The refusal says what it does, and it is led on."""
    puppet = make_puppet()
    if state in {'standing_up', 'rising'}:
        puppet.tell()
        assert puppet.stage.stand(puppet.now).success
        if state == 'rising':
            puppet.until_state('standing_up')
    else:
        puppet.stand()
    if state == 'walking':
        walk_into_a_step(puppet)
    elif state == 'crouching':
        assert puppet.stage.crouch().success
        puppet.until_state('crouching')
    elif state == 'paused':
        puppet.report = replace(puppet.report, state=PowerState.HOLDING)
        puppet.until_state('paused')
    answer = puppet.stage.hand_over()
    assert not answer.success
    assert words in answer.words
    assert puppet.stage.walk is not None


# ---- poses of the body


def raised(robot: Robot, height: float) -> list[object]:
    """Feet as the body sees them that is so much higher, m."""
    return [pytest.approx((x, y, z - height), abs=1e-9) for x, y, z in robot.standing.feet]


def test_it_poses_the_body_over_its_feet(standing: Puppet, bracken: Robot) -> None:
    """Raised by 10 mm the feet are seen 10 mm lower; a pose out of reach changes nothing."""
    standing.stage.order_offset(Offset((0.0, 0.0, 0.010)), standing.now)
    standing.run(2.0)
    assert list(standing.feet) == raised(bracken, 0.010)
    standing.run(OFFSET_INTERVAL)
    with pytest.raises(CommandError, match='cannot be posed so'):
        standing.stage.order_offset(Offset((0.0, 0.0, 0.2)), standing.now)
    standing.run(1.0)
    assert list(standing.feet) == raised(bracken, 0.010)


def test_a_stream_of_body_offsets_is_obeyed_now_and_then(
    standing: Puppet, bracken: Robot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of many poses some are worked out, well apart; the last one that was sent is taken up."""
    orders = []
    offset_body = Walker.offset_body

    def watched(walker: Walker, offset: Offset) -> None:
        orders.append((standing.now, offset.shift[2]))
        offset_body(walker, offset)

    monkeypatch.setattr(Walker, 'offset_body', watched)
    for step in range(100):
        standing.stage.order_offset(Offset((0.0, 0.0, 1e-4 * step)), standing.now)
        standing.go_on()
    assert len(orders) == 4
    assert min(np.diff([time for time, _ in orders])) >= OFFSET_INTERVAL
    standing.stage.order_offset(Offset((0.0, 0.0, 0.010)), standing.now)
    assert orders[-1][1] != 0.010
    standing.run(2.0)
    assert orders[-1][1] == 0.010
    assert list(standing.feet) == raised(bracken, 0.010)


def test_an_order_that_waited_and_is_refused_is_told(standing: Puppet) -> None:
    """In the condition, since nobody is there any more to hear it."""
    standing.stage.order_offset(Offset((0.0, 0.0, 0.001)), standing.now)
    standing.stage.order_offset(Offset((0.0, 0.0, 0.2)), standing.now)
    standing.until_state('refused')
    assert 'cannot be posed so' in standing.condition().detail


# ---- odometry


def test_odometry_is_told_once_for_every_tick(standing: Puppet) -> None:
    """At the instants that the stream has for them, and never back."""
    standing.run(1.0, AHEAD)
    stamps = [odom.stamp for odom in standing.odometry[-80:]]
    assert set(np.diff(stamps)) == {10_000_000}
    ways = [odom.motion.position[0] for odom in standing.odometry]
    assert ways == sorted(ways)


def test_odometry_is_less_and_less_certain(make_puppet: MakePuppet, bracken: Robot) -> None:
    """While it walks: the way's variance grows with the way; at rest both stay as they are.

    By hand: 2 % of 0.05 m/s, carried on for cycles of 1 s, is a variance of 1e-6 a second; the
    feet are sqrt(mean of x^2 + y^2) from the middle, and by that less the yaw's.
    """
    puppet = make_puppet(slip=0.02)
    puppet.stand()
    puppet.until(lambda: puppet.odometry[-1].motion.linear[0] == 0.05, Twist(x=0.05))
    first = puppet.odometry[-1]
    puppet.run(3.0, Twist(x=0.05))
    last = puppet.odometry[-1]
    seconds = (last.motion.position[0] - first.motion.position[0]) / 0.05
    arm2 = np.mean([x * x + y * y for x, y, _ in bracken.standing.feet])
    assert last.trust.xx - first.trust.xx == pytest.approx(1e-6 * seconds, rel=0.02)
    turned = last.trust.yaw_yaw - first.trust.yaw_yaw
    assert turned == pytest.approx(1e-6 / arm2 * seconds, rel=0.02)
    assert last.rate_trust.xx == pytest.approx(1e-6)
    puppet.until_state('standing')
    puppet.run(0.5)
    at_rest = puppet.odometry[-1]
    puppet.run(0.5)
    assert puppet.odometry[-1].trust == at_rest.trust
    assert puppet.odometry[-1].motion == at_rest.motion


def test_odometry_is_that_of_the_posed_body(standing: Puppet, bracken: Robot) -> None:
    """Raised and tilted, `base_link` is higher and tilted in `odom`, also while it gets there."""
    roll = 2.0 * atan(0.03)
    standing.stage.order_offset(Offset((0.0, 0.0, 0.005), (roll, 0.0, 0.0)), standing.now)
    standing.run(2.0)
    motion = standing.odometry[-1].motion
    assert motion.position[2] == pytest.approx(bracken.standing.height + 0.005, abs=1e-9)
    assert motion.rpy == pytest.approx((roll, 0.0, 0.0), abs=1e-9)
    assert max(odom.motion.linear[2] for odom in standing.odometry) > 0.005
    assert max(odom.motion.angular[0] for odom in standing.odometry) > 0.05
