# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Runs of a robot in lock step, whose messages are kept as a recording would have them."""

from collections.abc import Sequence
from pathlib import Path

import yaml
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import TwistStamped
from rclpy.serialization import serialize_message

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import NANOSECONDS
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.gait import GaitParameters, Twist
from leg_kinematics.nodes.translation import messages
from leg_kinematics.recording.bag.contents import Attachment, Channel, Message
from leg_kinematics.recording.bag.definitions import definition_of, type_hash_of
from leg_kinematics.recording.bag.writer import BagWriter
from leg_kinematics.recording.run import Run
from leg_kinematics.robot import Vector, load_robot

CONFIG = Path(__file__).parents[1] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

#: What lock step calls 0, on the clock of the stamps, ns.
EPOCH = 1_790_000_000 * NANOSECONDS

#: The bridge tells of every second tick, as its node does.
REPORTED = 2

KINDS = {
    'bridge/limits': 'trajectory_msgs/msg/JointTrajectory',
    'bridge/state': 'std_msgs/msg/Float64MultiArray',
    'cmd_vel': 'geometry_msgs/msg/TwistStamped',
    'foot_states': 'sensor_msgs/msg/MultiDOFJointState',
    'foot_targets': 'trajectory_msgs/msg/MultiDOFJointTrajectory',
    'joint_states': 'sensor_msgs/msg/JointState',
    'joint_trajectory': 'trajectory_msgs/msg/JointTrajectory',
    'orders': 'diagnostic_msgs/msg/DiagnosticArray',
}


class RecordedRobot:
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
            '/**/gait': {'ros__parameters': self._files() | _changed(gait)},
            '/**/bridge': {'ros__parameters': self._files()},
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
        driving = self.life.driving
        report = driving.report()
        message = messages.report_message(report)
        if report.stamp is not None:
            stamp = EPOCH + report.stamp
            message.data[3], message.data[4] = map(float, divmod(stamp, NANOSECONDS))
        self.send('bridge/state', message, 0.0015)
        stamp = EPOCH + round(self.life.now * NANOSECONDS)
        if driving.located:
            states = messages.joint_state_message(
                stamp, self.robot.joints, driving.positions, driving.velocities
            )
            self.send('joint_states', states, 0.0016)
        if feet is not None:
            located = messages.foot_states_message(stamp, self.robot.leg_names, feet)
            self.send('foot_states', located, 0.002)

    def as_run(self) -> Run:
        """Give it as it would be read."""
        ordered = sorted(self.messages, key=lambda message: message.received)
        texts = {
            'robot.yaml': ROBOT.read_text(encoding='utf-8'),
            'servo_maps.yaml': SERVO_MAPS.read_text(encoding='utf-8'),
            'parameters.yaml': yaml.safe_dump(self.parameters),
        }
        return Run(ordered, {name: Attachment(name, text) for name, text in texts.items()})


def _changed(gait: GaitParameters) -> dict[str, object]:
    """Give the parameters that differ from what is declared."""
    return {} if gait == GaitParameters() else {'lift': gait.lift}


def walk(*, linked: bool = False, gait: GaitParameters | None = None) -> Run:
    """Stand up, walk an arc, stop and crouch."""
    recorded = RecordedRobot(gait or GaitParameters(), linked=linked)
    recorded.order('gait/stand')
    recorded.run(2.6)
    recorded.life.command = Twist(0.06, 0.02, 0.2)
    recorded.run(1.5)
    recorded.life.command = Twist()
    recorded.run(1.0)
    recorded.order('gait/crouch')
    recorded.run(1.0)
    return recorded.as_run()


def all_messages(run: Run) -> list[Message]:
    """Give all messages of a run, in their order."""
    every = [each for messages in run.topics.values() for each in messages]
    return sorted(every, key=lambda message: message.received)


def attachments_of(run: Run) -> dict[str, Attachment]:
    """Give what is attached to a run."""
    names = ('robot.yaml', 'servo_maps.yaml', 'parameters.yaml')
    return {name: Attachment(name, run.attached(name)) for name in names}


def write_run(run: Run, folder: Path) -> None:
    """Write a run as a recording."""
    writer = BagWriter(folder)
    for attachment in attachments_of(run).values():
        writer.attach(attachment)
    for topic in run.topics:
        kind = KINDS[topic]
        channel = Channel(f'/{topic}', kind, definition_of(kind), type_hash_of(kind), '')
        writer.add_channel(channel)
    for message in all_messages(run):
        writer.write(message)
    writer.close()
