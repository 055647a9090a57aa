# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Every parameter of every node, declared once with type, unit, range and meaning.

One pure `validate` serves whoever has values to check; `declare` applies it to a node at its
start. All parameters are read-only: a node is restarted to change them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

from rcl_interfaces.msg import ParameterDescriptor
from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter

from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.frames import FRAMES

Value = str | float | int | bool | list[str]

#: Parameters that ROS itself gives every node.
OF_ROS = ('use_sim_time', 'start_type_description_service')


@dataclass(frozen=True)
class Parameter:
    """One parameter of a node.

    Attributes
    ----------
    name
        As in YAML.
    default
        Its type is the parameter's type; an empty string or list has to be set by the user, unless
        it is optional.
    meaning
        One line for the documentation.
    unit
        Empty where there is none.
    lowest, highest
        Bounds of a number, inclusive.
    choices
        The allowed strings, when only a few are.
    optional
        Whether an empty string or list is a value as well.

    """

    name: str
    default: Value
    meaning: str
    unit: str = ''
    lowest: float | None = None
    highest: float | None = None
    choices: tuple[str, ...] = ()
    optional: bool = False


#: Orders that are older are refused: what was asked for then may not be wanted now.
MAX_COMMAND_AGE = Parameter(
    'max_command_age', 1.0, 'An order sent longer ago, or ahead, is refused', 's', 0.05, 60
)

BASE_FRAME = Parameter('base_frame', FRAMES.base, 'Frame of the body')

OF_EVERY_NODE = (
    Parameter('robot', '', 'File of the robot description'),
    Parameter('servo_maps', '', 'File of the servo maps'),
    Parameter(
        'realtime_priority',
        0,
        'Priority before all that is not real-time (SCHED_FIFO); 0 for none',
        '',
        0,
        99,
    ),
)

KINEMATICS = (
    *OF_EVERY_NODE,
    BASE_FRAME,
    Parameter(
        'out_of_reach',
        'reject',
        'What to do with a target that a foot cannot take',
        choices=('reject', 'clamp'),
    ),
    Parameter(
        'line_tolerance',
        0.0005,
        'Distance of a foot from its line in straight moves',
        'm',
        1e-5,
        0.1,
    ),
    Parameter(
        'speed_share', 0.5, 'Share of the no-load servo speed for straight moves', '', 0.05, 1.0
    ),
)

GAIT = (
    *OF_EVERY_NODE,
    Parameter('rate', 100.0, 'Ticks of the gait', 'Hz', 10.0, 500.0),
    Parameter(
        'preview', 0.07, 'Time that foot targets reach ahead, for a slow line', 's', 0.02, 0.5
    ),
    Parameter('swing_time', 0.5, 'Time of a swing, whatever the duty factor', 's', 0.1, 10.0),
    Parameter(
        'duty_factor',
        0.5,
        'Share of the cycle in which a leg stands: 1/2 tripod, 2/3 tetrapod, 5/6 wave',
        '',
        0.5,
        0.95,
    ),
    Parameter(
        'slow_duty_factor',
        0.5,
        'Up to this share when there is time for it; not above duty_factor: always the same',
        '',
        0.5,
        0.95,
    ),
    Parameter(
        'phases',
        [],
        'Touchdown phases as LEG=PHASE, where legs are no pairs; others are carried',
        optional=True,
    ),
    Parameter('carry_height', 0.05, 'Of a carried foot above the ground', 'm', 0.0, 0.5),
    Parameter('lift', 0.030, 'Height of a swing', 'm', 0.001, 0.5),
    Parameter('max_speed', 0.12, 'Bound of the body speed', 'm/s', 0.001, 5.0),
    Parameter('max_yaw_rate', 0.6, 'Bound of the yaw rate', 'rad/s', 0.001, 10.0),
    Parameter('acceleration', 0.15, 'Bound of the body acceleration', 'm/s^2', 0.001, 10.0),
    Parameter('yaw_acceleration', 0.8, 'Bound of the yaw acceleration', 'rad/s^2', 0.001, 50.0),
    Parameter(
        'speed_share', 0.9, 'Share of the no-load servo speed asked for at most', '', 0.05, 1.0
    ),
    Parameter(
        'min_margin', 0.01, 'Least distance of the centre of mass from tipping', 'm', -1.0, 1.0
    ),
    Parameter('contacts', default=False, meaning='Every foot tells when it touches the ground'),
    Parameter('search_depth', 0.02, 'How much lower or higher the ground may be', 'm', 0.001, 0.2),
    Parameter('stand_time', 2.0, 'Time to stand up or to crouch', 's', 0.2, 60.0),
    Parameter('body_speed', 0.05, 'Peak speed on the way to a body offset', 'm/s', 0.001, 1.0),
    Parameter('body_rate', 0.4, 'Peak rate on the way to a body offset', 'rad/s', 0.001, 10.0),
    Parameter(
        'slip', 0.02, 'Share of its way by which a cycle of the gait goes wrong', '', 0.0, 1.0
    ),
    Parameter(
        'publish_tf',
        default=True,
        meaning='Tell odom_frame to footprint_frame to base_frame on /tf as well',
    ),
    Parameter('odom_frame', FRAMES.odom, 'Frame in which the robot walks, on the ground'),
    Parameter('footprint_frame', FRAMES.footprint, 'Frame of the body projected on the ground'),
    BASE_FRAME,
    Parameter('silence', 0.5, 'Without cmd_vel for this long the robot stops', 's', 0.05, 10.0),
    MAX_COMMAND_AGE,
    Parameter(
        'cmd_vel_type',
        'TwistStamped',
        'Message type of cmd_vel',
        choices=('TwistStamped', 'Twist'),
    ),
)

BRIDGE = (
    *OF_EVERY_NODE,
    MAX_COMMAND_AGE,
    Parameter('boards', [], 'Each servo board as NAME=DRIVER:PORT'),
    Parameter(
        'store_limits',
        default=False,
        meaning='Replace the pulse limits that the boards keep by those of the servo maps',
    ),
    Parameter('rate', 100.0, 'Poses sent to the boards', 'Hz', 10.0, 200.0),
    Parameter('enable', default=False, meaning='Configure and activate at once: POWERS SERVOS'),
    Parameter('enable_interval', 0.3, 'Time between the legs at start-up', 's', 0.0, 10.0),
    Parameter(
        'speed_share', 0.9, 'Share of the no-load servo speed that a joint may use', '', 0.05, 1.0
    ),
    Parameter(
        'joint_acceleration', 300.0, 'Bound of every joint acceleration', 'rad/s^2', 1.0, 10000.0
    ),
    Parameter(
        'catch_up_speed', 1.0, 'Joint speed towards a stream after a pause', 'rad/s', 0.05, 10.0
    ),
    Parameter(
        'board_silence_reaction',
        'hold',
        'What the board does when the bridge is silent',
        choices=('hold', 'release'),
    ),
    Parameter(
        'board_silence', 0.5, 'Without a pose for this long the board reacts', 's', 0.05, 60.0
    ),
)

NODES: Mapping[str, Sequence[Parameter]] = {
    'kinematics': KINEMATICS,
    'gait': GAIT,
    'bridge': BRIDGE,
}


def validate(parameters: Sequence[Parameter], values: Mapping[str, object]) -> dict[str, Value]:
    """Check values against their declarations and complete them by the defaults.

    Parameters
    ----------
    parameters
        The declarations.
    values
        By name.

    Returns
    -------
    dict
        A value for every declared parameter; whole numbers given for floats become floats.

    Raises
    ------
    CommandError
        An unknown name, a wrong type, a number not finite or out of bounds, a required value
        missing; the message gives name, value and bound.

    """
    known = {parameter.name: parameter for parameter in parameters}
    for name in values:
        if name not in known:
            message = f"unknown parameter '{name}'; known are {', '.join(sorted(known))}"
            raise CommandError(message)
    return {name: _check(known[name], values.get(name, known[name].default)) for name in known}


def _check(parameter: Parameter, value: object) -> Value:
    expected = type(parameter.default)
    if expected is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if isinstance(value, tuple):
        value = list(value)
    if not isinstance(value, expected) or (expected is int and isinstance(value, bool)):
        message = f"'{parameter.name}' must be of type {expected.__name__} (got {value!r})"
        raise CommandError(message)
    if isinstance(value, list) and not all(isinstance(item, str) for item in value):
        message = f"'{parameter.name}' must be a list of strings (got {value!r})"
        raise CommandError(message)
    if isinstance(value, float | int) and not isinstance(value, bool):
        low = -float('inf') if parameter.lowest is None else parameter.lowest
        high = float('inf') if parameter.highest is None else parameter.highest
        if not (isfinite(value) and low <= value <= high):
            unit = f' {parameter.unit}' if parameter.unit else ''
            message = f"'{parameter.name}' must be in [{low:g}, {high:g}]{unit} (got {value!r})"
            raise CommandError(message)
    if parameter.choices and value not in parameter.choices:
        message = f"'{parameter.name}' must be one of {parameter.choices} (got {value!r})"
        raise CommandError(message)
    if isinstance(value, str | list) and not value and not parameter.optional:
        message = f"'{parameter.name}' must be set: {parameter.meaning}"
        raise CommandError(message)
    return value


def declare(node: Node, parameters: Sequence[Parameter]) -> 'Settings':
    """Declare the parameters of a node that was made with its overrides already declared.

    The node must have been constructed with `automatically_declare_parameters_from_overrides`,
    so that a key that nobody declares is seen and refused instead of being ignored.

    Raises
    ------
    CommandError
        As `validate`.

    """
    given = {
        name: parameter.value
        for name, parameter in node.get_parameters_by_prefix('').items()
        if name not in OF_ROS and not name.startswith('qos_overrides.')
    }
    if node.get_parameter('use_sim_time').value:
        raise CommandError(
            "'use_sim_time' must be false: servos live in real time, and so does the whole chain "
            'that leads them; a simulated robot takes joint_trajectory without this chain, or '
            'walks with the simulated board'
        )
    values = validate(parameters, given)
    for parameter in parameters:
        if node.has_parameter(parameter.name):
            node.undeclare_parameter(parameter.name)
        unit = f' [{parameter.unit}]' if parameter.unit else ''
        node.declare_parameter(
            parameter.name,
            values[parameter.name],
            ParameterDescriptor(description=parameter.meaning + unit, read_only=True),
            ignore_override=True,
        )
    node.get_logger().info(f'parameters: {values}')
    return Settings(values)


@dataclass(frozen=True)
class Settings:
    """Validated values by name, with their types."""

    values: Mapping[str, Value]

    def number(self, name: str) -> float:
        """Return a float."""
        value = self.values[name]
        if not isinstance(value, float):
            raise TypeError(name)
        return value

    def whole(self, name: str) -> int:
        """Return a whole number."""
        value = self.values[name]
        if not isinstance(value, int) or isinstance(value, bool):
            raise TypeError(name)
        return value

    def text(self, name: str) -> str:
        """Return a string."""
        value = self.values[name]
        if not isinstance(value, str):
            raise TypeError(name)
        return value

    def texts(self, name: str) -> list[str]:
        """Return a list of strings."""
        value = self.values[name]
        if not isinstance(value, list):
            raise TypeError(name)
        return value

    def flag(self, name: str) -> bool:
        """Return a bool."""
        value = self.values[name]
        if not isinstance(value, bool):
            raise TypeError(name)
        return value


def as_overrides(values: Mapping[str, Value]) -> 'list[RosParameter[Any]]':
    """Turn values into what a node's constructor takes as `parameter_overrides`."""
    return [RosParameter(name, value=value) for name, value in values.items()]
