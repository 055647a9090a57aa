# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `bridge` alone, with the mock board as a process: its life cycle, orders and messages.

How the joints are driven is judged in `test/stages/test_driving.py`.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from diagnostic_msgs.msg import DiagnosticStatus
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState, GetState
from rclpy.event_handler import PublisherEventCallbacks
from rclpy.qos import QoSProfile
from sensor_msgs.msg import JointState
from std_msgs.msg import Bool, Float64MultiArray
from std_srvs.srv import Trigger
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.board import Record, read_log
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.board.simulated.memory import Memory
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import JointTargets
from leg_kinematics.nodes import bridge_node
from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.taking_part.chain_processes import MockProcess
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.parameters import Value
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, Trajectory, posture_angles

if TYPE_CHECKING:
    from test.nodes.conftest import Probe

CONFIGURE = Transition.TRANSITION_CONFIGURE
ACTIVATE = Transition.TRANSITION_ACTIVATE
DEACTIVATE = Transition.TRANSITION_DEACTIVATE
CLEANUP = Transition.TRANSITION_CLEANUP

EVERY_CHANNEL = (1 << 18) - 1

#: The board takes half microseconds, us.
ROUNDING = 0.25 + 1e-9

StartBoard = Callable[..., MockProcess]


class Bench:
    """A bridge, the board it drives, and what came over the line."""

    def __init__(self, probe: 'Probe', files: Mapping[str, str], folder: Path) -> None:
        """Prepare; neither bridge nor board is there yet."""
        self.probe = probe
        self._files = files
        self.port = folder / 'port'
        self.log = folder / 'pulses.jsonl'

    def start(self, **parameters: Value) -> BridgeNode:
        """Start the bridge."""
        needed: dict[str, Value] = {
            **self._files,
            'boards': [f'main=framed:{self.port}'],
            'enable_interval': 0.02,
        }
        node = BridgeNode(as_overrides(needed | parameters))
        self.probe.add(node)
        return node

    def change(self, transition: int) -> bool:
        """Ask for a transition; returns whether it succeeded."""
        request = ChangeState.Request(transition=Transition(id=transition))
        return bool(self.probe.call(ChangeState, 'bridge/change_state', request).success)

    def state(self) -> str:
        """Ask for the state of the life cycle."""
        answer = self.probe.call(GetState, 'bridge/get_state', GetState.Request())
        return str(answer.current_state.label)

    def trigger(self, name: str) -> Trigger.Response:
        """Call one of the services of the bridge."""
        response: Trigger.Response = self.probe.call(Trigger, name, Trigger.Request())
        return response

    def wait_for(self, words: str) -> bytes:
        """Wait until the status of the bridge has these words in it; returns its level."""
        return self.probe.wait_for_words('bridge', words)

    def bring_up(self) -> None:
        """Configure, activate and wait until every leg has its pulses."""
        assert self.change(CONFIGURE)
        self.wait_for('inactive: no servo has pulses')
        assert self.change(ACTIVATE)
        self.probe.wait_for('bridge', 'active')

    def records(self, event: str) -> list[Record]:
        """Return what came over the line so far."""
        return [record for record in read_log(self.log) if record.event == event]

    def poses_from_now(self, count: int) -> list[Record]:
        """Wait for so many more poses and return them."""
        before = len(self.records('pose'))
        self.probe.until(lambda: len(self.records('pose')) >= before + count, f'{count} more poses')
        return self.records('pose')[before:]


@pytest.fixture
def bench(probe: 'Probe', files: dict[str, str], tmp_path: Path) -> Bench:
    """Return a bench without a board."""
    return Bench(probe, files, tmp_path)


@pytest.fixture
def start_board(bench: Bench) -> Iterator[StartBoard]:
    """Start the board of the bench, again if need be; each ends with the test."""
    with ExitStack() as stack:

        def start(*options: str) -> MockProcess:
            mock = MockProcess(bench.port, bench.log, options)
            stack.callback(mock.end)
            return mock

        yield start


@pytest.fixture
def active(bench: Bench, start_board: StartBoard) -> Bench:
    """Return a bench with a board and a bridge, whose every leg has its pulses."""
    start_board()
    bench.start()
    bench.bring_up()
    return bench


@pytest.fixture(scope='session')
def resting(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> tuple[float, ...]:
    """Return the joint angles of the resting posture, rad."""
    return tuple(a for leg in posture_angles(bracken, bracken_legs, 'resting') for a in leg)


def pulses_of(servo_maps: ServoMaps, angles: Sequence[float]) -> object:
    """Return the pulse of each channel at joint angles, us, as the board takes it."""
    pulses = {
        each.channel: each.pulse_us(angle)
        for each, angle in zip(servo_maps.maps, angles, strict=True)
    }
    return pytest.approx(pulses, abs=ROUNDING, rel=0.0)


def trajectory(robot: Robot, angles: Sequence[float]) -> JointTrajectory:
    """Make a trajectory of one point, now."""
    point = Trajectory((0.05,), (tuple(angles),), ((0.0,) * len(angles),))
    return messages.joint_trajectory_message(robot.joints, JointTargets(0, point))


# ---- life cycle


@pytest.mark.parametrize('count', [1, 0])
def test_the_caution_is_in_the_log_when_a_real_board_is_found(
    bench: Bench,
    start_board: StartBoard,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    count: int,
) -> None:
    """Once, and not for the mock, behind whose port there is no hardware."""
    if count:
        monkeypatch.setattr(bridge_node, 'is_pseudo_terminal', lambda _: False)
    start_board()
    bench.start()
    bench.bring_up()
    assert capfd.readouterr().err.count('servos start without warning') == count


def test_configuring_waits_for_the_board(bench: Bench, start_board: StartBoard) -> None:
    """And succeeds; activating fails until the board is there, and names the port."""
    bench.start()
    assert bench.state() == 'unconfigured'
    assert bench.change(CONFIGURE)
    assert bench.state() == 'inactive'
    assert bench.wait_for(str(bench.port)) == DiagnosticStatus.WARN
    assert bench.probe.latest()['bridge'][1].startswith('waiting for boards: board main: ')
    assert not bench.change(ACTIVATE)
    assert bench.state() == 'inactive'
    start_board()
    assert bench.wait_for('inactive: no servo has pulses') == DiagnosticStatus.OK
    assert bench.change(ACTIVATE)
    bench.probe.wait_for('bridge', 'active')
    assert bench.state() == 'active'


def test_a_board_with_another_protocol_is_not_used(bench: Bench, start_board: StartBoard) -> None:
    """Nothing is told to it; the status names both versions and what to do."""
    start_board('--protocol', '1')
    bench.start()
    assert bench.change(CONFIGURE)
    bench.wait_for('the board speaks protocol 1 (firmware 2.1), this package 2; flash')
    assert not bench.change(ACTIVATE)
    assert bench.records('pose') == []


KeptLimits = Callable[[], Mapping[int, tuple[float, float]]]


@pytest.fixture
def kept_limits(start_board: StartBoard, servo_maps: ServoMaps, tmp_path: Path) -> KeptLimits:
    """Start a board that keeps other limits for one channel; return what it keeps at any time."""
    memory = tmp_path / 'memory.json'
    limits = {each.channel: (each.lowest_us, each.highest_us) for each in servo_maps.maps}
    Memory(3, Settings(limits=limits | {4: (700.0, 2300.0)})).save(memory)
    start_board('--memory', str(memory))

    def kept() -> Mapping[int, tuple[float, float]]:
        settings = Memory.load(memory).settings
        assert settings is not None
        return settings.limits

    return kept


def test_limits_that_differ_are_told(bench: Bench, kept_limits: KeptLimits) -> None:
    """The board's own count; the status names both, and what the operator may do."""
    bench.start()
    assert bench.change(CONFIGURE)
    bench.wait_for('channel 4 stores 700 to 2300 us, given 600 to 2400 us')
    assert 'store_limits' in bench.probe.latest()['bridge'][1]
    assert not bench.change(ACTIVATE)
    assert kept_limits()[4] == (700.0, 2300.0)
    assert bench.records('pose') == []


def test_limits_are_stored_where_the_parameter_says_so(
    bench: Bench, kept_limits: KeptLimits
) -> None:
    """Then the board keeps those of the servo maps, and the bridge goes on."""
    bench.start(store_limits=True)
    bench.bring_up()
    assert set(kept_limits().values()) == {(600.0, 2400.0)}


def test_enable_does_all_by_itself_when_the_board_comes(
    bench: Bench, start_board: StartBoard
) -> None:
    """Only where the parameter says so, and also after somebody has tried too early."""
    bench.start(enable=True)
    bench.wait_for('waiting for boards')
    assert not bench.change(ACTIVATE)
    start_board()
    bench.probe.wait_for('bridge', 'active')
    assert bench.state() == 'active'


def test_cleaning_up_ends_a_start_that_waits(bench: Bench, start_board: StartBoard) -> None:
    """Who configures again later does not find the legs powered."""
    bench.start(enable=True)
    bench.wait_for('waiting for boards')
    assert bench.change(CLEANUP)
    bench.probe.wait_for('bridge', 'unconfigured')
    start_board()
    assert bench.change(CONFIGURE)
    bench.wait_for('inactive: no servo has pulses')
    assert {record.enabled for record in bench.poses_from_now(20)} == {0}
    assert bench.state() == 'inactive'


def test_the_life_cycle_parks_and_lets_go(active: Bench) -> None:
    """Deactivated it holds, pulses on; cleaned up the board is free, and only rearm powers it."""
    assert active.change(DEACTIVATE)
    assert active.state() == 'inactive'
    assert active.wait_for('inactive: holding, pulses on') == DiagnosticStatus.OK
    assert {record.enabled for record in active.poses_from_now(5)} == {EVERY_CHANNEL}
    refusal = active.trigger('bridge/rearm')
    assert not refusal.success
    assert 'the bridge is not active' in refusal.message
    assert active.change(CLEANUP)
    assert active.state() == 'unconfigured'
    active.wait_for('released until bridge/rearm')
    active.probe.until(lambda: read_log(active.log)[-1].enabled == 0, 'no pulses')
    assert active.change(CONFIGURE)
    active.probe.until(
        lambda: active.probe.values['bridge'].get('main.state') == 'ready', 'the board again'
    )
    assert active.change(ACTIVATE)
    assert active.trigger('bridge/rearm').success
    active.probe.wait_for('bridge', 'active')


# ---- orders


def test_release_and_rearm_answer_with_what_happened(active: Bench) -> None:
    """Release with the word of the board; the state is told at once, and counts the losses."""
    heard = active.probe.record(Float64MultiArray, 'bridge/state')
    active.probe.until(lambda: heard, 'a report')
    before = messages.robot_report(heard[-1].data)
    assert (before.state, before.losses) == (PowerState.FOLLOWING, 0)
    answer = active.trigger('bridge/release')
    assert (answer.success, answer.message) == (
        True,
        'board main has confirmed that its pulses are off',
    )
    assert read_log(active.log)[-1].enabled == 0
    assert active.wait_for('released until bridge/rearm') == DiagnosticStatus.WARN
    active.probe.until(
        lambda: messages.robot_report(heard[-1].data).state is PowerState.RELEASED, 'its report'
    )
    report = messages.robot_report(heard[-1].data)
    assert (report.session, report.losses) == (before.session, 1)
    assert active.state() == 'active'
    answer = active.trigger('bridge/rearm')
    assert answer.success
    assert 'keep hands away' in answer.message
    active.probe.wait_for('bridge', 'active')
    refusal = active.trigger('bridge/rearm')
    assert not refusal.success
    assert 'nothing is released' in refusal.message


@pytest.mark.parametrize('profile', [qos.DESCRIPTION, qos.PUBLISHED], ids=['kept', 'not kept'])
def test_an_emergency_stop_releases_and_keeps_released(active: Bench, profile: QoSProfile) -> None:
    """By whatever kind of sender; switched off it powers nothing, and then rearm does."""
    probe = active.probe
    # rclpy itself tells a sender that does not keep its value of the one subscription that asks
    # for kept ones, by a function that is deprecated.
    publisher = probe.node.create_publisher(
        Bool,
        'emergency_stop',
        profile,
        event_callbacks=PublisherEventCallbacks(use_default_callbacks=False),
    )
    probe.until(lambda: publisher.get_subscription_count() > 0, 'the bridge')
    publisher.publish(Bool(data=True))
    active.wait_for('released until bridge/rearm: the emergency stop was switched on')
    refusal = active.trigger('bridge/rearm')
    assert not refusal.success
    assert 'not rearmed: the emergency stop is on' in refusal.message
    releases = len(active.records('release'))
    assert releases
    publisher.publish(Bool(data=False))
    probe.until(lambda: active.trigger('bridge/rearm').success, 'a robot that can be rearmed')


def test_an_emergency_stop_stays_on_while_one_of_two_holds_it(active: Bench) -> None:
    """Each sender lifts its own; the robot can be rearmed when both have."""
    probe = active.probe
    first, second = (
        probe.node.create_publisher(Bool, 'emergency_stop', qos.DESCRIPTION) for _ in range(2)
    )
    for publisher in (first, second):
        publisher.publish(Bool(data=True))
    active.wait_for('released until bridge/rearm: the emergency stop was switched on')
    second.publish(Bool(data=True))
    said = probe.record(Bool, 'emergency_stop', qos.DESCRIPTION)
    first.publish(Bool(data=False))
    probe.until(lambda: any(not each.data for each in said), 'the first, who lifts it')
    refusal = active.trigger('bridge/rearm')
    assert not refusal.success
    assert 'everybody who switched it on sends false' in refusal.message
    second.publish(Bool(data=False))
    probe.until(lambda: active.trigger('bridge/rearm').success, 'a robot that can be rearmed')


def test_an_emergency_stop_is_heard_by_a_bridge_that_comes_later(
    bench: Bench, start_board: StartBoard
) -> None:
    """Where its sender keeps it, no leg is powered."""
    publisher = bench.probe.node.create_publisher(Bool, 'emergency_stop', qos.DESCRIPTION)
    publisher.publish(Bool(data=True))
    start_board()
    bench.start()
    assert bench.change(CONFIGURE)
    bench.wait_for('released until bridge/rearm: the emergency stop was switched on')
    assert bench.change(ACTIVATE)
    assert 'the emergency stop is on' in bench.trigger('bridge/rearm').message
    assert not bench.records('enable')


def test_a_release_without_a_board_is_no_success(bench: Bench) -> None:
    """The answer says that servos may be held, and what to do."""
    bench.start()
    answer = bench.trigger('bridge/release')
    assert not answer.success
    for words in ('COULD NOT BE TOLD', 'it is tried again', 'use the switch'):
        assert words in answer.message
    bench.wait_for('released until bridge/rearm')


def test_a_board_that_restarts_waits_for_rearm(bench: Bench, start_board: StartBoard) -> None:
    """The loss is an error; the board that comes back without its state stays without pulses."""
    board = start_board()
    bench.start()
    bench.bring_up()
    board.kill()
    assert bench.wait_for('lost board main') == DiagnosticStatus.ERROR
    before = len(read_log(bench.log))
    start_board()
    bench.wait_for('released until bridge/rearm: pulses went off: a board restarted')
    assert {record.enabled for record in read_log(bench.log)[before:]} == {0}
    bench.probe.until(lambda: bench.trigger('bridge/rearm').success, 'bridge/rearm')
    bench.probe.wait_for('bridge', 'active')


# ---- messages


def test_joint_trajectories_move_the_servos(
    active: Bench, bracken: Robot, servo_maps: ServoMaps, resting: tuple[float, ...]
) -> None:
    """And joint states tell where the servos are told to be and how fast they move, by name."""
    heard = active.probe.record(JointState, 'joint_states')
    goal = [angle + 0.05 for angle in resting]
    publisher = active.probe.publisher(JointTrajectory, 'joint_trajectory')
    timer = active.probe.node.create_timer(
        0.05, lambda: publisher.publish(trajectory(bracken, goal))
    )
    pulses = pulses_of(servo_maps, goal)
    active.probe.until(lambda: active.records('pose')[-1].pulses_us == pulses, 'the goal')
    active.probe.until(
        lambda: heard and list(heard[-1].position) == pytest.approx(goal), 'joint states'
    )
    assert tuple(heard[-1].name) == bracken.joints
    assert list(heard[-1].velocity) == [0.0] * len(bracken.joints)
    assert max(max(each.velocity) for each in heard) > 0.0
    assert active.probe.values['bridge']['main.positions'] == 'commanded'
    timer.destroy()


@pytest.mark.parametrize(
    ('spoil', 'words'),
    [
        (lambda message: message.joint_names.pop(), 'needs 17 positions'),
        (lambda message: message.points[0].positions.__setitem__(4, nan), 'not finite'),
        (lambda message: message.points[0].positions.__setitem__(4, 3.0), 'left_middle_femur'),
    ],
)
def test_a_bad_trajectory_is_refused_and_told(
    *,
    active: Bench,
    bracken: Robot,
    servo_maps: ServoMaps,
    resting: tuple[float, ...],
    spoil: Callable[[JointTrajectory], None],
    words: str,
) -> None:
    """By its form as by its stage, and counted; nothing moves."""
    message = trajectory(bracken, [angle + 0.05 for angle in resting])
    spoil(message)
    publisher = active.probe.publisher(JointTrajectory, 'joint_trajectory')
    # Best effort: the one who listens may not know of a writer yet that has found it.
    timer = active.probe.node.create_timer(0.05, lambda: publisher.publish(message))
    assert active.wait_for(words) == DiagnosticStatus.ERROR
    timer.destroy()
    assert int(active.probe.values['bridge']['refused']) > 0
    pulses = pulses_of(servo_maps, resting)
    assert all(record.pulses_us == pulses for record in active.poses_from_now(5))


def test_its_limits_wait_for_late_joiners(bench: Bench, bracken: Robot) -> None:
    """Whoever walks the robot learns how fast its joints are driven."""
    node = bench.start()
    heard = bench.probe.record(JointTrajectory, 'bridge/limits', qos.DESCRIPTION)
    bench.probe.until(lambda: heard, 'the limits')
    assert messages.joint_limits(heard[0]) == node.driving.limits
    assert tuple(heard[0].joint_names) == bracken.joints


def test_a_low_supply_is_a_warning_and_no_stop(bench: Bench, start_board: StartBoard) -> None:
    """The status names the board and its voltage; pulses stay on, since a robot could fall."""
    start_board('--supply', '7.4', '--low-voltage', '6.0', '--sag', '4.6', '--sag-at', '150')
    bench.start()
    bench.bring_up()
    low = (
        'low supply voltage of board main: 4.6 V; before the robot sags and falls call gait/crouch'
    )
    # On a busy machine it sags while the legs are still being enabled.
    bench.probe.until(
        lambda: any(
            level == DiagnosticStatus.WARN and words.startswith(low)
            for level, words in bench.probe.states['bridge']
        ),
        low,
    )
    assert {record.enabled for record in bench.poses_from_now(5)} == {EVERY_CHANNEL}
    bench.probe.wait_for('bridge', 'active')
    bench.probe.until(lambda: bench.probe.values['bridge']['main.supply_v'] == '7.4', 'the supply')
