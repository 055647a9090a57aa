# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Parameters of the nodes: checked at the start, described, and dumped to be given again."""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from functools import cache
from math import nan
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import pytest
import yaml
from rcl_interfaces.msg import Parameter as ParameterMessage
from rcl_interfaces.msg import ParameterType, ParameterValue
from rcl_interfaces.srv import DescribeParameters, GetParameters, ListParameters, SetParameters
from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter
from rclpy.parameter import parameter_value_to_python

from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.arbiter_node import ArbiterNode
from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.gait_node import GaitNode
from leg_kinematics.nodes.kinematics_node import KinematicsNode
from leg_kinematics.nodes.player_node import PlayerNode
from leg_kinematics.nodes.remote_node import RemoteNode
from leg_kinematics.nodes.running.catalogue import NODES
from leg_kinematics.nodes.running.parameters import as_overrides, descriptor_of
from leg_kinematics.nodes.teleop_node import TeleopNode
from leg_kinematics.parameters import Parameter, Value, validate

if TYPE_CHECKING:
    from test.fleet import Fleet
    from test.nodes.conftest import Probe
else:
    from fleet import Fleet

EVERY = [(node, each) for node, declared in NODES.items() for each in declared]


@pytest.mark.parametrize(('node', 'parameter'), EVERY)
def test_every_default_is_valid_or_must_be_set(node: str, parameter: Parameter) -> None:
    """No default breaks its own declaration, and every number has both bounds."""
    assert parameter.meaning, node
    if parameter.required and parameter.default in ('', []):
        with pytest.raises(CommandError, match='must be set'):
            validate([parameter], {})
        return
    assert validate([parameter], {}) == {parameter.name: parameter.default}
    if type(parameter.default) in {float, int}:
        assert parameter.lowest is not None
        assert parameter.highest is not None
        assert parameter.lowest < parameter.highest


def test_the_example_file_sets_what_is_the_default_anyway(nodes_yaml: Path) -> None:
    """What `config/nodes.yaml` sets is known to the node that it names, in any namespace."""
    document = yaml.safe_load(nodes_yaml.read_text(encoding='utf-8'))
    assert document
    for pattern, content in document.items():
        prefix, _, node = pattern.removeprefix('/**').rpartition('/')
        assert pattern.startswith('/**')
        assert not prefix
        assert list(content) == ['ros__parameters']
        for declared in [NODES[node]] if node else NODES.values():
            defaults = {parameter.name: parameter.default for parameter in declared}
            assert defaults | content['ros__parameters'] == defaults


CONFIG = Path(__file__).parents[2] / 'config'
NOD = CONFIG / 'sequences' / 'nod.yaml'
LAYOUT = CONFIG / 'layouts' / 'two_sticks_four_buttons.yaml'

KINDS: Mapping[str, Callable[..., Node]] = {
    'kinematics': KinematicsNode,
    'gait': GaitNode,
    'bridge': BridgeNode,
    'player': PlayerNode,
    'teleop': TeleopNode,
    'arbiter': ArbiterNode,
    'remote': RemoteNode,
}


#: These need not know which robot it is.
WITHOUT_ROBOT = ('teleop', 'arbiter', 'remote')


#: A place for keys that goes when the tests end.
PLACE = TemporaryDirectory()

#: Addresses of documentation (RFC 5737), which no computer has: there nobody listens.
NOWHERE, ELSEWHERE = '192.0.2.1:7447', '192.0.2.2:7447'


@cache
def robot_key() -> str:
    """Make a key for the node that needs one."""
    return str(Fleet(Path(PLACE.name) / 'keys').robot().folder)


def overrides_of(node: str, files: Mapping[str, str]) -> dict[str, Value]:
    """Return what a node needs."""
    if node in WITHOUT_ROBOT:
        if node == 'remote':
            return {'key': robot_key(), 'listen': NOWHERE}
        return {'layout': str(LAYOUT)} if node == 'teleop' else {}
    needed: dict[str, Value] = {**files}
    if node == 'player':
        needed |= {'sequence': str(NOD)}
    return needed | {'boards': ['main=framed:/nowhere']} if node == 'bridge' else needed


@pytest.mark.usefixtures('ros')
@pytest.mark.parametrize('node', list(KINDS))
def test_a_node_refuses_an_unknown_parameter(node: str, files: dict[str, str]) -> None:
    """A misspelt key is an error instead of a default that nobody wanted."""
    with pytest.raises(CommandError, match="unknown parameter 'max_comand_age'"):
        KINDS[node](as_overrides(overrides_of(node, files) | {'max_comand_age': 1.0}))


@pytest.mark.usefixtures('ros')
@pytest.mark.parametrize('node', sorted(KINDS.keys() - set(WITHOUT_ROBOT)))
def test_a_node_needs_its_robot(node: str) -> None:
    """Without files it does not start, and says which parameter is missing."""
    with pytest.raises(CommandError, match="'robot' must be set"):
        KINDS[node]()


@pytest.mark.usefixtures('ros')
@pytest.mark.parametrize(
    ('value', 'words'), [(nan, 'nan'), (1000.0, '1000'), ('fast', "'fast'"), ([1.0], '[1.0]')]
)
def test_a_node_refuses_a_wrong_value(
    value: float | str | list[float], words: str, files: dict[str, str]
) -> None:
    """The same validation serves the start of a node."""
    overrides = [*as_overrides({**files}), RosParameter('rate', value=value)]
    with pytest.raises(CommandError, match="'rate' must be") as caught:
        GaitNode(overrides)
    assert words in str(caught.value)


@pytest.mark.usefixtures('ros')
def test_a_node_tells_all_that_is_wrong_with_its_parameters(files: dict[str, str]) -> None:
    """Nobody starts it as often as there are mistakes."""
    with pytest.raises(CommandError) as caught:
        GaitNode(as_overrides({**files, 'lift': 30.0, 'swing_tim': 0.5, 'phases': ['nose']}))
    for words in (
        "'lift' must be a number in [0.001, 0.5] m (got 30.0)",
        "unknown parameter 'swing_tim'; did you mean swing_time",
        "'phases' must list LEG=PHASE",
    ):
        assert words in str(caught.value)


@pytest.mark.usefixtures('ros')
def test_the_bridge_wants_exactly_the_boards_of_its_servo_maps(files: dict[str, str]) -> None:
    """Another name is refused with both lists."""
    with pytest.raises(CommandError, match='expected main \\(got tail\\)'):
        BridgeNode(as_overrides({**files, 'boards': ['tail=framed:/nowhere']}))


@pytest.mark.usefixtures('ros')
def test_boards_must_wait_for_three_ticks_before_they_react(files: dict[str, str]) -> None:
    """Both parameters are named with their values; at three ticks the bridge starts."""
    given: dict[str, Value] = {**files, 'boards': ['main=framed:/nowhere'], 'rate': 20.0}
    with pytest.raises(CommandError) as caught:
        BridgeNode(as_overrides(given | {'board_silence': 0.149}))
    for words in ("'board_silence' 0.149 s", "'rate' 20 Hz", '0.15 s'):
        assert words in str(caught.value)
    BridgeNode(as_overrides(given | {'board_silence': 0.15})).destroy_node()


@pytest.mark.usefixtures('ros')
@pytest.mark.parametrize('node', list(KINDS))
def test_a_node_refuses_simulated_time(node: str, files: dict[str, str]) -> None:
    """With the reason; servos move in real time."""
    overrides = as_overrides(overrides_of(node, files) | {'use_sim_time': True})
    with pytest.raises(CommandError, match="'use_sim_time' must be false: servos move in real"):
        KINDS[node](overrides)


def test_a_running_node_keeps_its_parameters(probe: 'Probe', files: dict[str, str]) -> None:
    """Changes are refused, unknown names as well, and the values stay."""
    node = GaitNode(as_overrides({**files, 'swing_time': 0.7}))
    probe.add(node)
    double = ParameterType.PARAMETER_DOUBLE
    request = SetParameters.Request()
    request.parameters = [
        ParameterMessage(name=name, value=ParameterValue(type=double, double_value=2.0))
        for name in ('swing_time', 'spede')
    ]
    response = probe.call(SetParameters, 'gait/set_parameters', request)
    assert [result.successful for result in response.results] == [False, False]
    assert 'read-only' in response.results[0].reason
    assert node.get_parameter('swing_time').value == 0.7
    assert not node.has_parameter('spede')


@pytest.mark.usefixtures('ros')
@pytest.mark.parametrize(
    ('phases', 'words'),
    [
        (['left_front'], "must list LEG=PHASE, such as left_front=0.25 \\(got 'left_front'\\)"),
        (['left_front=0', 'nose=0.5', 'left_rear=0.2'], "has no leg 'nose'"),
    ],
)
def test_the_gait_wants_phases_that_fit(
    files: dict[str, str], phases: list[str], words: str
) -> None:
    """Wrong ones are refused at the start, with an example or the names."""
    with pytest.raises(CommandError, match=words):
        GaitNode(as_overrides({**files, 'phases': phases}))


def test_a_node_describes_its_parameters(probe: 'Probe', files: dict[str, str]) -> None:
    """Whoever asks a node learns meaning, unit, bounds, and that a value is read-only."""
    probe.add(GaitNode(as_overrides({**files})))
    names = ['acceleration', 'realtime_priority', 'cmd_vel_type', 'phases']
    request = DescribeParameters.Request(names=names)
    response = probe.call(DescribeParameters, 'gait/describe_parameters', request)
    acceleration, priority, velocity, phases = response.descriptors
    assert acceleration.description == 'Highest body acceleration [m/s^2]'
    (bounds,) = acceleration.floating_point_range
    assert (bounds.from_value, bounds.to_value, bounds.step) == (0.001, 10.0, 0.0)
    (bounds,) = priority.integer_range
    assert (bounds.from_value, bounds.to_value, bounds.step) == (0, 99, 0)
    assert velocity.additional_constraints == 'must be one of TwistStamped, Twist'
    assert phases.type == ParameterType.PARAMETER_STRING_ARRAY
    assert all(each.read_only for each in response.descriptors)


def between(parameter: Parameter) -> list[Any]:
    """Legal values of a number: both bounds, the default, and some that no step would meet."""
    low, high = parameter.lowest, parameter.highest
    assert low is not None
    assert high is not None
    kind: Callable[[Any], Any] = type(parameter.default)
    inside = [kind(low + share * (high - low)) for share in (1e-7, 1 / 3, 2 / 3, 1 - 1e-7)]
    return [kind(low), kind(high), parameter.default, *inside]


def test_no_bound_makes_ros_refuse_a_legal_value(probe: 'Probe') -> None:
    """What `validate` lets pass, rclpy takes under the declared range, and nothing beyond it."""
    for node, parameter in EVERY:
        if parameter.lowest is None or parameter.highest is None:
            continue
        for index, value in enumerate(between(parameter)):
            assert validate([parameter], {parameter.name: value}) == {parameter.name: value}
            name = f'{node}.{parameter.name}.{index}'
            probe.node.declare_parameter(name, value, descriptor_of(parameter))
            assert probe.node.get_parameter(name).value == value
        descriptor = descriptor_of(parameter)
        descriptor.read_only = False
        changeable = f'{node}.{parameter.name}'
        probe.node.declare_parameter(changeable, parameter.default, descriptor)
        # The bounds themselves are whole numbers where the parameter is one.
        beyond = parameter.highest + 1
        (result,) = probe.node.set_parameters([RosParameter(changeable, value=beyond)])
        assert not result.successful


#: For every node some values that are not the default.
OTHERS: Mapping[str, dict[str, Value]] = {
    'kinematics': {'line_tolerance': 1e-5, 'out_of_reach': 'clamp', 'speed_share': 1.0},
    'gait': {
        'phases': ['left_front=0.0', 'left_rear=0.4', 'right_front=0.8', 'right_rear=0.6'],
        'duty_factor': 0.8,
        'lift': 0.1 + 0.2,
        'min_margin': -1.0,
        'rate': 50.0,
        'publish_tf': False,
        'cmd_vel_type': 'Twist',
    },
    'bridge': {'store_limits': True, 'board_silence_reaction': 'release', 'rate': 200.0},
    'teleop': {'dead_zone': 0.2, 'fast_speed': 0.1},
    'arbiter': {'senders': ['pad=2:0.3', 'nav=1:1.0']},
    'remote': {'listen': ELSEWHERE},
    'player': {'loop': True, 'preview': 0.1, 'line_tolerance': 0.001},
}


def dump(probe: 'Probe', node: str) -> dict[str, object]:
    """Ask a node for all its parameters, as `ros2 param dump` does (from memory)."""
    listed = probe.call(ListParameters, f'{node}/list_parameters', ListParameters.Request())
    names = sorted(listed.result.names)
    request = GetParameters.Request(names=names)
    response = probe.call(GetParameters, f'{node}/get_parameters', request)
    tree: dict[str, Any] = {}
    for name, value in zip(names, response.values, strict=True):
        *groups, last = name.split('.')
        branch = tree
        for group in groups:
            branch = branch.setdefault(group, {})
        branch[last] = parameter_value_to_python(value)
    return tree


@pytest.mark.parametrize('others', [False, True], ids=['defaults', 'others'])
@pytest.mark.parametrize('node', list(KINDS))
def test_a_node_takes_what_was_dumped_of_it(
    join: Callable[..., AbstractContextManager['Probe']],
    files: dict[str, str],
    tmp_path: Path,
    node: str,
    *,
    others: bool,
) -> None:
    """Dumped, started with the file and dumped again, all parameters are the same."""
    file = tmp_path / 'dumped.yaml'
    with join() as probe:
        given = overrides_of(node, files) | (OTHERS[node] if others else {})
        probe.add(KINDS[node](as_overrides(given)))
        first = dump(probe, node)
    assert {name: first[name] for name in given} == given
    assert first.keys() >= {parameter.name for parameter in NODES[node]}
    content = {'/**': {'ros__parameters': first}}
    file.write_text(yaml.dump(content, default_flow_style=False), encoding='utf-8')
    with join('--params-file', str(file)) as probe:
        probe.add(KINDS[node]())
        assert dump(probe, node) == first
