# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `bridge` alone, with the mock board as a process: its life, its legs, its releases."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from functools import partial
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from builtin_interfaces.msg import Time
from diagnostic_msgs.msg import DiagnosticStatus
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState, GetState
from sensor_msgs.msg import JointState
from std_srvs.srv import Trigger
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.board import Boards, Output, Record, read_log
from leg_kinematics.board.memory import Memory
from leg_kinematics.board.settings import Settings
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.chain import MockProcess
from leg_kinematics.nodes import messages
from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.parameters import Value, as_overrides
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

    def bring_up(self) -> None:
        """Configure, activate and wait until every leg has its pulses."""
        assert self.change(CONFIGURE)
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
def start_board(bench: Bench) -> Iterator[Callable[..., MockProcess]]:
    """Start the board of the bench, again if need be; each ends with the test."""
    with ExitStack() as stack:

        def start(*options: str) -> MockProcess:
            mock = MockProcess(bench.port, bench.log, options)
            stack.callback(mock.end)
            return mock

        yield start


@pytest.fixture
def board_bench(bench: Bench, start_board: Callable[[], MockProcess]) -> Bench:
    """Return a bench with a board and a bridge that has just been started."""
    start_board()
    bench.start()
    return bench


@pytest.fixture(scope='session')
def resting(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], servo_maps: ServoMaps
) -> dict[int, float]:
    """Return the pulse of each channel in the resting posture, us."""
    angles = [a for leg in posture_angles(bracken, bracken_legs, 'resting') for a in leg]
    return {
        each.channel: each.pulse_us(angle)
        for each, angle in zip(servo_maps.maps, angles, strict=True)
    }


def about(pulses: Mapping[int, float]) -> object:
    """Compare with pulses as the board takes them."""
    return pytest.approx(dict(pulses), abs=ROUNDING, rel=0.0)


def trajectory(robot: Robot, angles: list[float]) -> JointTrajectory:
    """Make a trajectory of one point, now."""
    point = Trajectory((0.05,), (tuple(angles),), ((0.0,) * len(angles),))
    return messages.joint_trajectory_message(Time(), robot.joints, point)


def resting_angles(resting: Mapping[int, float], servo_maps: ServoMaps) -> list[float]:
    """Return the joint angles of the resting posture, rad."""
    return [each.angle(resting[each.channel]) for each in servo_maps.maps]


def assert_enabled_leg_after_leg(
    records: list[Record], legs: list[list[int]], resting: Mapping[int, float]
) -> None:
    """Check that each leg joined after the one before, at the resting pulses."""
    seen = [0]
    for record in records:
        if record.enabled != seen[-1]:
            seen.append(record.enabled)
        if record.event == 'pose':
            assert record.pulses_us == about(resting)
    bits = [sum(1 << channel for leg in legs[:count] for channel in leg) for count in range(7)]
    assert seen == bits


@pytest.fixture(scope='session')
def legs(servo_maps: ServoMaps) -> list[list[int]]:
    """Return the channels of each leg, in the order of the description."""
    channels = [each.channel for each in servo_maps.maps]
    return [channels[first : first + 3] for first in range(0, len(channels), 3)]


def test_a_missing_port_fails_configure(bench: Bench) -> None:
    """The bridge stays unconfigured, the status names the port, and nothing else is lost."""
    bench.start()
    assert bench.state() == 'unconfigured'
    assert not bench.change(CONFIGURE)
    assert bench.state() == 'unconfigured'
    assert bench.probe.wait_for_words('bridge', str(bench.port)) == DiagnosticStatus.ERROR


def test_configure_can_be_tried_again(bench: Bench, start_board: Callable[[], MockProcess]) -> None:
    """Once the board is plugged in the same transition succeeds."""
    bench.start()
    assert not bench.change(CONFIGURE)
    start_board()
    assert bench.change(CONFIGURE)
    assert bench.state() == 'inactive'


def test_a_board_with_another_protocol_fails_configure(
    bench: Bench, start_board: Callable[..., MockProcess]
) -> None:
    """Nothing is enabled; the status names both versions and what to do."""
    start_board('--protocol', '1')
    bench.start()
    assert not bench.change(CONFIGURE)
    assert bench.state() == 'unconfigured'
    words = 'the board speaks protocol 1 (firmware 2.1), this package 2; flash'
    assert bench.probe.wait_for_words('bridge', words) == DiagnosticStatus.ERROR
    assert bench.records('pose') == []


@pytest.fixture
def kept_limits(
    start_board: Callable[..., MockProcess], servo_maps: ServoMaps, tmp_path: Path
) -> Callable[[], Mapping[int, tuple[float, float]]]:
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


def test_limits_that_differ_fail_configure(
    bench: Bench, kept_limits: Callable[[], Mapping[int, tuple[float, float]]]
) -> None:
    """The board's own count; the status names both, and what the operator may do."""
    bench.start()
    assert not bench.change(CONFIGURE)
    assert bench.state() == 'unconfigured'
    words = 'channel 4 stores 700 to 2300 us, given 600 to 2400 us'
    assert bench.probe.wait_for_words('bridge', words) == DiagnosticStatus.ERROR
    assert 'store_limits' in bench.probe.latest()['bridge'][1]
    assert kept_limits()[4] == (700.0, 2300.0)
    assert bench.records('pose') == []


def test_limits_are_stored_where_the_parameter_says_so(
    bench: Bench, kept_limits: Callable[[], Mapping[int, tuple[float, float]]]
) -> None:
    """Then the board keeps those of the servo maps, and the bridge goes on."""
    bench.start(store_limits=True)
    bench.bring_up()
    assert set(kept_limits().values()) == {(600.0, 2400.0)}


def test_a_low_supply_is_a_warning_and_no_stop(
    bench: Bench, start_board: Callable[..., MockProcess]
) -> None:
    """The status names the board and its voltage; pulses stay on, since a robot could fall."""
    start_board('--supply', '7.4', '--low-voltage', '6.0', '--sag', '4.6', '--sag-at', '150')
    bench.start()
    bench.bring_up()
    # On a busy machine it sags while the legs are still being enabled.
    low = (DiagnosticStatus.WARN, 'low supply voltage of board main: 4.6 V')
    bench.probe.until(lambda: low in bench.probe.states['bridge'], f'{low}')
    assert {record.enabled for record in bench.poses_from_now(5)} == {EVERY_CHANNEL}
    bench.probe.wait_for('bridge', 'active')
    bench.probe.until(lambda: bench.probe.values['bridge']['main.supply_v'] == '7.4', 'the supply')


def test_inactive_powers_nothing(board_bench: Bench, resting: Mapping[int, float]) -> None:
    """Configured the board is told where to rest, and no servo has pulses."""
    assert board_bench.change(CONFIGURE)
    board_bench.probe.wait_for('bridge', 'inactive: following nothing')
    for record in board_bench.poses_from_now(20):
        assert record.enabled == 0
        assert record.pulses_us == about(resting)
    # The limits of 18 channels, and the reaction to silence; on a busy machine one may be told
    # again before the board has answered.
    assert len({record.detail for record in board_bench.records('setting')}) == 19


def test_legs_are_enabled_one_after_another_at_rest(
    board_bench: Bench, legs: list[list[int]], resting: Mapping[int, float]
) -> None:
    """In the order of the description; nothing moves meanwhile."""
    board_bench.bring_up()
    assert {record.enabled for record in board_bench.poses_from_now(10)[1:]} == {EVERY_CHANNEL}
    assert_enabled_leg_after_leg(read_log(board_bench.log), legs, resting)


def test_autostart_does_all_by_itself(bench: Bench, start_board: Callable[[], MockProcess]) -> None:
    """Only where the parameter says so."""
    start_board()
    bench.start(autostart=True)
    bench.probe.wait_for('bridge', 'active')
    assert bench.state() == 'active'


def test_it_follows_while_active_and_holds_while_inactive(
    board_bench: Bench, bracken: Robot, servo_maps: ServoMaps, resting: Mapping[int, float]
) -> None:
    """The same trajectory moves the servos in one state and none in the other; pulses stay on."""
    probe = board_bench.probe
    board_bench.bring_up()
    publisher = probe.publisher(JointTrajectory, 'joint_trajectory')
    goal = [angle + 0.05 for angle in resting_angles(resting, servo_maps)]
    pulses = {
        each.channel: each.pulse_us(angle)
        for each, angle in zip(servo_maps.maps, goal, strict=True)
    }

    def reached() -> bool:
        publisher.publish(trajectory(bracken, goal))
        return bool(board_bench.records('pose')[-1].pulses_us == about(pulses))

    probe.until(reached, 'the goal')
    assert board_bench.change(DEACTIVATE)
    assert board_bench.state() == 'inactive'
    back = trajectory(bracken, resting_angles(resting, servo_maps))
    timer = probe.node.create_timer(0.01, lambda: publisher.publish(back))
    for record in board_bench.poses_from_now(40):
        assert record.pulses_us == about(pulses)
        assert record.enabled == EVERY_CHANNEL
    assert board_bench.change(ACTIVATE)
    probe.until(lambda: board_bench.records('pose')[-1].pulses_us == about(resting), 'the way back')
    timer.cancel()


def test_nothing_is_followed_before_the_last_leg_has_its_pulses(
    board_bench: Bench,
    bracken: Robot,
    servo_maps: ServoMaps,
    resting: Mapping[int, float],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """However long a board takes for that leg, it joins at rest."""
    enable = Boards.enable
    late: list[Callable[[], None]] = []

    def slow(boards: Boards, outputs: Sequence[Output]) -> None:
        if len(outputs) < len(servo_maps.maps):
            enable(boards, outputs)
        else:
            late.append(partial(enable, boards, outputs))

    monkeypatch.setattr(Boards, 'enable', slow)
    probe = board_bench.probe
    goal = trajectory(bracken, [a + 0.05 for a in resting_angles(resting, servo_maps)])
    publisher = probe.publisher(JointTrajectory, 'joint_trajectory')
    timer = probe.node.create_timer(0.01, lambda: publisher.publish(goal))
    assert board_bench.change(CONFIGURE)
    assert board_bench.change(ACTIVATE)
    probe.until(lambda: late, 'the last leg')
    for record in board_bench.poses_from_now(20):
        assert record.pulses_us == about(resting)
    (enable_last,) = late
    enable_last()
    probe.until(lambda: board_bench.records('pose')[-1].pulses_us != about(resting), 'a motion')
    timer.cancel()


def test_joint_states_are_where_the_servos_are_told_to_be(
    board_bench: Bench, bracken: Robot, servo_maps: ServoMaps, resting: Mapping[int, float]
) -> None:
    """All joints by name, at rest after the start."""
    heard = board_bench.probe.record(JointState, 'joint_states')
    board_bench.bring_up()
    board_bench.probe.until(lambda: heard, 'joint states')
    assert tuple(heard[-1].name) == bracken.joints
    assert list(heard[-1].position) == pytest.approx(resting_angles(resting, servo_maps))
    assert board_bench.probe.values['bridge']['main.positions'] == 'commanded'


@pytest.mark.parametrize(
    ('spoil', 'words'),
    [
        (lambda message: message.joint_names.pop(), 'missing right_rear_tibia'),
        (lambda message: message.points[0].positions.__setitem__(4, nan), 'not finite'),
        (lambda message: message.points[0].positions.__setitem__(4, 3.0), 'left_middle_femur'),
    ],
)
def test_a_bad_trajectory_moves_nothing_and_is_reported(
    board_bench: Bench,
    bracken: Robot,
    resting: Mapping[int, float],
    spoil: Callable[[JointTrajectory], object],
    words: str,
) -> None:
    """Refused whole and counted, and the status names what is wrong."""
    probe = board_bench.probe
    board_bench.bring_up()
    publisher = probe.publisher(JointTrajectory, 'joint_trajectory')
    message = trajectory(bracken, [0.1] * 18)
    spoil(message)
    # A best-effort reader may not have found a new writer yet that has found it.
    timer = probe.node.create_timer(0.1, lambda: publisher.publish(message))
    assert probe.wait_for_words('bridge', words) == DiagnosticStatus.ERROR
    timer.cancel()
    assert int(probe.values['bridge']['refused']) > 0
    for record in board_bench.poses_from_now(20):
        assert record.pulses_us == about(resting)


def test_cleanup_stops_all_pulses_and_lets_go_of_the_board(board_bench: Bench) -> None:
    """Then somebody else may open the port, and the bridge may be configured again."""
    board_bench.bring_up()
    assert board_bench.change(DEACTIVATE)
    assert board_bench.change(CLEANUP)
    assert board_bench.state() == 'unconfigured'
    board_bench.probe.wait_for('bridge', 'unconfigured')
    board_bench.probe.until(
        lambda: board_bench.records('release') or board_bench.records('silence'),
        'the last that the board hears',
    )
    assert board_bench.records('release')
    assert read_log(board_bench.log)[-1].enabled == 0
    board_bench.bring_up()


def test_release_is_latched_until_rearm(
    board_bench: Bench, legs: list[list[int]], resting: Mapping[int, float]
) -> None:
    """Pulses go off and stay off; after rearm the legs are enabled again one after another."""
    probe = board_bench.probe
    board_bench.bring_up()
    assert board_bench.trigger('bridge/release').success
    assert probe.wait_for_words('bridge', 'released: pulses off') == DiagnosticStatus.WARN
    probe.until(lambda: read_log(board_bench.log)[-1].enabled == 0, 'no pulses')
    assert board_bench.state() == 'active'
    before = len(read_log(board_bench.log))
    count = len(probe.states['bridge'])
    probe.until(lambda: len(probe.states['bridge']) > count, 'another status')
    assert {record.enabled for record in read_log(board_bench.log)[before:]} <= {0}
    before = len(read_log(board_bench.log))
    # Refused until the board has confirmed its release.
    probe.until(lambda: board_bench.trigger('bridge/rearm').success, 'bridge/rearm')
    probe.wait_for('bridge', 'active')
    board_bench.poses_from_now(2)
    assert_enabled_leg_after_leg(read_log(board_bench.log)[before:], legs, resting)


def test_a_release_survives_a_board_that_restarts(
    bench: Bench, start_board: Callable[[], MockProcess]
) -> None:
    """A board that comes back is released as well, and nothing is enabled by itself."""
    board = start_board()
    bench.start()
    bench.bring_up()
    assert bench.trigger('bridge/release').success
    bench.probe.wait_for_words('bridge', 'released')
    board.process.kill()
    board.process.wait()
    before = len(read_log(bench.log))
    start_board()
    bench.probe.until(
        lambda: any(r.event == 'hello' for r in read_log(bench.log)[before:]), 'the board found'
    )
    count = len(bench.probe.states['bridge'])
    bench.probe.until(lambda: len(bench.probe.states['bridge']) > count, 'another status')
    assert {record.enabled for record in read_log(bench.log)[before:]} == {0}
    assert 'released' in bench.probe.latest()['bridge'][1]


def test_a_lost_board_is_an_error_and_comes_back(
    bench: Bench,
    start_board: Callable[[], MockProcess],
    legs: list[list[int]],
    resting: Mapping[int, float],
) -> None:
    """The status says so; the board that comes back without its state is started up again."""
    board = start_board()
    bench.start()
    bench.bring_up()
    board.process.kill()
    board.process.wait()
    assert bench.probe.wait_for_words('bridge', 'lost board main') == DiagnosticStatus.ERROR
    before = len(read_log(bench.log))
    start_board()
    bench.probe.wait_for('bridge', 'active')
    bench.poses_from_now(2)
    assert_enabled_leg_after_leg(read_log(bench.log)[before:], legs, resting)
