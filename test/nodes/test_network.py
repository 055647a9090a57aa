# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whom a command reaches: by default this machine alone, and what is refused instead of ignored.

That nobody else is reached is seen in `test/network`. The variables are those of the documentation
of ROS 2 ("Improved Dynamic Discovery"), Fast DDS ("Environment variables") and Cyclone DDS
("Configuration guide").
"""

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from leg_kinematics.commands.main import main
from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.running import network
from leg_kinematics.nodes.running.network import reaching
from leg_kinematics.nodes.running.reach import Reach

if TYPE_CHECKING:
    from test.namespaces import Machines

PROFILE = Path('this_machine.xml')

SET_BY_PEOPLE = [
    ('rmw_fastrtps_cpp', 'FASTDDS_DEFAULT_PROFILES_FILE', '/home/ada/mine.xml'),
    ('rmw_fastrtps_cpp', 'FASTRTPS_DEFAULT_PROFILES_FILE', '/home/ada/mine.xml'),
    ('rmw_fastrtps_dynamic_cpp', 'ROS_DISCOVERY_SERVER', '10.0.0.5:11811'),
    ('rmw_cyclonedds_cpp', 'CYCLONEDDS_URI', 'file:///home/ada/mine.xml'),
    ('rmw_fastrtps_cpp', 'ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST'),
    ('rmw_cyclonedds_cpp', 'ROS_LOCALHOST_ONLY', '1'),
]


class Setting:
    """Sets the environment and the middleware, and asks what becomes of them."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        """Choose nothing."""
        self._patch = patch
        for name in network.OF_ROS + network.FAST_DDS_PROFILES:
            patch.delenv(name, raising=False)
        self.told: list[str] = []
        self.middleware('rmw_fastrtps_cpp')

    def middleware(self, name: str) -> None:
        """Run on a middleware."""
        self._patch.setattr(network, 'get_rmw_implementation_identifier', lambda: name)

    def choose(self, **variables: str) -> None:
        """Set variables as a person does."""
        for name, value in variables.items():
            self._patch.setenv(name, value)

    def environment(self, named: str | None = None) -> dict[str, str]:
        """Return what a command changes in the environment."""
        before = dict(os.environ)
        with reaching(named, PROFILE, self.told.append):
            changed = {k: v for k, v in os.environ.items() if before.get(k) != v}
        assert dict(os.environ) == before
        return changed


@pytest.fixture
def setting(monkeypatch: pytest.MonkeyPatch) -> Setting:
    """Begin with an empty environment and Fast DDS."""
    return Setting(monkeypatch)


def test_by_default_this_machine(setting: Setting) -> None:
    """By the profile that is shipped, whatever profile lies in the working folder; no word."""
    setting.choose(ROS_DOMAIN_ID='7', ROS_AUTOMATIC_DISCOVERY_RANGE='SYSTEM_DEFAULT')
    assert setting.environment() == {
        network.PROFILES_HERE: 'this_machine.xml',
        'SKIP_DEFAULT_XML_FILE': '1',
    }
    setting.middleware('rmw_cyclonedds_cpp')
    assert setting.environment() == {'CYCLONEDDS_URI': network.CYCLONE_THIS_MACHINE}
    assert setting.told == []


@pytest.mark.parametrize(('middleware', 'name', 'value'), SET_BY_PEOPLE)
def test_what_a_person_has_set_stays(
    setting: Setting, middleware: str, name: str, value: str
) -> None:
    """And is told; that it contradicts a network that is named is refused."""
    setting.middleware(middleware)
    setting.choose(**{name: value})
    assert setting.environment() == {}
    assert setting.told == [f'Whom ROS 2 reaches was chosen by {name}={value}; it is left so.']
    with pytest.raises(CommandError, match=rf'{name}={value}.*unset it.*--network environment'):
        setting.environment('wlan0')


def test_the_environment_is_gone_by_on_request(setting: Setting) -> None:
    """Whatever it says, and whatever the middleware is."""
    setting.choose(ROS_LOCALHOST_ONLY='1')
    setting.middleware('rmw_connextdds')
    assert setting.environment('environment') == {}
    assert setting.told == []


def test_a_middleware_that_cannot_be_told_is_refused(setting: Setting) -> None:
    """By default as well: nobody's robot is open to the network for want of a setting."""
    setting.middleware('rmw_connextdds')
    with pytest.raises(CommandError, match='rmw_connextdds cannot be kept to this machine'):
        setting.environment()


def test_a_network_that_was_named(setting: Setting, monkeypatch: pytest.MonkeyPatch) -> None:
    """Peers that were named go well with it; the profile is gone with the command."""
    monkeypatch.setattr(network, 'address_of', lambda *_: '10.77.0.1')
    setting.choose(ROS_STATIC_PEERS='10.77.0.2', ROS_AUTOMATIC_DISCOVERY_RANGE='SUBNET')
    changed = setting.environment('garden0')
    profile = Path(changed[network.PROFILES_HERE])
    assert not profile.exists()
    setting.middleware('rmw_cyclonedds_cpp')
    assert 'address="10.77.0.1"' in setting.environment('garden0')['CYCLONEDDS_URI']
    assert setting.told == []


ADDRESSES = """
from leg_kinematics.nodes.running.interfaces import address_of
print(address_of('garden0', print), address_of('10.77.0.1', print))
"""


def test_the_address_of_an_interface(machines: 'Machines') -> None:
    """Or an address itself; each is waited for until the cable is in."""
    robot, other = machines.machine('robot'), machines.machine('other')
    machines.cable(robot, other, ('garden0', 'street0'))
    robot.address('garden0', '10.77.0.1/24')
    process = subprocess.Popen(
        robot.command(sys.executable, '-uc', ADDRESSES), stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == (
        'waiting for the network garden0 to be up; this machine has: garden0 (10.77.0.1, no link)\n'
    )
    other.address('street0', '10.77.0.2/24')
    assert process.communicate(timeout=30)[0] == '10.77.0.1 10.77.0.1\n'


@pytest.mark.parametrize(
    ('named', 'wrong'),
    [
        ('lo', 'is this machine'),
        ('127.0.0.1', 'is this machine'),
        ('0.0.0.0', 'no address of an interface'),  # noqa: S104  refused
        ('239.255.0.1', 'no address of an interface'),
        ('fe80::1', 'expected an IPv4 address'),
        ('10.77.0.0/24', 'expected an IPv4 address'),
        ('greenhouse-wireless', 'expected an IPv4 address'),
        ('', 'expected an IPv4 address'),
    ],
)
def test_what_cannot_be_a_network_is_refused(named: str, wrong: str) -> None:
    """At once, and by exit code 2."""
    result = CliRunner().invoke(main, ['record', '--network', named])
    assert result.exit_code == 2
    assert wrong in ' '.join(result.output.replace('│', ' ').split())


@pytest.mark.parametrize(
    ('reach', 'is_open', 'words'),
    [
        (Reach((), 7, secured=False), False, 'programs of this machine alone, in ROS domain 7'),
        (
            Reach((), 7, secured=False, connected=False),
            False,
            'from one that comes later it is not',
        ),
        (Reach(('wlan0 (10.0.0.5)',), 7, secured=True), False, 'with keys of DDS security'),
        (Reach(('wlan0 (10.0.0.5)',), 7, secured=False), True, 'without a key anybody there can'),
    ],
)
def test_reach_in_words(reach: Reach, words: str, *, is_open: bool) -> None:
    """What matters is told each time."""
    assert reach.open is is_open
    assert words in str(reach)


PROCESS = """
import rclpy
from leg_kinematics.nodes.running.reach import reach_of_this_process
rclpy.init()
node = rclpy.create_node('alone')
reach = reach_of_this_process(node.context.get_domain_id())
print(reach.networks, reach.secured, reach.connected)
node.destroy_node()
rclpy.shutdown()
"""


def test_reach_is_seen_by_sockets(machines: 'Machines') -> None:
    """Of a node as ROS 2 starts it, on no network and on one; on one interface with its profile."""
    robot, other = machines.machine('robot'), machines.machine('other')
    environment = {name: value for name, value in os.environ.items() if 'FASTDDS' not in name}

    def seen(**more: str) -> str:
        done = subprocess.run(
            robot.command(sys.executable, '-c', PROCESS),
            env=environment | more,
            stdout=subprocess.PIPE,
            text=True,
            check=True,
        )
        return done.stdout.strip()

    assert seen() == '() False False'
    machines.cable(robot, other, ('garden0', 'street0'))
    robot.address('garden0', '10.77.0.1/24')
    other.address('street0', '10.77.0.2/24')
    assert seen() == "('garden0 (10.77.0.1)',) False True"
    assert seen(FASTDDS_DEFAULT_PROFILES_FILE=os.environ['FASTDDS_DEFAULT_PROFILES_FILE']) == (
        '() False True'
    )


#: They read recordings, in which a namespace is a part of the names.
RECORDED = {'compare', 'inspect'}


def test_every_command_that_meets_robots_can_be_told_the_network() -> None:
    """What has a namespace of the graph has the option, and so keeps to this machine without."""
    options = {
        name: {parameter.name for parameter in command.params}
        for name, command in main.commands.items()
    }
    meeting = {name for name, names in options.items() if 'namespace' in names} - RECORDED
    assert {'run', 'drive', 'move', 'play', 'jog', 'record', 'replay', 'view'} <= meeting
    assert {name for name in meeting if 'network' not in options[name]} == set()
