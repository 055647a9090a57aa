# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Parameters: one declaration, one validation, for start-up and for whoever asks."""

from collections.abc import Callable, Mapping
from math import inf, nan
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import yaml
from rcl_interfaces.msg import Parameter as ParameterMessage
from rcl_interfaces.msg import ParameterType, ParameterValue
from rcl_interfaces.srv import DescribeParameters, SetParameters
from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter

from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.gait_node import GaitNode
from leg_kinematics.nodes.kinematics_node import KinematicsNode
from leg_kinematics.nodes.parameters import (
    NODES,
    Parameter,
    Settings,
    Value,
    as_overrides,
    validate,
)

if TYPE_CHECKING:
    from test.nodes.conftest import Probe

DECLARED = (
    Parameter('rate', 100.0, 'Ticks', 'Hz', 10.0, 500.0),
    Parameter('share', 0.5, 'Without bounds'),
    Parameter('pins', 12, 'How many', '', 1, 18),
    Parameter('mode', 'hold', 'What to do', choices=('hold', 'release')),
    Parameter('powered', default=False, meaning='Whether'),
    Parameter('file', '', 'Some file'),
    Parameter('boards', [], 'Some boards'),
)

GIVEN: Mapping[str, object] = {'file': 'a.yaml', 'boards': ['main=framed:/dev/ttyUSB0']}

EVERY = [(node, each) for node, declared in NODES.items() for each in declared]


def test_what_is_not_given_has_its_default() -> None:
    """Every declared parameter gets a value, the given ones theirs."""
    assert validate(DECLARED, GIVEN) == {
        'rate': 100.0,
        'share': 0.5,
        'pins': 12,
        'mode': 'hold',
        'powered': False,
        **GIVEN,
    }


def test_a_whole_number_serves_as_a_float() -> None:
    """YAML reads 50 as an integer; it is meant as 50.0."""
    rate = validate(DECLARED, {**GIVEN, 'rate': 50})['rate']
    assert rate == 50.0
    assert isinstance(rate, float)


@pytest.mark.parametrize(
    ('name', 'value', 'words'),
    [
        (
            'rat',
            100.0,
            ("unknown parameter 'rat'", 'boards, file, mode, pins, powered, rate, share'),
        ),
        ('rate', 'fast', ("'rate' must be of type float", "'fast'")),
        ('rate', True, ("'rate' must be of type float", 'True')),
        ('rate', None, ("'rate' must be of type float", 'None')),
        ('rate', 9.999, ("'rate' must be in [10, 500] Hz", '9.999')),
        ('rate', 500.001, ("'rate' must be in [10, 500] Hz", '500.001')),
        ('rate', 501, ("'rate' must be in [10, 500] Hz", '501')),
        ('rate', nan, ("'rate' must be in [10, 500] Hz", 'nan')),
        ('rate', inf, ("'rate' must be in [10, 500] Hz", 'inf')),
        ('share', nan, ("'share'", 'nan')),
        ('share', -inf, ("'share'", '-inf')),
        ('mode', 'drop', ("'mode' must be one of", 'hold', 'release', "'drop'")),
        ('mode', 1, ("'mode' must be of type str", '1')),
        ('pins', 1.0, ("'pins' must be of type int", '1.0')),
        ('pins', True, ("'pins' must be of type int", 'True')),
        ('pins', 0, ("'pins' must be in [1, 18]", '0')),
        ('powered', 1, ("'powered' must be of type bool", '1')),
        ('powered', 'true', ("'powered' must be of type bool", "'true'")),
        ('file', '', ("'file' must be set", 'Some file')),
        ('boards', [], ("'boards' must be set", 'Some boards')),
        ('boards', 'main', ("'boards' must be of type list", "'main'")),
        ('boards', [1, 2], ("'boards' must be", '[1, 2]')),
    ],
)
def test_a_wrong_value_is_refused_by_name_value_and_bound(
    name: str, value: object, words: tuple[str, ...]
) -> None:
    """The message says what was given and what was expected."""
    with pytest.raises(CommandError) as caught:
        validate(DECLARED, {**GIVEN, name: value})
    for word in words:
        assert word in str(caught.value)


@pytest.mark.parametrize('name', ['file', 'boards'])
def test_what_has_no_default_must_be_given(name: str) -> None:
    """Without it the message tells what it is."""
    given = {key: value for key, value in GIVEN.items() if key != name}
    with pytest.raises(CommandError, match=f"'{name}' must be set: Some {name}"):
        validate(DECLARED, given)


@pytest.mark.parametrize('bound', [10.0, 500.0])
def test_the_bounds_are_allowed(bound: float) -> None:
    """Both ends belong to the range."""
    assert validate(DECLARED, {**GIVEN, 'rate': bound})['rate'] == bound


@pytest.mark.parametrize(('node', 'parameter'), EVERY)
def test_every_default_is_valid_or_must_be_set(node: str, parameter: Parameter) -> None:
    """No default breaks its own declaration, and every number has both bounds."""
    assert parameter.meaning, node
    if parameter.default in ('', []) and not parameter.optional:
        with pytest.raises(CommandError, match='must be set'):
            validate([parameter], {})
        return
    assert validate([parameter], {}) == {parameter.name: parameter.default}
    if type(parameter.default) in {float, int}:
        assert parameter.lowest is not None
        assert parameter.highest is not None
        assert parameter.lowest < parameter.highest


def test_settings_know_their_types() -> None:
    """Asking for the wrong type is a mistake of the program, not of the user."""
    settings = Settings({'rate': 1.0, 'pins': 12, 'mode': 'hold', 'powered': True, 'boards': ['a']})
    assert settings.number('rate') == 1.0
    assert settings.whole('pins') == 12
    assert settings.text('mode') == 'hold'
    assert settings.flag('powered') is True
    assert settings.texts('boards') == ['a']
    for wrong in (settings.text, settings.flag, settings.texts, settings.whole):
        with pytest.raises(TypeError, match='rate'):
            wrong('rate')
    with pytest.raises(TypeError, match='mode'):
        settings.number('mode')
    with pytest.raises(TypeError, match='powered'):
        settings.whole('powered')


def test_the_example_file_has_only_known_parameters_within_their_bounds(nodes_yaml: Path) -> None:
    """What `config/nodes.yaml` sets is valid for the node that it names, in any namespace."""
    document = yaml.safe_load(nodes_yaml.read_text(encoding='utf-8'))
    assert document
    for pattern, content in document.items():
        prefix, _, node = pattern.removeprefix('/**').rpartition('/')
        assert pattern.startswith('/**')
        assert not prefix
        assert list(content) == ['ros__parameters']
        for declared in [NODES[node]] if node else NODES.values():
            required: dict[str, object] = {'robot': 'r', 'servo_maps': 'm', 'boards': ['b']}
            known = {parameter.name for parameter in declared}
            given = {name: value for name, value in required.items() if name in known}
            validate(declared, given | content['ros__parameters'])


KINDS: Mapping[str, Callable[..., Node]] = {
    'kinematics': KinematicsNode,
    'gait': GaitNode,
    'bridge': BridgeNode,
}


def overrides_of(node: str, files: Mapping[str, str]) -> dict[str, Value]:
    """Return what a node needs."""
    needed: dict[str, Value] = {**files}
    return needed | {'boards': ['main=framed:/nowhere']} if node == 'bridge' else needed


@pytest.mark.usefixtures('ros')
@pytest.mark.parametrize('node', list(KINDS))
def test_a_node_refuses_an_unknown_parameter(node: str, files: dict[str, str]) -> None:
    """A misspelt key is an error instead of a default that nobody wanted."""
    with pytest.raises(CommandError, match="unknown parameter 'spede'"):
        KINDS[node](as_overrides(overrides_of(node, files) | {'spede': 1.0}))


@pytest.mark.usefixtures('ros')
@pytest.mark.parametrize('node', list(KINDS))
def test_a_node_needs_its_robot(node: str) -> None:
    """Without files it does not start, and says which parameter is missing."""
    with pytest.raises(CommandError, match="'robot' must be set"):
        KINDS[node]()


@pytest.mark.usefixtures('ros')
@pytest.mark.parametrize(
    ('value', 'words'), [(nan, 'nan'), (1000.0, '1000'), ('fast', "'fast'"), ([1.0], 'float')]
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
    """With the reason; servos live in real time."""
    overrides = as_overrides(overrides_of(node, files) | {'use_sim_time': True})
    with pytest.raises(CommandError, match="'use_sim_time' must be false: servos live in real"):
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
    """Whoever asks a node learns meaning, unit and that it is read-only."""
    probe.add(GaitNode(as_overrides({**files})))
    request = DescribeParameters.Request(names=['acceleration'])
    response = probe.call(DescribeParameters, 'gait/describe_parameters', request)
    (descriptor,) = response.descriptors
    assert descriptor.description == 'Bound of the body acceleration [m/s^2]'
    assert descriptor.read_only
