# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A run of one day beside the code of another: the same to the last bit, or told where not."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import TwistStamped
from rclpy.serialization import serialize_message

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.solving import Solving
from leg_kinematics.chain.values import NANOSECONDS, FootTargets, JointTargets
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.commands.main import main
from leg_kinematics.errors import BagError
from leg_kinematics.gait import GaitParameters, GaitSample, GaitState, Twist, Walker
from leg_kinematics.nodes.translation import messages
from leg_kinematics.recording.bag.contents import Attachment, Channel, Message
from leg_kinematics.recording.bag.definitions import definition_of, type_hash_of
from leg_kinematics.recording.bag.writer import BagWriter
from leg_kinematics.recording.comparison import Comparison, compare
from leg_kinematics.recording.comparison_picture import draw_comparison
from leg_kinematics.recording.run import Run
from leg_kinematics.robot import Vector, load_robot

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

#: What lock step calls 0, on the clock of the stamps, ns.
EPOCH = 1_790_000_000 * NANOSECONDS

#: The bridge tells of every second tick, as its node does.
REPORTED = 2


class Recorded:
    """A robot in lock step whose messages are kept as a recording would have them."""

    def __init__(self, gait: GaitParameters, *, linked: bool = False) -> None:
        """Bring it up."""
        robot = load_robot(ROBOT)
        walking = WalkingParameters(preview=0.07 if linked else 0.0)
        self.life = LockStep(
            robot,
            load_servo_maps(SERVO_MAPS, robot),
            LockStepParameters(gait=gait, walking=walking, linked=linked),
        )
        self.robot = robot
        self.messages: list[Message] = []
        self.parameters = {
            '/**/kinematics': {'ros__parameters': self._files()},
            '/**/gait': {'ros__parameters': self._files() | vars_of(gait)},
        }
        self._ticks = 0
        self.life.driving.configure()
        self.run(0.1)
        self.send('bridge/limits', messages.limits_message(self.life.driving.limits), -0.009)
        self.life.driving.activate()
        while self.life.driving.state is not PowerState.FOLLOWING:
            self.run(0.01)
        self.run(0.1)

    def _files(self) -> dict[str, object]:
        return {'robot': str(ROBOT), 'servo_maps': str(SERVO_MAPS)}

    def send(self, topic: str, message: object, later: float) -> None:
        """Have a message come so much later than the tick."""
        at = EPOCH + round((self.life.now + later) * NANOSECONDS)
        self.messages.append(Message(f'/{topic}', at, at, 0, serialize_message(message)))

    def order(self, name: str) -> None:
        """Have the gait stand or crouch, after one tick and before the next."""
        life = self.life
        answer = life.walking.stand(life.now) if name == 'gait/stand' else life.walking.crouch()
        status = DiagnosticStatus(name=name, message=answer.words, level=b'\0')
        self.send('orders', DiagnosticArray(status=[status]), 0.004)

    def run(self, seconds: float) -> None:
        """Go on, and keep what is sent."""
        life = self.life
        for _ in range(round(seconds / life.tick)):
            velocity = TwistStamped()
            velocity.twist.linear.x, velocity.twist.linear.y = life.command.x, life.command.y
            velocity.twist.angular.z = life.command.yaw
            self.send('cmd_vel', velocity, 0.005)
            step = life.step()
            walked = step.walked
            if walked is not None and walked.targets is not None:
                shifted = messages.foot_targets_message(walked.targets)
                shifted.header.stamp = messages.time_message(EPOCH + walked.targets.stamp)
                self.send('foot_targets', shifted, 0.0005)
            if step.joints is not None:
                joints = messages.joint_trajectory_message(self.robot.joints, step.joints)
                joints.header.stamp = messages.time_message(EPOCH + step.joints.stamp)
                self.send('joint_trajectory', joints, 0.001)
            self._ticks += 1
            if self._ticks % REPORTED == 0:
                self.report(step.feet)

    def report(self, feet: Sequence[Vector] | None) -> None:
        """Have the bridge and the kinematics report."""
        report = self.life.driving.report()
        message = messages.report_message(report)
        if report.stamp is not None:
            stamp = EPOCH + report.stamp
            message.data[3], message.data[4] = map(float, divmod(stamp, NANOSECONDS))
        self.send('bridge/state', message, 0.0015)
        if feet is not None:
            stamp = EPOCH + round(self.life.now * NANOSECONDS)
            states = messages.foot_states_message(stamp, self.robot.leg_names, feet)
            self.send('foot_states', states, 0.002)

    def as_run(self) -> Run:
        """Give it as it would be read."""
        ordered = sorted(self.messages, key=lambda message: message.received)
        texts = {
            'robot.yaml': ROBOT.read_text(encoding='utf-8'),
            'servo_maps.yaml': SERVO_MAPS.read_text(encoding='utf-8'),
            'parameters.yaml': yaml.safe_dump(self.parameters),
        }
        return Run(ordered, {name: Attachment(name, text) for name, text in texts.items()})


def vars_of(gait: GaitParameters) -> dict[str, object]:
    """Give the parameters that differ from what is declared."""
    return {} if gait == GaitParameters() else {'lift': gait.lift}


def walk(*, linked: bool = False, gait: GaitParameters | None = None) -> Run:
    """Stand up, walk an arc, stop and crouch."""
    recorded = Recorded(gait or GaitParameters(), linked=linked)
    recorded.order('gait/stand')
    recorded.run(2.6)
    recorded.life.command = Twist(0.06, 0.02, 0.2)
    recorded.run(1.5)
    recorded.life.command = Twist()
    recorded.run(1.0)
    recorded.order('gait/crouch')
    recorded.run(1.0)
    return recorded.as_run()


@pytest.fixture(scope='module')
def arc() -> Run:
    """Return a walk in one process."""
    return walk()


def stages(found: list[Comparison]) -> dict[str, Comparison]:
    """Give the comparisons by the name of their stage."""
    return {each.stage: each for each in found}


@pytest.mark.parametrize('linked', [False, True])
def test_the_same_code_gives_the_same(arc: Run, *, linked: bool) -> None:
    """Every foot of every tick, and every joint, to the last bits."""
    found = stages(compare(walk(linked=linked) if linked else arc, 1e-12, 1e-12))
    for each in found.values():
        assert each.same, each
        assert each.left_out == 0
        assert len(each.sizes) > 500


def test_a_comparison_is_bit_identical(arc: Run) -> None:
    """Three times here, and 20 times in the long campaign."""
    first = compare(arc, 0.0, 0.0)
    for _ in range(2):
        again = compare(arc, 0.0, 0.0)
        for one, other in zip(first, again, strict=True):
            assert one.sizes.tobytes() == other.sizes.tobytes()
            assert one.instants.tobytes() == other.instants.tobytes()
            assert (one.first, one.worst, one.refused) == (other.first, other.worst, other.refused)


@pytest.mark.soak
def test_20_comparisons_are_bit_identical(arc: Run) -> None:
    """All of them."""
    results = {
        tuple((each.sizes.tobytes(), each.first, each.worst) for each in compare(arc, 0.0, 0.0))
        for _ in range(20)
    }
    assert len(results) == 1


def test_a_change_of_the_gait_is_named_at_its_tick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A leg that errs by 2 mm while the gait walks: that leg, in the first tick of the walk."""
    recorded = Recorded(GaitParameters())
    recorded.order('gait/stand')
    recorded.run(2.6)
    recorded.life.command = Twist(0.06, 0.02, 0.2)
    told = 0
    sample = recorded.life.walking.sample
    while sample is not None and sample.state is not GaitState.WALKING:
        told = sum(each.topic == '/foot_targets' for each in recorded.messages)
        recorded.run(0.01)
        sample = recorded.life.walking.sample
    recorded.run(1.0)
    step = Walker.step

    def changed(walker: Walker, tick: float, command: Twist) -> GaitSample:
        sample = step(walker, tick, command)
        if sample.state is not GaitState.WALKING:
            return sample
        x, y, z = sample.feet[2]
        return replace(sample, feet=(*sample.feet[:2], (x, y, z + 0.002), *sample.feet[3:]))

    monkeypatch.setattr(Walker, 'step', changed)
    found = stages(compare(recorded.as_run(), 1e-5, 1e-5))
    first = found['gait'].first
    assert first is not None
    assert (first.tick, first.what) == (told, recorded.robot.leg_names[2])
    assert first.size == pytest.approx(0.002, abs=1e-9)
    assert found['gait'].worst is not None
    assert found['gait'].worst.size == pytest.approx(0.002, abs=1e-9)
    # What the kinematics makes of the recorded targets is as it was.
    assert found['kinematics'].same


def test_other_parameters_are_those_of_the_run() -> None:
    """A robot that lifted its feet higher then is compared with a gait that does so."""
    assert all(each.same for each in compare(walk(gait=GaitParameters(lift=0.04)), 1e-12, 1e-12))


def test_what_came_before_the_recording_is_left_out(arc: Run) -> None:
    """A gait whose beginning is not known cannot be compared, and that is told."""
    kept = [each for each in all_messages(arc) if each.topic != '/orders']
    run = Run(kept, attachments_of(arc))
    found = stages(compare(run, 1e-12, 1e-12))
    assert len(found['gait'].sizes) == 0
    assert found['gait'].left_out == len(arc.of('foot_targets'))
    assert found['kinematics'].same


def test_a_recording_without_its_robot_says_so(arc: Run) -> None:
    """With what helps."""
    with pytest.raises(BagError, match=r'does not have robot\.yaml and servo_maps\.yaml of its'):
        compare(Run(all_messages(arc), {}), 1e-12, 1e-12)


def test_the_picture_is_drawn(arc: Run, tmp_path: Path) -> None:
    """Also where nothing differs."""
    draw_comparison(compare(arc, 1e-12, 1e-12), tmp_path / 'comparison.png')
    assert (tmp_path / 'comparison.png').stat().st_size > 1000


def all_messages(run: Run) -> list[Message]:
    """Give all messages of a run, in their order."""
    every = [each for messages in run.topics.values() for each in messages]
    return sorted(every, key=lambda message: message.received)


def attachments_of(run: Run) -> dict[str, Attachment]:
    """Give what is attached to a run."""
    names = ('robot.yaml', 'servo_maps.yaml', 'parameters.yaml')
    return {name: Attachment(name, run.attached(name)) for name in names}


KINDS = {
    'bridge/limits': 'trajectory_msgs/msg/JointTrajectory',
    'bridge/state': 'std_msgs/msg/Float64MultiArray',
    'cmd_vel': 'geometry_msgs/msg/TwistStamped',
    'foot_states': 'sensor_msgs/msg/MultiDOFJointState',
    'foot_targets': 'trajectory_msgs/msg/MultiDOFJointTrajectory',
    'joint_trajectory': 'trajectory_msgs/msg/JointTrajectory',
    'orders': 'diagnostic_msgs/msg/DiagnosticArray',
}


@pytest.fixture(scope='module')
def bag(arc: Run, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the walk as a recording on the disk."""
    folder = tmp_path_factory.mktemp('bags') / 'arc'
    writer = BagWriter(folder)
    for attachment in attachments_of(arc).values():
        writer.attach(attachment)
    for topic in arc.topics:
        kind = KINDS[topic]
        channel = Channel(f'/{topic}', kind, definition_of(kind), type_hash_of(kind), '')
        writer.add_channel(channel)
    for message in all_messages(arc):
        writer.write(message)
    writer.close()
    return folder


def test_the_command_tells_that_all_is_the_same(bag: Path, tmp_path: Path) -> None:
    """Exit code 0, and the picture is there."""
    done = CliRunner().invoke(main, ['compare', str(bag), '--json', '--output', str(tmp_path)])
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    assert {name: each['same'] for name, each in told['stages'].items()} == {
        'gait': True,
        'kinematics': True,
    }
    assert told['stages']['gait']['largest'] == 0.0
    assert Path(told['picture']).is_file()


def test_the_command_tells_what_differs(
    bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 1, with the first difference in words."""
    foot = Solving.solve

    def changed(stage: Solving, targets: FootTargets) -> JointTargets:
        return foot(
            stage, replace(targets, feet=[[(x, y, z - 1e-3) for x, y, z in targets.feet[0]]])
        )

    monkeypatch.setattr(Solving, 'solve', changed)
    done = CliRunner().invoke(main, ['compare', str(bag), '--output', str(tmp_path)])
    assert done.exit_code == 1
    assert 'gait: the same' in done.stdout
    assert 'kinematics: DIFFERENT' in done.stdout
    assert 'message 0, left_front_' in done.stdout


def test_the_run_is_inspected(bag: Path, tmp_path: Path) -> None:
    """By the command: orders in their order, and the pictures."""
    done = CliRunner().invoke(main, ['inspect', str(bag), '--json', '--output', str(tmp_path)])
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    who = [each['who'] for each in told['timeline']]
    assert who == ['power', 'power', 'gait/stand', 'gait/crouch']
    assert told['stops'] == []
    assert told['topics']['foot_targets']['count'] > 500
    assert len(told['pictures']) == 2
    for_people = CliRunner().invoke(main, ['inspect', str(bag), '--output', str(tmp_path)])
    assert 'The robot did not stop in this run.' in for_people.stdout


def test_a_recording_that_was_not_closed_is_no_run(bag: Path, tmp_path: Path) -> None:
    """Exit code 2, and what mends it."""
    cut = tmp_path / 'cut.mcap'
    cut.write_bytes((bag / 'arc_0.mcap').read_bytes()[:-100])
    for command in ('inspect', 'compare'):
        done = CliRunner().invoke(main, [command, str(cut), '--output', str(tmp_path)])
        assert done.exit_code == 2
        assert 'leg-kinematics recover' in done.stderr
