# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Bad input, with real processes: a clear word each, no pulse, and nothing lost."""

import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from math import inf, nan
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import serial
from builtin_interfaces.msg import Duration
from geometry_msgs.msg import Transform, Vector3
from lifecycle_msgs.msg import Transition
from trajectory_msgs.msg import (
    JointTrajectory,
    JointTrajectoryPoint,
    MultiDOFJointTrajectory,
    MultiDOFJointTrajectoryPoint,
)

from leg_kinematics.board import Record, read_log
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.chain import NODES, Chain, MockProcess
from leg_kinematics.commands.operator import NoAnswerError, Operator
from leg_kinematics.commands.run_report import Walk, foot_errors
from leg_kinematics.gait import Twist
from leg_kinematics.nodes import qos
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test.witness import Witness

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

PATIENCE = 60.0  # s, for a process to end on a busy machine

StartChain = Callable[..., 'tuple[Chain, Witness]']


def ends(names: Sequence[str], folder: Path, *parameters: str) -> dict[str, str]:
    """Start nodes that must fail; return what each said, apart from what it logs anyway.

    The bridge is told to switch the servos on at once, and a board is there.
    """
    board = MockProcess(folder / 'board', folder / 'pulses.jsonl')
    try:
        processes = {}
        for name in names:
            given = list(parameters)
            if name == 'bridge':
                given += [f"boards:=['main=framed:{folder / 'board'}']", 'autostart:=true']
            arguments = [text for parameter in given for text in ('-p', parameter)]
            processes[name] = subprocess.Popen(
                [
                    sys.executable,
                    '-m',
                    f'leg_kinematics.nodes.{name}_node',
                    '--ros-args',
                    *arguments,
                ],
                stderr=subprocess.PIPE,
                text=True,
            )
        said = {
            name: process.communicate(timeout=PATIENCE)[1] for name, process in processes.items()
        }
        codes = {name: process.returncode for name, process in processes.items()}
    finally:
        board.end()
    assert codes == dict.fromkeys(names, 2), said
    assert [record.event for record in read_log(folder / 'pulses.jsonl')] == ['boot']
    return {
        name: '\n'.join(line for line in text.splitlines() if not line.startswith('[INFO]'))
        for name, text in said.items()
    }


@pytest.mark.parametrize(
    ('old', 'new', 'place', 'words'),
    [
        ('name: bracken', 'name: [bracken', 'body:', 'YAML'),
        ('length: 32 mm', 'length: 32 kg', 'length: 32 kg', 'kg'),
        ('[-60 deg, 60 deg]', '[60 deg, -60 deg]', '[60 deg, -60 deg]', 'lower'),
        ('size: [', 'colour: green\n  size: [', 'colour: green', 'colour'),
        ('height: 85 mm', 'height: 300 mm', 'standing:', 'left_front'),
    ],
    ids=['malformed', 'unit', 'lower above upper', 'unknown key', 'unreachable posture'],
)
def test_a_wrong_robot_description(
    tmp_path: Path, old: str, new: str, place: str, words: str
) -> None:
    """Every node ends with exit code 2 and one line that tells the file, the line and what."""
    text = ROBOT.read_text(encoding='utf-8')
    assert old in text
    text = text.replace(old, new, 1)
    wrong = tmp_path / 'wrong.yaml'
    wrong.write_text(text, encoding='utf-8')
    said = ends(NODES, tmp_path, f'robot:={wrong}', f'servo_maps:={SERVO_MAPS}')
    line = 1 + text[: text.index(place)].count('\n')
    for message in said.values():
        assert len(message.splitlines()) == 1, message
        assert message.startswith(f'{wrong}:{line}: '), message
        assert words in message


@pytest.mark.parametrize(
    ('old', 'new', 'place', 'words'),
    [
        ('joints:', 'joints: {', 'board: main', 'YAML'),
        ('centre: 1508 us', 'centre: 1508 mm', 'centre: 1508 mm', 'mm'),
        ('lowest: 600 us', 'lowest: 2450 us', 'lowest: 2450 us', 'lowest'),
        ('channel: 1\n', 'channel: 0 \n', 'channel: 0 \n', 'channel'),
    ],
    ids=['malformed', 'unit', 'lower above upper', 'duplicate channel'],
)
def test_wrong_servo_maps(tmp_path: Path, old: str, new: str, place: str, words: str) -> None:
    """Every node ends with exit code 2 and one line that tells the file, the line and what."""
    text = SERVO_MAPS.read_text(encoding='utf-8')
    assert old in text
    text = text.replace(old, new, 1)
    wrong = tmp_path / 'wrong.yaml'
    wrong.write_text(text, encoding='utf-8')
    said = ends(NODES, tmp_path, f'robot:={ROBOT}', f'servo_maps:={wrong}')
    line = 1 + text[: text.index(place)].count('\n')
    for message in said.values():
        assert len(message.splitlines()) == 1, message
        assert message.startswith(f'{wrong}:{line}: '), message
        assert words in message


@pytest.mark.parametrize(
    ('names', 'parameter', 'words'),
    [
        (NODES, 'speeed:=1.0', ("unknown parameter 'speeed'", 'known are')),
        (('gait', 'bridge'), 'rate:=1000.0', ("'rate' must be in [10, ", '1000.0')),
        (('gait', 'bridge'), 'rate:=.nan', ("'rate' must be in [10, ", 'nan')),
        (('gait', 'bridge'), 'rate:=fast', ("'rate' must be of type float", 'fast')),
    ],
    ids=['unknown', 'out of range', 'not a number', 'type'],
)
def test_a_wrong_parameter(
    tmp_path: Path, names: Sequence[str], parameter: str, words: Sequence[str]
) -> None:
    """The node ends with exit code 2 and one line that tells name, value and bound."""
    said = ends(names, tmp_path, f'robot:={ROBOT}', f'servo_maps:={SERVO_MAPS}', parameter)
    for message in said.values():
        assert len(message.splitlines()) == 1, message
        assert all(each in message for each in words), message


def foot_targets(leg: str, x: float) -> MultiDOFJointTrajectory:
    """Make a target for one foot."""
    point = MultiDOFJointTrajectoryPoint(
        transforms=[Transform(translation=Vector3(x=x, y=0.2, z=-0.05))]
    )
    return MultiDOFJointTrajectory(joint_names=[leg], points=[point])


def joint_trajectory(joints: Sequence[str], angle: float) -> JointTrajectory:
    """Make a trajectory that sends every joint to the same angle."""
    point = JointTrajectoryPoint(
        positions=[angle] * len(joints),
        velocities=[0.0] * len(joints),
        time_from_start=Duration(nanosec=10_000_000),
    )
    return JointTrajectory(joint_names=list(joints), points=[point])


def test_wrong_messages(bracken: Robot, start_chain: StartChain) -> None:
    """What names the wrong things, is not finite or too far is refused, reported, not obeyed."""
    chain, operator = start_chain()
    feet = operator.node.create_publisher(MultiDOFJointTrajectory, 'foot_targets', qos.PUBLISHED)
    joints = operator.node.create_publisher(JointTrajectory, 'joint_trajectory', qos.PUBLISHED)
    names = bracken.joints
    wrong: list[tuple[str, Callable[[], None], str]] = [
        ('gait', lambda: operator.send(Twist(x=nan)), 'cmd_vel must be finite'),
        ('gait', lambda: operator.send(Twist(yaw=inf)), 'cmd_vel must be finite'),
        ('kinematics', lambda: feet.publish(foot_targets('tail', 0.0)), 'unknown names: tail'),
        ('kinematics', lambda: feet.publish(foot_targets('left_middle', nan)), 'not finite'),
        ('kinematics', lambda: feet.publish(foot_targets('left_middle', 1.0)), 'left_middle'),
        (
            'bridge',
            lambda: joints.publish(joint_trajectory(['tail', *names[1:]], 0.0)),
            'unknown names: tail',
        ),
        ('bridge', lambda: joints.publish(joint_trajectory(names[:3], 0.0)), 'missing'),
        ('bridge', lambda: joints.publish(joint_trajectory(names, nan)), 'not finite'),
        ('bridge', lambda: joints.publish(joint_trajectory(names, 3.0)), names[0]),
    ]
    operator.bring_up()
    for node, send, words in wrong:

        def reported(node: str = node, send: Callable[[], None] = send, words: str = words) -> bool:
            send()
            return words in operator.states.get(node, '')

        operator.spin(reported, f"'{words}' from {node}")

    def poses() -> list[Mapping[int, float]]:
        records = read_log(chain.pulse_log)
        start = max(index for index, record in enumerate(records) if record.event == 'enable')
        return [record.pulses_us for record in records[start:] if record.event == 'pose']

    refused = len(poses())
    operator.spin(lambda: len(poses()) > refused + 50, 'poses after all that')
    first, *others = poses()
    assert all(pose == first for pose in others)
    operator.stand()
    operator.drive(Twist(x=0.05), 1.0, 'walking, for nothing is lost')
    operator.drive_until(Twist(x=0.05), lambda: operator.states['gait'] == 'walking', 'a walk')


def test_a_port_that_cannot_be_opened(start_chain: StartChain) -> None:
    """Configuring fails and says why; when the port is there and free again it succeeds."""
    chain, operator = start_chain()
    assert chain.mock is not None
    operator.wait_for_graph()
    with serial.Serial(str(chain.link), exclusive=True):
        with pytest.raises(NoAnswerError):
            operator.change_bridge(Transition.TRANSITION_CONFIGURE)
        operator.spin(
            lambda: 'in use' in operator.states.get('bridge', ''), 'a word of the busy port'
        )
    chain.mock.end()
    with pytest.raises(NoAnswerError):
        operator.change_bridge(Transition.TRANSITION_CONFIGURE)
    operator.spin(
        lambda: str(chain.link) in operator.states.get('bridge', ''), 'a word of the port'
    )
    chain.start_mock()
    assert {record.event for record in read_log(chain.pulse_log)} == {'boot'}
    operator.bring_up()


def test_a_noisy_line(
    servo_maps: ServoMaps,
    start_chain: StartChain,
    walk_of: Callable[[Operator, Sequence[Record]], Walk],
    assert_no_jump: Callable[[Operator, Sequence[Record]], None],
) -> None:
    """Bytes are lost and spoilt on the way, and yet the board obeys nothing but what was meant."""
    chain, operator = start_chain('--corrupt', '0.001', '--drop', '0.001')
    operator.bring_up()
    operator.stand()
    operator.drive(Twist(x=0.08), 3.0, 'walking')
    operator.drive_until(Twist(x=0.08), lambda: operator.states['gait'] == 'walking', 'a walk')
    records = read_log(chain.pulse_log)
    assert 'bad' in {record.event for record in records}
    assert_no_jump(operator, records)
    for each in servo_maps.maps:
        for record in records:
            if record.event == 'pose':
                assert each.lowest_us <= record.pulses_us[each.channel] <= each.highest_us
    walk = walk_of(operator, records)
    errors = foot_errors(walk).errors
    fed = operator.fed(walk.pose_times[: len(errors)])
    assert np.count_nonzero(fed) > 100
    assert errors[fed].max() < 0.5e-3
