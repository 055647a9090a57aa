# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The three nodes in one process: they walk without messages, and hear those of others."""

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from geometry_msgs.msg import TwistStamped
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_srvs.srv import Trigger
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.board import read_log
from leg_kinematics.chain.driving import Driving
from leg_kinematics.chain.values import FootTargets, JointTargets
from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.one_process import one_process
from leg_kinematics.nodes.taking_part.chain_processes import MockProcess
from leg_kinematics.nodes.translation import messages
from leg_kinematics.parameters import Value
from leg_kinematics.robot import Robot
from leg_kinematics.solver import Trajectory

if TYPE_CHECKING:
    from test.nodes.conftest import Probe

#: Messages that are looked at.
ENOUGH = 50


StartChain = Callable[[Mapping[str, str]], None]


@pytest.fixture
def start_chain(probe: 'Probe', tmp_path: Path) -> Iterator[StartChain]:
    """Start all nodes of a robot on a mock board and enable the legs."""
    mock = MockProcess(tmp_path / 'port', tmp_path / 'pulses.jsonl')

    def start(files: Mapping[str, str]) -> None:
        bridge: dict[str, Value] = {
            **files,
            'boards': [f'main=framed:{tmp_path / "port"}'],
            'enable_interval': 0.02,
            'enable': True,
        }
        for node in one_process({**files}, bridge):
            probe.add(node)
        probe.wait_for('bridge', 'active')

    yield start
    mock.end()


@pytest.fixture
def log(probe: 'Probe', files: dict[str, str], tmp_path: Path, start_chain: StartChain) -> Path:
    """Have the chain of the example robot; return the log of the board."""
    start_chain(files)
    probe.wait_for('gait', 'waiting for gait/stand')
    return tmp_path / 'pulses.jsonl'


@pytest.fixture
def followed(monkeypatch: pytest.MonkeyPatch) -> list[JointTargets]:
    """Return a list that fills with what the bridge is told to follow."""
    heard: list[JointTargets] = []
    follow = Driving.follow

    def watched(
        stage: Driving, targets: JointTargets, received: float, *, at_once: bool = False
    ) -> None:
        heard.append(targets)
        follow(stage, targets, received, at_once=at_once)

    monkeypatch.setattr(Driving, 'follow', watched)
    return heard


def test_they_walk_and_obey_nothing_twice(
    probe: 'Probe', log: Path, followed: list[JointTargets]
) -> None:
    """Nobody listens at first; when somebody does, the nodes hear what they say themselves."""
    answer = probe.call(Trigger, 'gait/stand', Trigger.Request())
    assert answer.success, answer.message
    probe.wait_for('gait', 'standing')
    publisher = probe.publisher(TwistStamped, 'cmd_vel')

    def walk() -> None:
        message = TwistStamped()
        message.header.stamp = probe.node.get_clock().now().to_msg()
        message.twist.linear.x = 0.05
        publisher.publish(message)

    timer = probe.node.create_timer(0.05, walk)
    probe.wait_for('gait', 'walking')
    feet = probe.record(MultiDOFJointTrajectory, 'foot_targets')
    joints = probe.record(JointTrajectory, 'joint_trajectory')
    probe.until(lambda: len(joints) > ENOUGH, 'joint trajectories')
    timer.destroy()
    assert len(feet) > ENOUGH // 2
    stamps = [targets.stamp for targets in followed]
    assert len(stamps) == len(set(stamps))
    told = {messages.nanoseconds_of(message.header.stamp) for message in joints}
    assert told <= set(stamps)
    assert len({tuple(r.pulses_us.values()) for r in read_log(log) if r.event == 'pose'}) > ENOUGH
    probe.wait_for('gait', 'standing')


@pytest.mark.usefixtures('log')
def test_foot_targets_of_others_are_obeyed(
    probe: 'Probe', bracken: Robot, followed: list[JointTargets]
) -> None:
    """Once, also where somebody listens to the joints that come of it."""
    joints = probe.record(JointTrajectory, 'joint_trajectory')
    heard = probe.record(MultiDOFJointState, 'foot_states')
    name = bracken.leg_names[0]
    x, y, z = bracken.resting.feet[0]
    move = FootTargets(0, (name,), (0.2,), [[(x, y, z + 0.005)]], None)
    publisher = probe.publisher(MultiDOFJointTrajectory, 'foot_targets')
    publisher.publish(messages.foot_targets_message(move))

    def lifted() -> bool:
        feet = messages.feet_of(heard[-1], bracken.leg_names) if heard else None
        return feet is not None and feet[0] == pytest.approx((x, y, z + 0.005), abs=1e-6)

    probe.until(lifted, 'a foot 5 mm higher')
    probe.until(lambda: joints, 'its joint trajectory')
    assert len(followed) == 1


@pytest.mark.usefixtures('log')
def test_joint_trajectories_of_others_are_obeyed(probe: 'Probe', bracken: Robot) -> None:
    """They come to the bridge as ever."""
    heard = probe.record(JointState, 'joint_states')
    probe.until(lambda: heard, 'joint states')
    goal = tuple(angle + 0.02 for angle in heard[-1].position)
    targets = JointTargets(0, Trajectory((0.1,), (goal,), ((0.0,) * len(goal),)))
    publisher = probe.publisher(JointTrajectory, 'joint_trajectory')
    publisher.publish(messages.joint_trajectory_message(bracken.joints, targets))
    probe.until(lambda: list(heard[-1].position) == pytest.approx(goal), 'the goal')


@pytest.fixture
def bench_files() -> dict[str, str]:
    """Name the files of the leg on the bench."""
    config = Path(__file__).parents[2] / 'config'
    return {
        'robot': str(config / 'robots' / 'bench_leg.yaml'),
        'servo_maps': str(config / 'servo_maps' / 'bench_leg.yaml'),
    }


def test_a_leg_on_the_bench_moves_without_a_gait(
    probe: 'Probe', bench_files: dict[str, str], start_chain: StartChain
) -> None:
    """The gait stays away in words; foot targets move the leg, a joint trajectory one joint."""
    start_chain(bench_files)
    probe.wait_for_words('gait', 'stays away: a walk needs at least 3 legs')
    answer = probe.call(Trigger, 'gait/stand', Trigger.Request())
    assert not answer.success
    assert 'bench_leg has 1 leg' in answer.message
    feet = probe.record(MultiDOFJointState, 'foot_states')
    joints = probe.record(JointState, 'joint_states')
    probe.until(lambda: feet and joints, 'where the leg is')
    (foot,) = messages.feet_of(feet[-1], ('left_front',)) or ()
    goal = (foot[0], foot[1], foot[2] - 0.02)
    move = FootTargets(0, ('left_front',), (0.2,), [[goal]], None)
    publisher = probe.publisher(MultiDOFJointTrajectory, 'foot_targets')
    publisher.publish(messages.foot_targets_message(move))

    def lowered() -> bool:
        now = messages.feet_of(feet[-1], ('left_front',))
        return now is not None and now[0] == pytest.approx(goal, abs=1e-6)

    probe.until(lowered, 'a foot 20 mm lower')
    joints.clear()
    probe.until(lambda: joints and not any(joints[-1].velocity), 'joints at rest')
    coxa, femur, tibia = joints[-1].position
    one = JointTargets(0, Trajectory((0.1,), ((coxa + 0.1,),), ((0.0,),)), ('left_front_coxa',))
    trajectories = probe.publisher(JointTrajectory, 'joint_trajectory')
    trajectories.publish(messages.joint_trajectory_message(('left_front_coxa',), one))
    expected = pytest.approx([coxa + 0.1, femur, tibia], abs=1e-9)
    probe.until(lambda: list(joints[-1].position) == expected, 'the coxa turned alone')
    # A gait that never sends is no second sender.
    assert not any('senders of foot_targets' in words for _, words in probe.states['kinematics'])


def test_legs_that_are_not_wired_are_told_by_every_node(
    probe: 'Probe',
    files: dict[str, str],
    tmp_path: Path,
    start_chain: StartChain,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """In the log of each, and by the gait, which stays away; there are no joints of theirs."""
    text = Path(files['servo_maps']).read_text(encoding='utf-8')
    text = text[: text.index('  right_rear_coxa:')]
    maps = tmp_path / 'maps.yaml'
    maps.write_text(text.replace('joints:\n', 'not_wired: [right_rear]\n\njoints:\n'))
    start_chain({**files, 'servo_maps': str(maps)})
    probe.wait_for('gait', 'stays away: a walk needs every leg: right_rear is not wired')
    assert capfd.readouterr().err.count('right_rear is not wired (') == 3
    joints = probe.record(JointState, 'joint_states')
    probe.until(lambda: joints, 'joint states')
    assert len(joints[-1].name) == 15
    assert not any(name.startswith('right_rear') for name in joints[-1].name)


@pytest.mark.usefixtures('ros')
def test_all_tick_at_one_rate(files: dict[str, str], tmp_path: Path) -> None:
    """Another of the bridge is refused with both."""
    bridge: dict[str, Value] = {
        **files,
        'boards': [f'main=framed:{tmp_path / "port"}'],
        'rate': 50.0,
    }
    with pytest.raises(CommandError, match='must be the same, got 100 and 50 Hz'):
        list(one_process({**files}, bridge))
