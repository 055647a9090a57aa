# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What `inspect` tells of a run: its order, and the cause of each stop."""

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from geometry_msgs.msg import TwistStamped
from rclpy.serialization import serialize_message
from std_msgs.msg import Bool, Float64MultiArray
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import RobotReport
from leg_kinematics.errors import BagError
from leg_kinematics.nodes.translation import messages
from leg_kinematics.recording.bag.contents import Attachment, Message
from leg_kinematics.recording.hops import hops, topic_figures
from leg_kinematics.recording.incidents import Incidents
from leg_kinematics.recording.run import Run
from leg_kinematics.recording.run_pictures import draw_run
from leg_kinematics.recording.timeline import stops, timeline

START = 1_790_000_000_000_000_000

#: When the robot stops walking, s, and how long the run is.
STOP, END = 4.0, 6.0

FOLLOWING = RobotReport(PowerState.FOLLOWING, 1, 0, None, 0.0)
RELEASED = RobotReport(PowerState.RELEASED, 1, 1, None, 0.0)
LOST = RobotReport(PowerState.LOST, 1, 0, None, 0.0)


class Story:
    """A run as it is made up: what is sent, and when."""

    def __init__(self) -> None:
        """Nothing yet."""
        self.messages: list[Message] = []
        self.numbers: dict[str, int] = {}

    def send(self, at: float, topic: str, message: object, took: float = 0.001) -> None:
        """Send a message."""
        number = self.numbers[topic] = self.numbers.get(topic, 0) + 1
        sent = START + round(at * 1e9)
        data = serialize_message(message)
        self.messages.append(Message(topic, sent + round(took * 1e9), sent, number, data))

    def say(
        self, at: float, name: str, words: str, level: int = 0, topic: str = '', *, missed: int = 0
    ) -> None:
        """Have a node say how it is, or have an order told."""
        status = DiagnosticStatus(name=name, message=words, level=bytes([level]))
        status.values = [
            KeyValue(key='state', value=words.partition(':')[0]),
            KeyValue(key='missed_ticks', value=str(missed)),
        ]
        self.send(at, topic or '/diagnostics', DiagnosticArray(status=[status]))

    def order(self, at: float, name: str, words: str, *, refused: bool = False) -> None:
        """Have an order told."""
        self.say(at, name, words, int(refused), '/bed/orders')

    def report(self, at: float, report: RobotReport) -> None:
        """Have the bridge report."""
        self.send(at, '/bed/bridge/state', messages.report_message(report))

    def drive(self, begin: float, end: float, speed: float) -> None:
        """Send a velocity 20 times a second."""
        message = TwistStamped()
        message.twist.linear.x = speed
        for tick in range(round((end - begin) * 20)):
            self.send(begin + tick / 20, '/bed/cmd_vel', message)

    def reports(self, begin: float, end: float, report: RobotReport = FOLLOWING) -> None:
        """Have the bridge report 20 times a second."""
        for tick in range(round((end - begin) * 20)):
            self.report(begin + tick / 20, report)

    def walks(self, then: str = 'standing') -> None:
        """Have the robot walk until it stops."""
        self.say(1.0, '/bed/gait', 'standing')
        self.say(1.1, '/bed/gait', 'walking')
        self.say(STOP, '/bed/gait', then, int(then.startswith('paused')))

    def run(self, parameters: str = '') -> Run:
        """Return it as it would be read."""
        self.messages.sort(key=lambda message: message.received)
        attachment = Attachment('parameters.yaml', parameters)
        return Run(self.messages, {'parameters.yaml': attachment})


def crouch(story: Story) -> None:
    """Somebody calls for it, with a stick pushed all the time."""
    story.walks('crouching')
    story.drive(1.0, END, 0.05)
    story.reports(0.0, END)
    story.order(STOP - 0.02, 'gait/crouch', 'now crouching')


def release(story: Story) -> None:
    """Power is taken, which the gait tells by a pause."""
    story.walks('paused: the robot was released')
    story.drive(1.0, END, 0.05)
    story.reports(0.0, STOP)
    story.reports(STOP, END, RELEASED)
    story.order(STOP - 0.01, 'bridge/release', 'board main has confirmed that its pulses are off')


def refused_order(story: Story) -> None:
    """Refuse an order, which stops nothing; the velocity does."""
    story.walks()
    story.drive(1.0, STOP - 0.8, 0.05)
    story.reports(0.0, END)
    story.order(STOP - 0.1, 'gait/crouch', 'not now', refused=True)


def board_gone(story: Story) -> None:
    """Have the bridge lose its board, and say so."""
    story.walks('paused: the bridge has lost its board')
    story.drive(1.0, END, 0.05)
    story.reports(0.0, STOP - 0.1)
    story.reports(STOP - 0.1, END, LOST)
    story.say(STOP - 0.05, '/bed/bridge', 'lost board main: holding, trying to reopen', 2)


def bridge_gone(story: Story) -> None:
    """Nothing is heard of the bridge any more."""
    story.walks('paused: the bridge is silent')
    story.drive(1.0, END, 0.05)
    story.reports(0.0, STOP - 0.5)


def held_up(story: Story) -> None:
    """Have the machine stop the bridge for a moment, which the gait tells by a pause."""
    story.walks('paused: the robot stands 0.27 s behind')
    story.drive(1.0, END, 0.05)
    story.reports(0.0, END)
    for at, missed in ((3.0, 2), (STOP - 0.05, 33), (STOP + 1.0, 34)):
        story.say(at, '/bed/bridge', 'active', missed=missed)


def behind(story: Story) -> None:
    """Have the gait wait for joints."""
    story.walks('paused: the joints are behind')
    story.drive(1.0, END, 0.05)
    story.reports(0.0, END)


def unreachable(story: Story) -> None:
    """Targets are refused."""
    story.walks()
    story.drive(1.0, END, 0.05)
    story.reports(0.0, END)
    story.say(STOP - 0.2, '/bed/kinematics', 'refused: left_front is out of reach', 2)


def silent_sender(story: Story) -> None:
    """Have the sender of velocities end in motion."""
    story.walks()
    story.drive(1.0, STOP - 1.0, 0.05)
    story.reports(0.0, END)


def standstill(story: Story) -> None:
    """Let the stick go."""
    story.walks()
    story.drive(1.0, STOP - 1.0, 0.05)
    story.drive(STOP - 1.0, END, 0.0)
    story.reports(0.0, END)


def emergency(story: Story) -> None:
    """Press the emergency stop, which takes power."""
    story.walks('paused: the robot was released')
    story.drive(1.0, END, 0.05)
    story.reports(0.0, STOP)
    story.reports(STOP, END, RELEASED)
    story.send(STOP - 0.02, '/bed/emergency_stop', Bool(data=True))


def unknown(story: Story) -> None:
    """Keep the stick pushed, and have nobody say anything."""
    story.walks()
    story.drive(1.0, END, 0.05)
    story.reports(0.0, END)


CAUSES: Mapping[Callable[[Story], None], str] = {
    crouch: 'gait/crouch was called: now crouching',
    release: 'bridge/release was called: board main has confirmed that its pulses are off',
    refused_order: 'cmd_vel fell silent 0.85 s before, in motion',
    board_gone: 'the bridge said: lost board main: holding, trying to reopen',
    bridge_gone: 'the bridge was not heard for 2.50 s',
    held_up: 'the bridge missed 31 ticks just then: the machine was busy',
    behind: 'the gait said: paused: the joints are behind',
    unreachable: 'kinematics said: refused: left_front is out of reach',
    silent_sender: 'cmd_vel fell silent 1.05 s before, in motion',
    standstill: 'the sender of cmd_vel asked for standstill, 1.00 s before',
    emergency: 'the emergency stop was pressed',
    unknown: 'not known from this recording',
}


@pytest.mark.parametrize('tell', CAUSES, ids=lambda tell: tell.__name__)
def test_each_stop_has_its_cause(tell: Callable[[Story], None]) -> None:
    """One stop, however many nodes tell of it."""
    story = Story()
    tell(story)
    (stop,) = stops(story.run())
    assert stop.at == pytest.approx(STOP, abs=0.11)
    assert stop.cause.startswith(CAUSES[tell])


def test_the_silence_that_the_gait_waits_for_is_that_of_the_run() -> None:
    """A gait that was told to wait longer did not stop by this silence."""
    story = Story()
    silent_sender(story)
    parameters = '/**/gait: {ros__parameters: {silence: 2.0}}'
    (stop,) = stops(story.run(parameters))
    assert stop.cause == 'not known from this recording'


def test_a_run_without_a_stop_has_none() -> None:
    """A robot that walks to the end of the recording."""
    story = Story()
    story.say(1.0, '/bed/gait', 'walking')
    story.drive(1.0, END, 0.05)
    story.reports(0.0, END)
    assert stops(story.run()) == []


def test_the_timeline_tells_each_state_once_and_every_order() -> None:
    """In their order; states that are said again are not told again."""
    story = Story()
    release(story)
    story.say(2.0, '/bed/gait', 'walking')
    story.say(2.5, '/bed/elsewhere/gait', 'walking')
    story.order(5.0, 'gait/stand', 'the robot has no power', refused=True)
    told = [(each.who, each.what) for each in timeline(story.run())]
    assert told == [
        ('gait', 'standing'),
        ('gait', 'walking'),
        ('elsewhere/gait', 'walking'),
        ('bridge/release', 'board main has confirmed that its pulses are off'),
        ('gait', 'paused: the robot was released'),
        ('power', 'from following to released'),
        ('gait/stand', 'refused: the robot has no power'),
    ]


def test_silences_are_told_with_their_length() -> None:
    """From the last message before to the first after."""
    story = Story()
    story.reports(0.0, 2.0)
    story.reports(3.0, END)
    (silence,) = (each for each in timeline(story.run()) if each.who == 'bridge/state')
    assert silence.at == pytest.approx(1.95)
    assert silence.what == 'not heard for 1.05 s'


def test_hops_are_measured_by_stamps() -> None:
    """By hand: solved 2 ms after the targets, followed 30 ms after that; one has no answer."""
    story = Story()
    for tick in range(100):
        at = tick / 100
        stamp = messages.time_message(START + round(at * 1e9))
        targets = MultiDOFJointTrajectory()
        targets.header.stamp = stamp
        story.send(at, '/bed/foot_targets', targets)
        if tick < 99:
            joints = JointTrajectory()
            joints.header.stamp = stamp
            story.send(at + 0.002, '/bed/joint_trajectory', joints)
        report = RobotReport(PowerState.FOLLOWING, 1, 0, START + round(at * 1e9), 0.0)
        story.report(at + 0.031, report)
    found = hops(story.run())
    solved = found['foot_targets to joint_trajectory']
    assert solved.count == 99
    assert solved.worst == pytest.approx(0.002)
    assert found['joint_trajectory to the joints being there'].median == pytest.approx(0.030)


def test_losses_and_jitter_of_topics() -> None:
    """By the numbers of the sender; those of two senders tell nothing."""
    story = Story()
    for tick in range(50):
        if tick == 20:
            story.numbers['/bed/odom'] += 3
        story.send(tick / 50, '/bed/odom', Float64MultiArray(), took=0.004)
        story.report(tick / 50, FOLLOWING)
    story.numbers['/bed/bridge/state'] = 5
    story.report(1.0, FOLLOWING)
    figures = topic_figures(story.run())
    assert figures['odom'].lost == 3
    assert figures['odom'].transit.median == pytest.approx(0.004)
    assert figures['odom'].interval is not None
    assert figures['odom'].interval.worst == pytest.approx(0.02)
    assert figures['bridge/state'].lost is None


def test_the_pictures_are_written(tmp_path: Path) -> None:
    """Feet only where they were recorded."""
    story = Story()
    crouch(story)
    assert [path.name for path in draw_run(story.run(), tmp_path)] == ['timeline.png']
    feet = ((0.1, 0.05, -0.05), (0.1, -0.05, -0.05))
    story.send(2.0, '/bed/foot_states', messages.foot_states_message(0, ('left', 'right'), feet))
    names = [path.name for path in draw_run(story.run(), tmp_path)]
    assert names == ['timeline.png', 'feet.png']


def test_two_chains_want_a_choice() -> None:
    """And a recording without one says so."""
    story = Story()
    story.reports(0.0, 1.0)
    story.send(0.0, '/other/bridge/state', messages.report_message(FOLLOWING))
    with pytest.raises(BagError, match='chains in /bed/, /other/: choose one by --namespace'):
        story.run()
    nothing = Story()
    nothing.send(0.0, '/chatter', Bool())
    with pytest.raises(BagError, match='the recording has no chain; its topics are /chatter'):
        nothing.run()


def test_incidents_are_told_once() -> None:
    """What takes power or the board; a new bridge, and a release of the released, are none."""
    incidents = Incidents()
    heard = [FOLLOWING, LOST, LOST, FOLLOWING, RELEASED]
    heard.append(RobotReport(PowerState.RELEASED, 1, 2, None, 0.0))
    heard.append(RobotReport(PowerState.RELEASED, 2, 3, None, 0.0))
    told = [incidents.hear(report, number) for number, report in enumerate(heard)]
    assert told == ['', 'a board was lost', '', '', 'the robot was released', '', '']
    assert incidents.look(500_000_000) == ''
    assert incidents.look(2_000_000_000) == 'the bridge fell silent'
    assert incidents.look(3_000_000_000) == ''
