# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Nodes `teleop` and `arbiter`: messages of a pad in, a velocity and orders out.

What a pad means is judged in `test/teleop`, and what it does to a robot in
`test/lockstep/test_driven_by_hand.py`.
"""

from collections.abc import Callable
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from geometry_msgs.msg import PoseStamped, TwistStamped
from sensor_msgs.msg import Joy
from std_msgs.msg import Float64
from std_srvs.srv import Trigger

from leg_kinematics.nodes.arbiter_node import ArbiterNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.teleop_node import TeleopNode
from leg_kinematics.teleop.layout import JoyTable, load_layout

if TYPE_CHECKING:
    from test.nodes.conftest import Probe

LAYOUT = Path(__file__).parents[2] / 'config' / 'layouts' / 'two_sticks_four_buttons.yaml'


class Hands:
    """Somebody at a pad whose reader sends 50 messages a second, and what comes of it.

    Attributes
    ----------
    velocities
        On `cmd_vel`.
    frozen
        Whether the stamps stand still.

    """

    def __init__(self, probe: 'Probe') -> None:
        """Begin with a pad that nobody touches."""
        table = load_layout(LAYOUT).joy
        assert table is not None
        self._table: JoyTable = table
        self._probe = probe
        self.velocities = probe.record(TwistStamped, 'cmd_vel')
        self._out = probe.publisher(Joy, 'joy')
        self.frozen = False
        self._message = Joy()
        self.hold()
        probe.node.create_timer(0.02, self._send)

    def hold(self, *buttons: str, **axes: float) -> None:
        """Hold the pad like that from now on."""
        values, pressed = ([0] * length for length in self._table.lengths)
        message = Joy(axes=[float(each) for each in values], buttons=pressed)
        for name, value in axes.items():
            slot = self._table.axes[name]
            message.axes[slot.index] = slot.end * value
        for name in buttons:
            message.buttons[self._table.buttons[name].index] = 1
        message.header.stamp = self._message.header.stamp
        self._message = message

    def spoil(self) -> None:
        """Have an axis be no number from now on."""
        self._message.axes[0] = nan

    def _send(self) -> None:
        if not self.frozen:
            self._message.header.stamp = self._probe.node.get_clock().now().to_msg()
        self._out.publish(self._message)

    def until_ready(self) -> None:
        """Let go of everything until the pad may drive."""
        self.hold()
        self._probe.wait_for_words('teleop', 'ready')

    def until_speed(self, speed: float) -> None:
        """Wait for a velocity ahead."""
        self.velocities.clear()
        self._probe.until(
            lambda: self.velocities and self.velocities[-1].twist.linear.x == pytest.approx(speed),
            f'{speed} m/s',
        )


@pytest.fixture
def hands(probe: 'Probe') -> Hands:
    """Start both nodes, and somebody at a pad."""
    probe.add(TeleopNode(as_overrides({'layout': str(LAYOUT)})))
    probe.add(ArbiterNode())
    return Hands(probe)


def test_a_pad_drives_while_it_is_held(probe: 'Probe', hands: Hands) -> None:
    """From its messages to `cmd_vel`, through the arbiter, which says who drives."""
    hands.until_ready()
    hands.hold('leftshoulder', 'rightshoulder', lefty=-1.0)
    hands.until_speed(0.12)
    probe.wait_for('arbiter', 'teleop/cmd_vel drives')
    probe.wait_for('teleop', 'driving')
    hands.hold(lefty=-1.0)
    hands.until_speed(0.0)
    probe.wait_for('arbiter', 'nobody drives')


def freeze(hands: Hands) -> None:
    """Have the reader repeat its last message."""
    hands.frozen = True


@pytest.mark.parametrize(
    ('happen', 'words'),
    [
        (freeze, 'the stamp of the pad stands still'),
        (Hands.spoil, 'axis 0 of joy must be from -1 to 1 (got nan)'),
    ],
)
def test_what_is_no_input_stops_the_robot(
    probe: 'Probe', hands: Hands, happen: Callable[[Hands], None], words: str
) -> None:
    """It is told what is wrong; the hold control has to be pressed anew."""
    hands.until_ready()
    hands.hold('leftshoulder', lefty=-1.0)
    hands.until_speed(0.04)
    happen(hands)
    probe.wait_for_words('teleop', f'no pad: {words}')
    hands.until_speed(0.0)
    hands.frozen = False
    hands.hold('leftshoulder', lefty=-1.0)
    probe.wait_for_words('teleop', 'let go of leftshoulder, then press it again')
    hands.until_ready()
    hands.hold('leftshoulder', lefty=-1.0)
    hands.until_speed(0.04)


def until_answered(probe: 'Probe', words: str) -> None:
    """Wait until the node tells this answer of an order."""
    probe.until(lambda: probe.values['teleop']['last_answer'] == words, words)


def test_buttons_give_orders(probe: 'Probe', hands: Hands) -> None:
    """Stand and crouch while it is held, a release always; what they answered is told."""
    called: list[str] = []

    def offer(name: str) -> None:
        def answer(_: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
            called.append(name)
            response.success, response.message = True, f'{name} was done'
            return response

        probe.node.create_service(Trigger, name, answer)

    duty_factors = probe.record(Float64, 'gait/duty_factor')
    offsets = probe.record(PoseStamped, 'body_offset')
    for button, name in (('start', 'gait/stand'), ('back', 'gait/crouch'), ('b', 'bridge/release')):
        offer(name)
        hands.until_ready()
        if button != 'b':
            hands.hold('leftshoulder')
            probe.wait_for('teleop', 'driving')
            hands.hold('leftshoulder', button)
        else:
            hands.hold(button)
        until_answered(probe, f'{name}: {name} was done')
    assert called == ['gait/stand', 'gait/crouch', 'bridge/release']
    hands.until_ready()
    hands.hold('leftshoulder', 'dpup')
    hands.until_ready()
    hands.hold('leftshoulder')
    probe.wait_for('teleop', 'driving')
    hands.hold('leftshoulder', 'dpup', righttrigger=1.0, lefty=-1.0)
    probe.until(lambda: duty_factors and offsets, 'a duty factor and a lean')
    assert duty_factors[0].data == pytest.approx(2 / 3)
    probe.until(lambda: offsets[-1].pose.orientation.y > 0.0, 'the nose down')


def test_a_release_that_nobody_takes_is_told_and_tried_again(probe: 'Probe', hands: Hands) -> None:
    """Until somebody answers."""
    hands.until_ready()
    hands.hold('b')
    probe.until(
        lambda: 'it is tried again' in probe.values['teleop']['last_answer'], 'the first answer'
    )

    def answer(_: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        response.success, response.message = True, 'off'
        return response

    probe.node.create_service(Trigger, 'bridge/release', answer)
    until_answered(probe, 'bridge/release: off')


def test_a_second_driver_and_a_stop_are_told(probe: 'Probe', hands: Hands) -> None:
    """A lower one is refused while the pad is held; anybody may stop."""
    hands.until_ready()
    hands.hold('leftshoulder', lefty=-1.0)
    hands.until_speed(0.04)
    nav = probe.publisher(TwistStamped, 'nav/cmd_vel')
    ahead = TwistStamped()
    ahead.twist.linear.x = 0.3
    timer = probe.node.create_timer(0.05, lambda: nav.publish(ahead))
    probe.wait_for_words('arbiter', 'nav/cmd_vel is refused: teleop/cmd_vel drives, whose priority')
    assert max(each.twist.linear.x for each in hands.velocities) == pytest.approx(0.04)
    response = probe.call(Trigger, 'arbiter/stop', Trigger.Request())
    assert response.success
    assert 'teleop/cmd_vel was driving and is stopped' in response.message
    hands.until_speed(0.0)
    probe.wait_for_words('arbiter', 'stopped by an order')
    timer.destroy()
