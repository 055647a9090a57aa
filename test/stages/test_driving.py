# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The last stage on a simulated board: nobody is moved by surprise, and every answer is true."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leg_kinematics.board import Boards, BoardSpec, Reaction, Record, SilenceAction
from leg_kinematics.board.simulated.line import SimulatedDriver, SimulatedLine
from leg_kinematics.board.simulated.servo import ServoDynamics
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.driving import Driving, DrivingParameters
from leg_kinematics.chain.outputs import pulse_limits
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.supply import GONE_FOR
from leg_kinematics.chain.values import Condition, JointTargets, Level
from leg_kinematics.errors import CommandError, LegKinematicsError, MapRangeError
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, Trajectory, posture_angles

TICK = 0.01

EVERY_CHANNEL = (1 << 18) - 1

#: The board takes half microseconds, us.
ROUNDING = 0.25 + 1e-9

Pulses = Mapping[int, float]


@dataclass
class Bench:
    """A stage, its board, the line between, and what came over it.

    Attributes
    ----------
    driving, boards, line
        What is stepped.
    now
        s.
    records
        All that happened at the board.

    """

    driving: Driving
    boards: Boards
    line: SimulatedLine
    now: float = 100.0
    records: list[Record] = field(default_factory=list)

    def step(self, targets: JointTargets | None = None) -> None:
        """Advance by a tick, perhaps with joint targets."""
        self.now += TICK
        self.line.advance(self.now)
        self.boards.step()
        if targets is not None:
            self.driving.follow(targets, self.now)
        self.driving.step(self.now)

    def run(self, seconds: float, targets: JointTargets | None = None) -> None:
        """Advance by so many seconds."""
        for _ in range(round(seconds / TICK)):
            self.step(targets)

    def until(self, condition: Callable[[], bool], targets: JointTargets | None = None) -> None:
        """Advance until something has happened."""
        for _ in range(round(60.0 / TICK)):
            if condition():
                return
            self.step(targets)
        pytest.fail(f'waited in vain; the bridge says {self.driving.condition()}')

    def until_state(self, state: PowerState) -> None:
        """Advance until the power is in a state."""
        self.until(lambda: self.driving.state is state)

    def bring_up(self) -> None:
        """Configure, activate and wait until every leg has its pulses."""
        self.driving.configure()
        self.run(0.1)
        assert self.driving.activate().success
        self.until_state(PowerState.FOLLOWING)

    def poses(self, since: int = 0) -> list[Record]:
        """Poses that the board was told, since a number of records."""
        return [record for record in self.records[since:] if record.event == 'pose']

    @property
    def pulses_us(self) -> Pulses:
        """What the board puts out, us by channel."""
        assert self.line.board is not None
        return self.line.board.outputs_us


MakeBench = Callable[..., Bench]


@pytest.fixture
def make_bench(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], servo_maps: ServoMaps
) -> MakeBench:
    """Make benches on which nothing has been done yet, or another bridge at the same board."""

    def make(
        beside: Bench | None = None, supply_mv: int | None = None, **parameters: float
    ) -> Bench:
        records: list[Record] = [] if beside is None else beside.records
        dynamics = ServoDynamics(speed_us_per_s=4000.0, dead_band_us=4.0)
        line = SimulatedLine(dynamics, record=records.append) if beside is None else beside.line
        if supply_mv is not None:
            line.set_supply(supply_mv)
        boards = Boards(
            [BoardSpec('main', 'simulated', 'main')],
            pulse_limits(servo_maps.maps),
            SilenceAction(Reaction.HOLD, 0.5),
            new_driver=lambda _: SimulatedDriver(line),
            threads=False,
        )
        driving = Driving(
            bracken,
            servo_maps.maps,
            posture_angles(bracken, bracken_legs, 'resting'),
            DrivingParameters(**{'enable_interval': 0.1, **parameters}),
            boards,
            session=5,
        )
        now = 100.0 if beside is None else beside.now
        return Bench(driving, boards, line, now, records)

    return make


@pytest.fixture
def bench(make_bench: MakeBench) -> Bench:
    """Return a bench on which nothing has been done yet."""
    return make_bench()


@pytest.fixture
def active(bench: Bench) -> Bench:
    """Return a bench whose every leg has its pulses."""
    bench.bring_up()
    return bench


@pytest.fixture(scope='session')
def angles(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> tuple[float, ...]:
    """Return the joint angles of the resting posture, rad."""
    return tuple(a for leg in posture_angles(bracken, bracken_legs, 'resting') for a in leg)


@pytest.fixture(scope='session')
def resting(servo_maps: ServoMaps, angles: tuple[float, ...]) -> Pulses:
    """Return the pulse of each channel in the resting posture, us."""
    return pulses_of(servo_maps, angles)


def pulses_of(servo_maps: ServoMaps, angles: Sequence[float]) -> Pulses:
    """Return the pulse of each channel at joint angles, us."""
    return {
        each.channel: each.pulse_us(angle)
        for each, angle in zip(servo_maps.maps, angles, strict=True)
    }


def about(pulses: Pulses) -> object:
    """Compare with pulses as the board takes them."""
    return pytest.approx(dict(pulses), abs=ROUNDING, rel=0.0)


def targets_at(angles: Sequence[float]) -> JointTargets:
    """Make joint targets of one point, now."""
    still = (0.0,) * len(angles)
    return JointTargets(0, Trajectory((0.05,), (tuple(angles),), (still,)))


def moved(angles: Sequence[float]) -> tuple[float, ...]:
    """Every joint a little farther."""
    return tuple(angle + 0.05 for angle in angles)


def assert_enabled_leg_after_leg(
    records: Sequence[Record], servo_maps: ServoMaps, resting: Pulses
) -> None:
    """Check that each leg joined after the one before, at the resting pulses."""
    seen = [0]
    for record in records:
        if record.enabled != seen[-1]:
            seen.append(record.enabled)
        if record.event == 'pose':
            assert record.pulses_us == about(resting)
    channels = [each.channel for each in servo_maps.maps]
    bits = [sum(1 << channel for channel in channels[: 3 * count]) for count in range(7)]
    assert seen == bits


# ---- looking for the board


def test_a_board_that_is_not_there_is_waited_for(bench: Bench) -> None:
    """The condition says why; activating is refused with the same words until it is there."""
    bench.line.plugged = False
    assert bench.driving.condition() == Condition(Level.OK, 'unconfigured')
    assert bench.driving.configure().success
    bench.run(0.5)
    condition = bench.driving.condition()
    assert (condition.level, condition.state) == (Level.WARN, 'waiting for boards')
    assert condition.detail.startswith('board main: the simulated port does not exist')
    answer = bench.driving.activate()
    assert not answer.success
    assert answer.words == condition.detail
    assert not bench.driving.active
    bench.line.plugged = True
    bench.run(0.5)
    assert bench.driving.condition() == Condition(Level.OK, 'inactive', 'no servo has pulses')
    assert bench.driving.activate().success


def test_inactive_powers_nothing(bench: Bench, resting: Pulses) -> None:
    """Configured the board is told where to rest, and no servo has pulses."""
    bench.driving.configure()
    bench.run(1.0)
    assert len(bench.poses()) > 90
    for record in bench.poses():
        assert record.enabled == 0
        assert record.pulses_us == about(resting)
    assert bench.driving.state is PowerState.UNPOWERED
    assert not bench.driving.located


@pytest.mark.parametrize('order', ['activate', 'rearm'])
def test_orders_before_configuring_say_what_is_missing(bench: Bench, order: str) -> None:
    """Nothing is opened for them."""
    answer = getattr(bench.driving, order)()
    assert not answer.success
    assert 'configured' in answer.words or 'nothing is released' in answer.words
    bench.run(0.1)
    assert bench.records == [] or {record.event for record in bench.records} == {'boot'}


# ---- enabling


def test_legs_are_enabled_one_after_another_at_rest(
    bench: Bench, servo_maps: ServoMaps, resting: Pulses
) -> None:
    """In the order of the description, an interval apart; nothing moves meanwhile."""
    bench.bring_up()
    bench.run(0.1)
    assert_enabled_leg_after_leg(bench.records, servo_maps, resting)
    times = [record.time for record in bench.records if record.event == 'enable']
    assert len(times) == 6
    assert min(later - earlier for earlier, later in pairwise(times)) >= 0.1 - 1e-9
    assert bench.driving.condition() == Condition(Level.OK, 'active')


def test_nothing_is_followed_before_the_last_leg_has_its_pulses(
    make_bench: MakeBench, angles: tuple[float, ...], resting: Pulses
) -> None:
    """However long that takes, each leg joins at rest; then the stream is followed."""
    bench = make_bench(enable_interval=1.0)
    bench.driving.configure()
    bench.run(0.1)
    bench.driving.activate()
    goal = targets_at(moved(angles))
    bench.run(4.5, goal)
    state = bench.driving.condition()
    assert (state.state, state.detail) == ('enabling legs', '5 of 6')
    assert all(record.pulses_us == about(resting) for record in bench.poses())
    bench.until(lambda: bench.driving.state is PowerState.FOLLOWING, goal)
    assert bench.poses()[-1].pulses_us == about(resting)
    bench.run(0.5, goal)
    assert bench.driving.positions == pytest.approx(moved(angles))


def test_activating_what_holds_goes_on_at_once(
    active: Bench, angles: tuple[float, ...], servo_maps: ServoMaps, resting: Pulses
) -> None:
    """The same targets move the servos in one state and none in the other; pulses stay on."""
    goal = targets_at(moved(angles))
    active.until(lambda: active.driving.positions == pytest.approx(moved(angles)), goal)
    there = pulses_of(servo_maps, moved(angles))
    answer = active.driving.deactivate()
    assert (answer.success, answer.words) == (True, 'inactive: holding, pulses on')
    active.step()
    before = len(active.records)
    active.run(1.0, targets_at(angles))
    for record in active.poses(before):
        assert record.pulses_us == about(there)
        assert record.enabled == EVERY_CHANNEL
    answer = active.driving.activate()
    assert (answer.success, answer.words) == (True, 'active')
    active.run(1.0, targets_at(angles))
    assert active.pulses_us == about(resting)


def test_the_robot_is_located_while_it_has_power(active: Bench, angles: tuple[float, ...]) -> None:
    """Where the servos are told to be, which is known before the last leg has its pulses."""
    driving = active.driving
    assert driving.positions == pytest.approx(angles)
    located = [driving.located]
    driving.release()
    active.step()
    located.append(driving.located)
    driving.rearm()
    active.run(0.05)
    assert driving.state is PowerState.ENABLING
    assert [*located, driving.located] == [True, False, True]


# ---- targets


def test_targets_beyond_a_map_are_refused_and_move_nothing(
    active: Bench, angles: tuple[float, ...], resting: Pulses
) -> None:
    """At a point or between two; the condition names the joint until good ones come."""
    wild = list(angles)
    wild[4] = 3.0
    highest = active.driving._outputs.ranges[4][1]  # noqa: SLF001
    between = list(angles)
    between[4] = highest - 0.001
    rates = [0.0] * 18
    rates[4] = 5.0
    bulge = Trajectory((0.0, 0.1), (tuple(between),) * 2, (tuple(rates), (0.0,) * 18))
    for refused in (targets_at(wild), JointTargets(0, bulge)):
        with pytest.raises(MapRangeError, match='left_middle_femur') as caught:
            active.step(refused)
        active.driving.refuse(caught.value)
        condition = active.driving.condition()
        assert (condition.level, condition.state) == (Level.ERROR, 'refused')
        assert 'left_middle_femur' in condition.detail
        active.run(0.2)
    assert active.pulses_us == about(resting)
    assert active.driving.refused == 2
    active.step(targets_at(angles))
    assert active.driving.condition() == Condition(Level.OK, 'active')


def test_targets_have_to_be_of_all_joints(active: Bench) -> None:
    """The error says how many."""
    few = Trajectory((0.05,), ((0.0,) * 17,), ((0.0,) * 17,))
    with pytest.raises(CommandError, match='need 18 joints, got 17'):
        active.driving.follow(JointTargets(0, few), active.now)


def some_at(named: Mapping[str, float]) -> JointTargets:
    """Make joint targets of one point, now, for some joints."""
    positions, still = tuple(named.values()), (0.0,) * len(named)
    return JointTargets(0, Trajectory((0.05,), (positions,), (still,)), tuple(named))


def test_joints_that_are_not_named_stay_where_they_are(
    active: Bench, bracken: Robot, servo_maps: ServoMaps, angles: tuple[float, ...]
) -> None:
    """Of any leg, in the order in which they are named, to the last bit."""
    named = {'right_rear_tibia': angles[17] - 0.1, 'left_front_coxa': angles[0] + 0.2}
    active.run(0.5, some_at(named))
    expected = [
        named.get(joint, angle) for joint, angle in zip(bracken.joints, angles, strict=True)
    ]
    assert active.driving.positions == tuple(expected)
    assert active.pulses_us == about(pulses_of(servo_maps, expected))
    assert active.driving.report().lag == 0.0


def test_joints_in_motion_come_to_rest_when_others_are_named(
    active: Bench, angles: tuple[float, ...]
) -> None:
    """They brake as hard as they may from the coming tick on, v²/2a, and go no farther; by hand."""
    speed, limit = 0.6, active.driving.limits.acceleration
    end = tuple(angle + speed * 0.5 for angle in angles[:3]) + angles[3:]
    rates = (speed,) * 3 + (0.0,) * 15
    # The first leg, evenly for half a second.
    stream = JointTargets(1_000_000_000, Trajectory((0.0, 0.5), (angles, end), (rates, rates)))
    active.step(stream)
    active.run(0.2)
    assert active.driving.velocities[:3] == pytest.approx((speed,) * 3)
    way = speed * TICK + speed * speed / (2.0 * limit)
    rest = tuple(angle + way for angle in active.driving.positions[:3])
    active.step(some_at({'left_middle_tibia': angles[5] + 0.05}))
    for _ in range(50):
        before = active.driving.velocities
        active.step()
        for faster, slower in zip(before, active.driving.velocities, strict=True):
            assert abs(slower - faster) <= limit * TICK * (1.0 + 1e-9)
        for position, last in zip(active.driving.positions[:3], rest, strict=True):
            assert position <= last + 1e-9
    assert not any(active.driving.velocities)
    assert active.driving.positions[:3] == pytest.approx(rest, abs=1e-9)
    assert active.driving.positions[5] == pytest.approx(angles[5] + 0.05)
    assert active.driving.positions[6:] == angles[6:]


@given(data=st.data())
@settings(
    max_examples=settings().max_examples // 4,
    # Each example makes a bench of its own.
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_streams_of_some_joints_never_move_others(
    data: st.DataObject, make_bench: MakeBench
) -> None:
    """Whatever joints are streamed in turn, each stays where it was last led to and has stopped."""
    bench = make_bench(enable_interval=0.0)
    bench.bring_up()
    joints = bench.driving.limits.joints
    for _ in range(3):
        named = data.draw(st.lists(st.sampled_from(joints), min_size=1, max_size=5, unique=True))
        places = dict(zip(joints, bench.driving.positions, strict=True))
        goals = {joint: places[joint] + data.draw(st.floats(-0.05, 0.05)) for joint in named}
        bench.run(0.4, some_at(goals))
        assert bench.driving.positions == pytest.approx(tuple((places | goals).values()), abs=1e-9)


@pytest.mark.parametrize(
    ('named', 'positions', 'words'),
    [
        (('left_front_coxa', 'left_front_coxa'), (0.0, 0.0), 'names something twice'),
        (('left_front_hip',), (0.0,), 'unknown names: left_front_hip'),
        ((), (), 'names nothing'),
        (('left_front_coxa',), (0.0, 0.0), 'need 1 joints, got 2'),
        (('left_front_coxa',), (3.0,), 'left_front_coxa: angle 3.0000 rad is beyond'),
    ],
)
def test_wrong_targets_of_some_joints_are_refused_whole(
    active: Bench,
    resting: Pulses,
    named: tuple[str, ...],
    positions: tuple[float, ...],
    words: str,
) -> None:
    """Nothing of them is followed."""
    trajectory = Trajectory((0.05,), (positions,), ((0.0,) * len(positions),))
    with pytest.raises(LegKinematicsError, match=words):
        active.step(JointTargets(0, trajectory, named))
    active.run(0.2)
    assert active.pulses_us == about(resting)


def test_a_stream_that_stops_in_motion_is_told(active: Bench, angles: tuple[float, ...]) -> None:
    """The joints come to rest in its last point, and the condition says what is missed."""
    rates = (0.2,) * 18
    end = tuple(angle + 0.01 for angle in angles)
    stream = JointTargets(
        1_000_000_000, Trajectory((0.0, 0.05), (angles, end), ((0.0,) * 18, rates))
    )
    active.step(stream)
    active.run(1.0)
    assert active.driving.condition() == Condition(
        Level.WARN, 'joint_trajectory fell silent in motion', 'holding'
    )
    assert active.driving.positions == pytest.approx(end, abs=1e-3)


def test_the_report_tells_where_the_joints_are_in_the_stream(
    active: Bench, angles: tuple[float, ...]
) -> None:
    """By the stamps of its sender, whatever his clock shows."""
    stamp = 1_800_000_000_000_000_000
    still = (0.0,) * 18
    for tick in range(20):
        targets = JointTargets(
            stamp + tick * 10_000_000, Trajectory((0.0, 0.07), (angles,) * 2, (still,) * 2)
        )
        active.step(targets)
    assert active.driving.report().stamp == pytest.approx(stamp + 190_000_000, abs=1_000)
    assert active.driving.report().lag == 0.0
    active.driving.release()
    assert active.driving.report().stamp is None


# ---- losing power


def test_a_release_is_latched_until_rearm(
    active: Bench, servo_maps: ServoMaps, resting: Pulses
) -> None:
    """Pulses go off and stay off; after rearm the legs are enabled again one after another."""
    answer = active.driving.release()
    assert answer.success
    assert answer.words == 'board main has confirmed that its pulses are off'
    before = len(active.records)
    active.driving.deactivate()
    active.driving.activate()
    active.run(1.0)
    assert {record.enabled for record in active.records[before:]} <= {0}
    assert active.pulses_us == {}
    condition = active.driving.condition()
    assert (condition.level, condition.state) == (Level.WARN, 'released until bridge/rearm')
    before = len(active.records)
    answer = active.driving.rearm()
    assert answer.success
    assert 'one after another' in answer.words
    active.until_state(PowerState.FOLLOWING)
    assert_enabled_leg_after_leg(active.records[before:], servo_maps, resting)
    assert active.driving.report().losses == 1


def test_a_release_over_a_cut_cable_says_that_it_is_not_confirmed(active: Bench) -> None:
    """And is confirmed when the board is reached; until then there is no rearming."""
    active.line.cut = True
    answer = active.driving.release()
    assert not answer.success
    assert answer.words == 'board main was told and has not confirmed it yet'
    assert len(active.pulses_us) == 18
    active.run(2.0)
    answer = active.driving.release()
    assert not answer.success
    assert 'COULD NOT BE TOLD' in answer.words
    assert not active.driving.rearm().success
    active.line.cut = False
    active.until(lambda: not active.pulses_us)
    active.run(0.1)
    assert 'has confirmed' in active.driving.condition().detail
    assert active.driving.rearm().success


def test_a_release_is_for_a_bridge_that_is_not_configured_as_well(
    active: Bench, make_bench: MakeBench
) -> None:
    """A bridge that was just started opens the boards for it, and lets go of them afterwards."""
    active.driving.shutdown()
    other = make_bench(active)
    driving = other.driving
    assert len(active.pulses_us) == 18
    answer = driving.release()
    assert not answer.success
    assert 'COULD NOT BE TOLD' in answer.words
    other.until(lambda: not active.pulses_us)
    other.run(0.1)
    driving.configure()
    other.run(0.1)
    assert driving.activate().success
    other.run(1.0)
    assert active.pulses_us == {}


def test_cleanup_stops_all_pulses_and_lets_go_of_the_board(active: Bench) -> None:
    """What it says is true; configured and activated again, only rearm gives power."""
    answer = active.driving.cleanup()
    assert answer.success
    assert answer.words == 'board main has confirmed that its pulses are off'
    assert active.pulses_us == {}
    active.run(0.1)
    count = len(active.records)
    active.run(1.0)
    # What the board does by itself is its reaction to silence.
    assert {record.event for record in active.records[count:]} <= {'silence'}
    active.driving.configure()
    active.run(0.1)
    assert active.driving.activate().success
    active.run(1.0)
    assert active.pulses_us == {}
    assert active.driving.rearm().success
    active.until_state(PowerState.FOLLOWING)


def test_cleanup_of_a_bridge_that_powered_nothing_is_no_loss(bench: Bench) -> None:
    """It says so, and does not speak of servos that might be held."""
    bench.driving.configure()
    bench.run(0.1)
    answer = bench.driving.cleanup()
    assert (answer.success, answer.words) == (True, 'no servo had pulses')
    assert bench.driving.state is PowerState.UNPOWERED
    bench.bring_up()


def test_a_board_that_restarts_waits_for_rearm(
    active: Bench, servo_maps: ServoMaps, resting: Pulses
) -> None:
    """Nothing is enabled by itself; who walked the robot sees the loss by its count."""
    active.line.switch_off()
    active.run(1.0)
    condition = active.driving.condition()
    assert (condition.level, condition.state) == (Level.ERROR, 'lost board main')
    active.line.switch_on()
    before = len(active.records)
    active.run(2.0)
    assert active.driving.state is PowerState.RELEASED
    assert {record.enabled for record in active.records[before:]} == {0}
    assert active.driving.report().losses == 1
    assert 'a board restarted' in active.driving.condition().detail
    before = len(active.records)
    assert active.driving.rearm().success
    active.until_state(PowerState.FOLLOWING)
    assert_enabled_leg_after_leg(active.records[before:], servo_maps, resting)


def test_a_line_that_was_cut_is_no_loss_of_power(
    active: Bench, angles: tuple[float, ...], resting: Pulses
) -> None:
    """The robot goes on from where it is, without a word of anybody."""
    active.line.cut = True
    active.run(2.0)
    assert active.driving.state is PowerState.LOST
    active.line.cut = False
    active.until_state(PowerState.FOLLOWING)
    assert active.pulses_us == about(resting)
    assert active.driving.report().losses == 0
    active.run(1.0, targets_at(moved(angles)))
    assert active.driving.positions == pytest.approx(moved(angles))


def test_a_supply_that_is_gone_is_a_loss_of_power(make_bench: MakeBench) -> None:
    """Though the board goes on; a short dip is none."""
    bench = make_bench(supply_mv=7400)
    bench.bring_up()
    bench.line.set_supply(0)
    bench.run(0.5 * GONE_FOR)
    bench.line.set_supply(7400)
    bench.run(1.0)
    assert bench.driving.report().losses == 0
    bench.line.set_supply(0)
    bench.run(GONE_FOR + 0.5)
    assert bench.driving.state is PowerState.RELEASED
    assert bench.driving.condition().detail.startswith('the supply of the servos is gone')
    assert bench.pulses_us == {}


def test_pulses_that_no_map_has_block_the_bridge_until_they_are_released(
    make_bench: MakeBench, servo_maps: ServoMaps
) -> None:
    """Servos that another program drove there are not thrown elsewhere by who does not know."""
    bench = make_bench()
    bench.bring_up()
    bench.driving.shutdown()
    # Its table ends before its limits do, as of a servo that was measured so far.
    last = servo_maps.maps[-1]
    beyond = last.highest_us - 5.0
    assert last.curve.pulse_span_us[1] < beyond - 1.0
    driver = SimulatedDriver(bench.line)
    driver.open()
    driver.set_pulses(dict(bench.pulses_us) | {last.channel: beyond})
    other = make_bench(bench)
    other.driving.configure()
    other.run(0.1)
    before = len(bench.records)
    condition = other.driving.condition()
    assert (condition.level, condition.state) == (Level.ERROR, 'blocked')
    assert f'{last.joint} at {beyond:g} us' in condition.detail
    assert not other.driving.activate().success
    other.run(0.5)
    assert other.poses(before) == []
    assert other.driving.release().success
    assert bench.pulses_us == {}
    assert other.driving.activate().success
    assert other.driving.rearm().success
    other.until_state(PowerState.FOLLOWING)


def test_shutting_down_leaves_the_servos_to_their_board(active: Bench) -> None:
    """It tells which go on."""
    on = active.driving.shutdown()
    assert on == {('main', channel) for channel in range(18)}
    assert len(active.pulses_us) == 18
    assert active.driving.shutdown() == frozenset()


def attempt(bench: Bench, targets: JointTargets) -> None:
    """Have targets followed, or refused, as a node does."""
    try:
        bench.driving.follow(targets, bench.now)
    except LegKinematicsError as error:
        bench.driving.refuse(error)


def test_what_is_refused_while_released_is_told_after_the_release(
    active: Bench, angles: tuple[float, ...]
) -> None:
    """What matters most comes first."""
    active.driving.release()
    attempt(active, targets_at([*angles[:-1], 9.0]))
    assert active.driving.condition().state.startswith('released')
    active.driving.rearm()
    active.until_state(PowerState.FOLLOWING)
    assert active.driving.condition().state == 'refused'
