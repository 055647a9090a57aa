# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is heard of a chain is known for a while, counted, and told once; without any process."""

from collections.abc import Mapping, Sequence
from math import nan
from pathlib import Path

import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from geometry_msgs.msg import Twist as TwistMessage
from geometry_msgs.msg import TwistStamped
from rclpy.serialization import serialize_message
from sensor_msgs.msg import JointState

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import NANOSECONDS, FootTargets, Level, Odom, RobotReport
from leg_kinematics.gait import BodyMotion, Covariance, Twist
from leg_kinematics.nodes.hearing import Hearing
from leg_kinematics.nodes.translation import messages
from leg_kinematics.view.messages import BoardStatus, Event, Velocity
from leg_kinematics.view.watching import LATELY

CONFIG = Path(__file__).parents[2] / 'config'


@pytest.fixture(scope='module')
def bracken() -> CalibratedRobot:
    """Read the example robot."""
    return CalibratedRobot.load(
        CONFIG / 'robots' / 'bracken.yaml', CONFIG / 'servo_maps' / 'bracken.yaml'
    )


@pytest.fixture
def hearing(bracken: CalibratedRobot) -> Hearing:
    """Hear nothing yet."""
    return Hearing(bracken, '/bed')


def joints(bracken: CalibratedRobot, angle: float, *, loaded: bool = False) -> bytes:
    """Have all joints at an angle."""
    names = bracken.robot.joints
    still = [0.0] * len(names)
    message = messages.joint_state_message(0, names, [angle] * len(names), still)
    if loaded:
        message.effort = [float(index) for index in range(len(names))]
    return serialize_message(message)


def report(stamp: int | None = None) -> bytes:
    """Have the bridge report."""
    told = RobotReport(PowerState.FOLLOWING, 1, 0, stamp, 0.002)
    return serialize_message(messages.report_message(told))


def targets(bracken: CalibratedRobot, stamp: int) -> bytes:
    """Have the gait tell where feet shall be, whose height is the stamp, in m."""
    legs = bracken.robot.leg_names
    feet = [[(0.0, 0.0, stamp / NANOSECONDS)] * len(legs)]
    still = [[(0.0, 0.0, 0.0)] * len(legs)]
    told = FootTargets(stamp, legs, (0.0,), feet, still)
    return serialize_message(messages.foot_targets_message(told))


def velocity(twist: Twist) -> bytes:
    """Have somebody drive."""
    return serialize_message(messages.body_twist_message(twist, 0))


def said(name: str, words: str, level: int = 0, values: Mapping[str, str] | None = None) -> bytes:
    """Have a node say how it is."""
    status = DiagnosticStatus(name=name, message=words, level=bytes([level]))
    status.values = [KeyValue(key=key, value=value) for key, value in (values or {}).items()]
    return serialize_message(DiagnosticArray(status=[status]))


def words(events: Sequence[Event]) -> list[tuple[str, int, str]]:
    """Leave out the instants."""
    return [(each.who, each.level, each.words) for each in events]


# ---- how long something is known


def test_what_was_heard_is_known_for_a_while(bracken: CalibratedRobot, hearing: Hearing) -> None:
    """Each topic by its own instant; what was heard longer ago is null."""
    odom = Odom(
        0,
        BodyMotion((1.0, 2.0, 0.1), (0.0, 0.0, 0.0), (0.05, 0.0, 0.0), (0.0, 0.0, 0.0)),
        Covariance(),
        Covariance(),
    )
    hearing.hear('joint_states', joints(bracken, -0.1), 10.0)
    hearing.hear('bridge/state', report(), 10.2)
    hearing.hear('odom', serialize_message(messages.odometry_message(odom)), 10.4)
    hearing.hear('cmd_vel', velocity(Twist(0.06, 0.0, -0.2)), 10.6)
    frame = hearing.frame(10.7)
    assert frame.angles == (-0.1,) * 18
    assert (frame.power, frame.lag) == (PowerState.FOLLOWING, 0.002)
    assert frame.base is not None
    assert frame.base.position == (1.0, 2.0, 0.1)
    assert frame.walked == Velocity(0.05, 0.0, 0.0)
    assert frame.wanted == Velocity(0.06, 0.0, -0.2)
    known = ['angles', 'power', 'base', 'wanted']
    for late, name in zip((10.1, 10.3, 10.5, 10.7), known, strict=True):
        frame = hearing.frame(late + LATELY)
        gone = known.index(name)
        assert [getattr(frame, each) is None for each in known] == [
            index <= gone for index in range(4)
        ], name


def test_that_the_bridge_is_heard_and_missed_is_told_once_each(hearing: Hearing) -> None:
    """By edges, not by every frame."""
    for at in (0.0, 1.0):
        hearing.frame(at)
    assert hearing.fetch_events() == ()
    for tick in range(20):
        hearing.hear('bridge/state', report(), 2.0 + tick / 10)
        hearing.frame(2.0 + tick / 10)
    assert words(hearing.fetch_events()) == [('bridge', Level.OK, 'heard')]
    for at in (4.8, 5.2, 6.0):
        hearing.frame(at)
    (event,) = hearing.fetch_events()
    assert (event.at, event.who, event.level) == (5.2, 'bridge', Level.ERROR)
    hearing.hear('bridge/state', report(), 7.0)
    hearing.frame(7.0)
    assert words(hearing.fetch_events()) == [('bridge', Level.OK, 'heard')]


def test_targets_are_those_to_which_the_joints_have_come(
    bracken: CalibratedRobot, hearing: Hearing
) -> None:
    """Targets come ahead by their preview; the bridge tells the stamp of where the joints are."""
    stamps = [10 * NANOSECONDS + tick * 10_000_000 for tick in range(20)]
    for stamp in stamps:
        hearing.hear('foot_targets', targets(bracken, stamp), 1.0)
    for stamp in (stamps[3], stamps[12], stamps[-1]):
        hearing.hear('bridge/state', report(stamp), 1.0)
        feet = hearing.frame(1.1).foot_targets
        assert feet is not None
        assert feet[0][2] == pytest.approx(stamp / NANOSECONDS)
    hearing.hear('bridge/state', report(None), 1.2)
    assert hearing.frame(1.3).foot_targets is None


def test_loads_are_told_where_something_measures_all_of_them(
    bracken: CalibratedRobot, hearing: Hearing
) -> None:
    """The bridge sends none; a simulation does."""
    hearing.hear('joint_states', joints(bracken, -0.2), 0.0)
    assert hearing.frame(0.0).loads is None
    hearing.hear('joint_states', joints(bracken, -0.3, loaded=True), 0.1)
    frame = hearing.frame(0.1)
    assert (frame.angles, frame.loads) == ((-0.3,) * 18, tuple(map(float, range(18))))
    names = bracken.robot.joints
    for efforts in ([1.0] * 9, [1.0] * 17 + [nan]):
        half = JointState(name=names, position=[-0.4] * 18, effort=efforts)
        hearing.hear('joint_states', serialize_message(half), 0.2)
        frame = hearing.frame(0.2)
        assert (frame.angles, frame.loads) == ((-0.4,) * 18, None)


def test_a_joint_that_no_pulse_could_lead_there_has_none(
    bracken: CalibratedRobot, hearing: Hearing
) -> None:
    """Where the chain has other servo maps, or simulates: the robot is shown all the same."""
    hearing.hear('joint_states', joints(bracken, 1.7), 0.0)
    frame = hearing.frame(0.0)
    assert (frame.angles, frame.pulses_us) == ((1.7,) * 18, None)
    assert frame.feet is not None


def test_targets_that_are_none_are_told(bracken: CalibratedRobot, hearing: Hearing) -> None:
    """Not finite, or too short for any header."""
    hearing.hear('bridge/state', report(NANOSECONDS), 0.0)
    legs = bracken.robot.leg_names
    wrong = [[(0.0, 0.0, nan)] * len(legs)]
    told = FootTargets(NANOSECONDS, legs, (0.0,), wrong, wrong)
    for data in (serialize_message(messages.foot_targets_message(told)), b'\0\1\0\0'):
        hearing.hear('foot_targets', data, 0.0)
        assert hearing.frame(0.0).foot_targets is None
        assert any(each.who == 'foot_targets' for each in hearing.fetch_events())


def test_a_velocity_has_a_stamp_or_has_none(hearing: Hearing) -> None:
    """As the parameter `cmd_vel_type` of the gait has it, whatever the frame is called."""
    for frame_id in ('', 'base_link', 'a_rather_long_name_of_a_frame'):
        stamped = TwistStamped()
        stamped.header.frame_id = frame_id
        stamped.twist.linear.x, stamped.twist.angular.z = 0.03, 0.4
        for message in (stamped, stamped.twist):
            assert isinstance(message, TwistMessage | TwistStamped)
            hearing.hear('cmd_vel', serialize_message(message), 0.0)
            assert hearing.frame(0.0).wanted == Velocity(0.03, 0.0, 0.4), (frame_id, message)


def test_what_cannot_be_read_is_told_once_and_again_after_something_that_can(
    hearing: Hearing,
) -> None:
    """A frame a thirtieth of a second does not fill the log."""
    for at in (0.0, 0.1):
        hearing.hear('cmd_vel', velocity(Twist(float('nan'))), at)
        assert hearing.frame(at).wanted is None
    (event,) = hearing.fetch_events()
    assert (event.who, event.level) == ('cmd_vel', Level.WARN)
    assert 'finite' in event.words
    hearing.hear('cmd_vel', velocity(Twist(0.1)), 0.2)
    assert hearing.frame(0.2).wanted == Velocity(0.1, 0.0, 0.0)
    hearing.hear('cmd_vel', b'\0\1\0\0nothing', 0.3)
    assert hearing.frame(0.3).wanted is None
    hearing.hear('cmd_vel', velocity(Twist(float('nan'))), 0.4)
    hearing.frame(0.4)
    assert [each.who for each in hearing.fetch_events()] == ['cmd_vel'] * 2
    hearing.hear('/diagnostics', b'\0\1\0\0nothing', 0.5)
    assert [each.who for each in hearing.fetch_events()] == ['/diagnostics']


# ---- how topics come in


def test_rate_latency_and_silence_of_topics_are_told(hearing: Hearing) -> None:
    """Messages a second since the count began anew; a look in between does not disturb it."""
    hearing.statuses(0.0, counting=True)
    for tick in range(200):
        hearing.hear('odom', b'', tick / 100, latency=0.001 * (tick % 3))
    between = {each.name: each for each in hearing.statuses(1.0, counting=False).topics}
    assert between['odom'].rate == 200.0
    told = {each.name: each for each in hearing.statuses(2.0, counting=True).topics}
    assert set(told) == set(Hearing.TOPICS)
    assert (told['odom'].rate, told['odom'].latency, told['odom'].silent) == (100.0, 0.001, 0.01)
    assert (told['cmd_vel'].rate, told['cmd_vel'].latency, told['cmd_vel'].silent) == (
        0.0,
        None,
        None,
    )
    assert {each.name: each.rate for each in hearing.statuses(3.0, counting=True).topics} == (
        dict.fromkeys(Hearing.TOPICS, 0.0)
    )


def test_losses_are_gaps_in_the_numbers_of_each_sender(hearing: Hearing) -> None:
    """A sender that begins anew, comes late, or gives no numbers has lost nothing by that."""

    def hear(numbers: Sequence[int], sender: bytes = b'one') -> int:
        for number in numbers:
            hearing.hear('odom', b'', 0.0, number=number, sender=sender)
        told = {each.name: each.lost for each in hearing.statuses(0.0, counting=False).topics}
        assert sum(told.values()) == told['odom']
        return told['odom']

    assert hear([7, 8, 9]) == 0
    assert hear([10, 12, 13]) == 1
    assert hear([900], b'other') == 1
    assert hear([17]) == 4
    assert hear([901, 903], b'other') == 5
    assert hear([0, 0, 0], b'third') == 5
    assert hear([1, 2, 3]) == 5
    assert hear([6]) == 7


# ---- what nodes say


def test_nodes_are_told_in_the_order_of_the_chain(hearing: Hearing) -> None:
    """Those of other chains are not."""
    for name in ('/bed/zebra', '/bed/bridge', '/bed/gait', '/bedside/gait', '/kinematics'):
        hearing.hear('/diagnostics', said(name, 'well'), 1.0)
    hearing.hear('/diagnostics', said('/bed/kinematics', 'left_front: out', 2), 2.0)
    nodes = hearing.statuses(2.0, counting=False).nodes
    assert [each.name for each in nodes] == ['gait', 'kinematics', 'bridge', 'zebra']
    assert (nodes[1].level, nodes[1].words, nodes[1].at) == (Level.ERROR, 'left_front: out', 2.0)


def test_a_status_is_an_event_when_its_state_or_level_changes(hearing: Hearing) -> None:
    """Not when only its values do; a limit is one when it begins or is another."""

    def say(words: str, level: int = 0, **values: str) -> list[str]:
        hearing.hear('/diagnostics', said('/bed/gait', words, level, values), 1.0)
        return [each.words for each in hearing.fetch_events()]

    assert say('standing', state='standing') == ['standing']
    assert hearing.fetch_change()
    assert not hearing.fetch_change()
    assert say('standing', state='standing', ticks='9') == []
    assert not hearing.fetch_change()
    assert say('walking: 0.1 m/s', state='walking') == ['walking: 0.1 m/s']
    assert say('walking: 0.2 m/s', state='walking') == []
    assert say('walking: 0.2 m/s', 1, state='walking') == ['walking: 0.2 m/s']
    limited = {'state': 'walking', 'limit': 'left_front: 7 rad/s of 6.5'}
    assert say('walking', 1, **limited) == ['limited: left_front: 7 rad/s of 6.5']
    assert say('walking', 1, **limited) == []
    assert say('walking', 1, state='walking', limit='') == []
    assert say('walking', 1, **limited) == ['limited: left_front: 7 rad/s of 6.5']


def test_an_order_is_an_event_each_time(hearing: Hearing) -> None:
    """With its answer; a level that is stale counts as an error."""
    for _ in range(2):
        hearing.hear('orders', said('gait/stand', 'standing up'), 1.0)
    hearing.hear('orders', said('gait/crouch', 'refused: walking', 3), 1.0)
    assert words(hearing.fetch_events()) == [
        ('gait/stand', Level.OK, 'standing up'),
        ('gait/stand', Level.OK, 'standing up'),
        ('gait/crouch', Level.ERROR, 'refused: walking'),
    ]


def test_boards_are_told_of_what_the_bridge_says_of_them(hearing: Hearing) -> None:
    """Each under its name; one that does not tell its voltage has none."""
    values = {
        'main.supply_v': '7.42',
        'main.low_voltage': 'True',
        'main.state': 'taking poses',
        'main.bad_frames': '3',
        'rear.supply_v': 'None',
        'rear.low_voltage': 'False',
        'rear.state': 'looked for',
    }
    hearing.hear('/diagnostics', said('/bed/bridge', 'active', 0, values), 0.0)
    assert hearing.statuses(0.0, counting=False).boards == (
        BoardStatus('main', 'taking poses', 7.42, True, {'bad_frames': 3}),  # noqa: FBT003
        BoardStatus('rear', 'looked for', None, False, {}),  # noqa: FBT003
    )
