# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The policy for DDS security allows what the nodes really do, and nothing else.

Its elements are those of the published schema of such policies (`policy.xsd` of the package sros2,
version 0.2.0), its names are meant as that package reads them: from the root, from the namespace of
the node, or behind `~` from the node itself.
"""

import gc
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
from rclpy.node import Node
from rclpy.parameter import Parameter

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.solving import LineParameters
from leg_kinematics.commands.driving.driven_by_topics import THROUGH_ARBITER
from leg_kinematics.moves.moving import Moving, MovingParameters
from leg_kinematics.nodes.arbiter_node import ArbiterNode
from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.driver import STOP_EVERYBODY, DriverTopics
from leg_kinematics.nodes.gait_node import GaitNode
from leg_kinematics.nodes.kinematics_node import KinematicsNode
from leg_kinematics.nodes.moving_topics import MovingTopics
from leg_kinematics.nodes.player_node import PlayerNode
from leg_kinematics.nodes.remote_node import RemoteNode
from leg_kinematics.nodes.taking_part.joining import RunningChain
from leg_kinematics.nodes.taking_part.participant import Participant
from leg_kinematics.nodes.taking_part.recorder import CONTACTS, TOPICS, Recorder
from leg_kinematics.nodes.teleop_node import TeleopNode
from leg_kinematics.nodes.viewer import LiveHouse

if TYPE_CHECKING:
    from test.fleet import Fleet
else:
    from fleet import Fleet

CONFIG = Path(__file__).parents[2] / 'config'

#: Of the schema: what an element may have in it, which attributes it must have and may have.
SCHEMA: Mapping[str, tuple[set[str], set[str], set[str]]] = {
    'policy': ({'enclaves'}, {'version'}, set()),
    'enclaves': ({'enclave'}, set(), set()),
    'enclave': ({'profiles'}, {'path'}, set()),
    'profiles': ({'profile'}, set(), {'type'}),
    'profile': ({'topics', 'services', 'actions'}, {'ns', 'node'}, set()),
    'topics': ({'topic'}, set(), {'publish', 'subscribe'}),
    'services': ({'service'}, set(), {'reply', 'request'}),
    'topic': (set(), set(), set()),
    'service': (set(), set(), set()),
}

Allowed = frozenset[tuple[str, str]]

NAMESPACE = '/greenhouse'

#: For the graph to learn of what is made, s.
PATIENCE = 60.0

#: What is done by some robots only, or later: `/tf` wants tf2_msgs, contacts want a parameter,
#: who moves feet asks the chain that he finds for its parameters, and a page drives the gait
#: itself where there is no arbiter.
NOT_ALWAYS: Mapping[str, set[tuple[str, str]]] = {
    'viewer': {('publish', 'cmd_vel')},
    'gait': {('publish', '/tf'), ('subscribe', 'contacts/*')},
    'mover': {('request', 'kinematics/get_parameters'), ('request', 'bridge/change_state')},
}

FILES = {
    'robot': str(CONFIG / 'robots' / 'bracken.yaml'),
    'servo_maps': str(CONFIG / 'servo_maps' / 'bracken.yaml'),
}


def done_by(node: Node, name: str) -> Allowed:
    """Give what a node does by topics and services, with names in its namespace."""
    asked = {
        'publish': node.get_publisher_names_and_types_by_node,
        'subscribe': node.get_subscriber_names_and_types_by_node,
        'reply': node.get_service_names_and_types_by_node,
        'request': node.get_client_names_and_types_by_node,
    }
    return frozenset(
        (how, each.removeprefix(f'{NAMESPACE}/'))
        for how, ask in asked.items()
        for each, _ in ask(name, NAMESPACE)
    )


def all_is_known_of(node: Node) -> bool:
    """Tell whether the graph knows all that a node has made: it learns of it a moment later."""
    name = node.get_name()
    published = node.get_publisher_names_and_types_by_node(name, NAMESPACE)
    subscribed = node.get_subscriber_names_and_types_by_node(name, NAMESPACE)
    replied = node.get_service_names_and_types_by_node(name, NAMESPACE)
    requested = node.get_client_names_and_types_by_node(name, NAMESPACE)
    return (
        {each.topic_name for each in node.publishers} <= {topic for topic, _ in published}
        and {each.topic_name for each in node.subscriptions} <= {topic for topic, _ in subscribed}
        and {each.service_name for each in node.services} <= {service for service, _ in replied}
        and {each.service_name for each in node.clients} <= {service for service, _ in requested}
    )


@pytest.fixture
def done(ros: None, tmp_path: Path) -> Iterator[dict[str, Allowed]]:  # noqa: ARG001
    """Make every node, and give what each does."""
    values: dict[str, dict[str, Any]] = {
        'bridge': {'boards': ['main=framed:/dev/null']},
        'player': {'sequence': str(CONFIG / 'sequences' / 'nod.yaml')},
        'teleop': {'layout': str(CONFIG / 'layouts' / 'two_sticks_four_buttons.yaml')},
        # An address of documentation (RFC 5737), which no computer has.
        'remote': {
            'key': str(Fleet(tmp_path / 'keys').robot().folder),
            'listen': '192.0.2.1:7447',
        },
    }

    def overrides(name: str) -> 'list[Parameter[Any]]':
        given = values.get(name, {}) | ({} if name in {'teleop', 'arbiter', 'remote'} else FILES)
        return [Parameter(key, value=value) for key, value in given.items()]

    robot = CalibratedRobot.load(*map(Path, FILES.values()))
    # What is left of nodes that other tests had by these names would be taken for these.
    gc.collect()
    with ExitStack() as stack:
        nodes: list[Node] = [
            KinematicsNode(overrides('kinematics')),
            GaitNode(overrides('gait')),
            BridgeNode(overrides('bridge')),
            PlayerNode(overrides('player')),
            TeleopNode(overrides('teleop')),
            ArbiterNode(overrides('arbiter')),
            RemoteNode(overrides('remote')),
        ]
        for node in nodes:
            stack.callback(node.destroy_node)
        drive = stack.enter_context(Participant('drive', NAMESPACE, triggers=(STOP_EVERYBODY,)))
        for topic in (THROUGH_ARBITER, 'cmd_vel'):
            DriverTopics(drive.node, topic, lambda *_: None)
        mover = stack.enter_context(Participant('mover', NAMESPACE))
        chain = RunningChain(robot, (Path(), Path()), LineParameters(), 'base_link')
        MovingTopics(mover.node, Moving(chain.calibrated), MovingParameters())
        recorder = stack.enter_context(Recorder(NAMESPACE, [], lambda *_: None))
        house = LiveHouse(NAMESPACE, control=True)
        stack.callback(house.close)
        nodes += [drive.node, mover.node, house._node, house._ears]  # noqa: SLF001
        end = monotonic() + PATIENCE
        while not all(map(all_is_known_of, nodes)):
            assert monotonic() < end, 'the graph does not get to know what was made'
            nodes[0].wait_for_node('nobody', 0.05)  # which looks at the graph meanwhile
        found = {node.get_name(): done_by(node, node.get_name()) for node in nodes}
        # What it hears it asks for once somebody sends it.
        heard = [('subscribe', topic) for topic in (*TOPICS, f'{CONTACTS}*', '/diagnostics')]
        asked = done_by(recorder._node, 'recorder')  # noqa: SLF001  others see it later
        yield found | {'recorder': asked.union(heard)}
    gc.collect()


@pytest.fixture(scope='module')
def policy() -> ET.Element:
    """Read the policy."""
    return ET.parse(CONFIG / 'security' / 'policy.xml').getroot()


def allowed(profile: ET.Element) -> Allowed:
    """Give what a profile allows."""
    return frozenset(
        (how, str(one.text)) for group in profile for how in group.attrib for one in group
    )


def test_it_is_written_by_the_schema(policy: ET.Element) -> None:
    """Nothing in it that no reader of policies would know, and nothing denied.

    The tool of ROS 2 (`generate_artifacts` of sros2) takes a comment there for an enclave.
    """
    text = (CONFIG / 'security' / 'policy.xml').read_text(encoding='utf-8')
    assert '<!--' not in text[text.index('<policy') :]
    assert policy.get('version') == '0.2.0'
    assert policy.tag == 'policy'
    for element in policy.iter():
        children, needed, optional = SCHEMA[element.tag]
        assert {child.tag for child in element} <= children
        assert needed <= set(element.attrib) <= needed | optional
        assert bool(element.text and element.text.strip()) is not bool(children)
        if element.tag in {'topics', 'services'}:
            assert list(element.attrib.values()) == ['ALLOW']


def test_it_allows_what_the_nodes_do(policy: ET.Element, done: dict[str, Allowed]) -> None:
    """All of it, for every node, and nothing that it does not do."""
    profiles = {each.get('node'): allowed(each) for each in policy.iter('profile')}
    assert profiles.keys() == done.keys()
    for node, does in done.items():
        assert profiles[node] - NOT_ALWAYS.get(node, set()) == does - NOT_ALWAYS.get(node, set())
        assert NOT_ALWAYS.get(node, set()) <= profiles[node]


def test_who_only_drives_powers_nothing(policy: ET.Element) -> None:
    """Nor does who records: neither may ask what gives servos their power, nor lead the joints."""
    powers = {
        ('request', 'bridge/change_state'),
        ('request', 'bridge/rearm'),
        ('publish', 'joint_trajectory'),
        ('publish', 'foot_targets'),
    }
    (mover,) = policy.iterfind(".//profile[@node='mover']")
    assert allowed(mover) & powers
    for name in ('drive', 'recorder', 'viewer', 'viewer_ears'):
        (profile,) = policy.iterfind(f".//profile[@node='{name}']")
        assert not allowed(profile) & powers


#: A keystore as the tool of ROS 2 makes it has these in each enclave ("ROS 2 Security Enclaves").
ENCLAVE = (
    *('identity_ca.cert.pem', 'cert.pem', 'key.pem'),
    *('permissions_ca.cert.pem', 'governance.p7s', 'permissions.p7s'),
)


@pytest.mark.parametrize(('command', 'filled'), [('run', False), ('run', True), ('record', True)])
def test_enforced_without_keys_nothing_starts(
    command: str, tmp_path: Path, *, filled: bool
) -> None:
    """Neither without a keystore nor with a worthless one, nor where Fast DDS has no security."""
    if filled:
        (tmp_path / 'enclaves').mkdir()
        for name in ENCLAVE:
            (tmp_path / 'enclaves' / name).write_text('worthless\n', encoding='ascii')
    working = tmp_path / 'working'
    working.mkdir()
    ended = subprocess.run(
        [sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()', command],
        env=os.environ
        | {
            'ROS_SECURITY_ENABLE': 'true',
            'ROS_SECURITY_STRATEGY': 'Enforce',
            'ROS_SECURITY_KEYSTORE': str(tmp_path),
        },
        cwd=working,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 2
    assert 'ROS 2 does not' in ended.stderr
    assert 'Traceback' not in ended.stderr
    assert not list(working.iterdir())
