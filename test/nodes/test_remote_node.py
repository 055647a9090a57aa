# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `remote`: words and orders of a link in, velocities and calls out, states back.

What a word is worth is judged in `test/remote`.
"""

import shutil
from collections.abc import Iterator
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest
import rclpy
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import PoseStamped, TwistStamped
from nav_msgs.msg import Odometry
from rclpy.client import Client
from std_msgs.msg import Float64
from std_srvs.srv import Trigger

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import DescriptionError
from leg_kinematics.gait import Offset, Twist
from leg_kinematics.nodes.arbiter_node import ArbiterNode
from leg_kinematics.nodes.remote_node import RemoteNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.remote.driving import RemoteRobot, RemoteRobots
from leg_kinematics.remote.keys import REGISTER, KeyFolder, Role
from leg_kinematics.remote.link import DriverLink
from leg_kinematics.remote.words import Order, State
from leg_kinematics.teleop.steering import Wanted

if TYPE_CHECKING:
    from test.fleet import Fleet, free_address
    from test.nodes.conftest import Probe
else:
    from fleet import Fleet, free_address


class Anna:
    """A driver on another machine, who looks 50 times a second.

    Attributes
    ----------
    hand
        What she wants while she holds the control; None while she lets go.
    there
        Whether her program runs.
    told
        Answers to her orders.
    velocities
        On `cmd_vel`.

    """

    def __init__(self, probe: 'Probe', fleet: Fleet, address: str) -> None:
        """Connect with her key."""
        self._probe = probe
        self.there = True
        self.told: list[tuple[str, Answer]] = []
        self.hand: Wanted | None = None
        self.duty_factor: float | None = None
        # On her computer there is a copy.
        copy = fleet.folder.parent / 'copy'
        shutil.copytree(fleet.folder / 'anna', copy)
        key, identity = KeyFolder.load(copy, Role.DRIVER), fleet.robot().identity
        self.identity = key.identity
        link = DriverLink(key, {identity: address})
        self.robots = RemoteRobots(
            link,
            key.identity,
            {'bracken': identity},
            lambda _, order, answer: self.told.append((order, answer)),
        )
        self.robot: RemoteRobot = self.robots.robots['bracken']
        self.velocities = probe.record(TwistStamped, 'cmd_vel')
        probe.node.create_timer(0.02, self._look)
        self.until_heard()

    def _look(self) -> None:
        if not self.there:
            return
        self.robots.step(monotonic)
        wanted = self.hand or Wanted(Twist())
        self.robot.send(
            wanted, monotonic(), held=self.hand is not None, duty_factor=self.duty_factor
        )

    @property
    def state(self) -> State | None:
        """What the robot says."""
        return self.robot.state(monotonic())

    def until_heard(self) -> None:
        """Wait until the robot is heard."""
        self._probe.until(lambda: self.state is not None, 'a state of the robot')

    def until_speed(self, speed: float) -> None:
        """Wait for a velocity ahead."""
        self.velocities.clear()
        self._probe.until(
            lambda: self.velocities and self.velocities[-1].twist.linear.x == pytest.approx(speed),
            f'{speed} m/s',
        )

    def answer(self, order: Order) -> Answer:
        """Order, and wait for the answer."""
        self.told.clear()
        self.robot.order(order, monotonic())
        self._probe.until(lambda: self.told, f'an answer to {order}')
        assert self.told[0][0] == order
        return self.told[0][1]


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    """Make the keys of one robot and two drivers."""
    return Fleet(tmp_path / 'keys', ('bracken',), ('anna', 'bert'))


@pytest.fixture
def anna(probe: 'Probe', fleet: Fleet) -> Iterator[Anna]:
    """Start node and arbiter, and somebody who drives from elsewhere."""
    address = free_address()
    parameters = {'key': str(fleet.folder / 'bracken'), 'listen': address}
    probe.add(RemoteNode(as_overrides(parameters)))
    probe.add(ArbiterNode())
    anna = Anna(probe, fleet, address)
    yield anna
    anna.robots.close()


def test_a_hand_elsewhere_drives_while_it_holds(probe: 'Probe', anna: Anna) -> None:
    """Through the arbiter; both say who drives, and so does the state that comes back."""
    anna.hand = Wanted(Twist(0.03))
    anna.until_speed(0.03)
    probe.wait_for('remote', f'{anna.identity} drives')
    probe.wait_for('arbiter', 'remote/cmd_vel drives')
    probe.until(lambda: anna.state and anna.state.driver == anna.identity, 'who drives')
    anna.hand = None
    anna.until_speed(0.0)
    probe.wait_for('remote', 'nobody drives')
    probe.wait_for('arbiter', 'nobody drives')


def test_a_driver_who_falls_silent_stops_the_robot(probe: 'Probe', anna: Anna) -> None:
    """A last velocity of zero is said, not only silence kept."""
    anna.hand = Wanted(Twist(0.03))
    anna.until_speed(0.03)
    anna.there = False
    anna.until_speed(0.0)
    probe.wait_for('remote', 'nobody drives')


def test_a_body_leans_and_the_walk_changes(probe: 'Probe', anna: Anna) -> None:
    """Offsets and the duty factor come with a press."""
    offsets = probe.record(PoseStamped, 'body_offset')
    factors = probe.record(Float64, 'gait/duty_factor')
    anna.duty_factor = 0.75
    anna.hand = Wanted(Twist(), Offset((0.0, 0.0, 0.01)))
    probe.until(lambda: offsets and factors, 'an offset and a duty factor')
    assert offsets[0].pose.position.z == pytest.approx(0.01)
    assert [each.data for each in factors] == [0.75]


def test_orders_are_answered_by_what_was_done(probe: 'Probe', anna: Anna) -> None:
    """By the words of the service, or that nobody takes them; each of them ends a press."""
    answer = anna.answer(Order.STAND)
    assert not answer.success
    assert answer.words == 'gait/stand: nobody takes this order now'

    def stood(_: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        response.success, response.message = True, 'now standing\n'
        return response

    probe.node.create_service(Trigger, 'gait/stand', stood)
    probe.until(lambda: anna.answer(Order.STAND).success, 'a robot that stands')
    assert anna.told[0][1].words == 'gait/stand: now standing '
    anna.hand = Wanted(Twist(0.03))
    anna.until_speed(0.03)
    assert anna.answer(Order.STOP).success
    anna.until_speed(0.0)
    probe.until(
        lambda: anna.state and anna.state.why.get(anna.identity) == 'stop was ordered', 'why'
    )


def test_an_order_outlives_the_link_that_it_came_by(
    probe: 'Probe', anna: Anna, fleet: Fleet
) -> None:
    """Its answer comes too late for whoever gave it, who is told to look; the node goes on."""
    slow = rclpy.create_node('slow')
    done: list[bool] = []

    def stood(_: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        done.append(True)
        response.success, response.message = True, 'now standing'
        return response

    slow.create_service(Trigger, 'gait/stand', stood)
    client: Client[Trigger.Request, Trigger.Response]
    client = probe.node.create_client(Trigger, 'gait/stand')
    probe.until(client.service_is_ready, 'gait/stand')
    anna.robot.order(Order.STAND, monotonic())
    fleet.authority.issue(Role.DRIVER, 'carl')
    probe.until(lambda: anna.told, 'an answer')
    assert anna.told == [
        (Order.STAND, Answer(success=False, words='not answered: look at the robot'))
    ]
    probe.add(slow)
    probe.until(lambda: done, 'the robot to stand')
    anna.until_heard()
    anna.hand = Wanted(Twist(0.03))
    anna.until_speed(0.03)


def test_states_tell_of_the_nodes_and_where_the_robot_is(probe: 'Probe', anna: Anna) -> None:
    """Of our nodes of this namespace alone; odometry as long as it is new."""
    diagnostics = probe.publisher(DiagnosticArray, '/diagnostics')
    odometry = probe.publisher(Odometry, 'odom')
    status = [
        DiagnosticStatus(name='/greenhouse/gait', message='standing\x1b[2J'),
        DiagnosticStatus(name='/elsewhere/bridge', message='following'),
        DiagnosticStatus(name='/greenhouse/pump', message='on'),
    ]
    message = Odometry()
    message.pose.pose.position.x, message.twist.twist.angular.z = 1.5, 0.2
    # A quarter turn to the left, by hand.
    message.pose.pose.orientation.w = message.pose.pose.orientation.z = 0.5**0.5

    def tell() -> None:
        diagnostics.publish(DiagnosticArray(status=status))
        odometry.publish(message)

    probe.node.create_timer(0.2, tell)
    probe.until(
        lambda: anna.state and anna.state.pose and 'gait' in anna.state.nodes, 'gait and odometry'
    )
    state = anna.state
    assert state is not None
    assert state.nodes['gait'] == 'standing [2J'
    assert set(state.nodes) <= {'gait', 'arbiter', 'remote'}
    assert state.pose == pytest.approx((1.5, 0.0, 1.5708), abs=1e-4)
    assert state.twist == Twist(0.0, 0.0, 0.2)


def test_a_key_that_is_revoked_reaches_nothing_any_more(
    probe: 'Probe', anna: Anna, fleet: Fleet
) -> None:
    """In the middle of a walk: the robot stops, and nothing is heard from it."""
    anna.hand = Wanted(Twist(0.03))
    anna.until_speed(0.03)
    fleet.authority.revoke('anna')
    anna.until_speed(0.0)
    probe.until(lambda: anna.state is None, 'silence')
    anna.velocities.clear()
    probe.until(lambda: probe.values['remote'].get('linked') == anna.identity, 'a link anew')
    # The hand may learn only now that its press has ended; once it has let go there is none.
    anna.robot.send(Wanted(Twist()), monotonic(), held=False)
    assert anna.robot.send(Wanted(Twist()), monotonic(), held=False) == ''
    assert not any(each.twist.linear.x for each in anna.velocities)


def test_without_a_register_nobody_gets_in(probe: 'Probe', anna: Anna, fleet: Fleet) -> None:
    """It may have been damaged while it was copied; with a whole one all is well."""
    register = fleet.folder / 'bracken' / REGISTER
    whole = register.read_text()
    register.write_text('drivers: {}')
    probe.wait_for_words('remote', 'no link: ')
    probe.wait_for_words('remote', 'expected robots and drivers')
    register.write_text(whole)
    anna.until_heard()
    probe.wait_for('remote', 'nobody drives')


def test_it_waits_for_its_address(probe: 'Probe', fleet: Fleet) -> None:
    """Such as that of an interface which is not up yet: it is told, and tried again."""
    key = str(fleet.folder / 'bracken')
    # An address of documentation (RFC 5737), which no computer has.
    probe.add(RemoteNode(as_overrides({'key': key, 'listen': '192.0.2.1:7447'})))
    probe.wait_for_words('remote', 'no link: the link with the key')


@pytest.mark.usefixtures('ros')
def test_a_key_that_is_none_ends_the_node(fleet: Fleet) -> None:
    """That of a driver is not that of a robot."""
    with pytest.raises(DescriptionError, match='the key of a driver, and that of a robot is need'):
        RemoteNode(as_overrides({'key': str(fleet.folder / 'anna')}))
