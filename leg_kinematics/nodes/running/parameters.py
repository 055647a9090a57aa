# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Parameters as ROS has them: what was given to a node, checked and declared.

All parameters are read-only: a node is restarted to change them.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from rcl_interfaces.msg import FloatingPointRange, IntegerRange, ParameterDescriptor
from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter

from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.running.catalogue import OF_ROS
from leg_kinematics.parameters import Parameter, Settings, Value, validate


def declare(node: Node, parameters: Sequence[Parameter]) -> Settings:
    """Check what was given to a node, and declare its parameters.

    Raises
    ------
    CommandError
        As `validate`; or time is to be simulated.

    """
    # rclpy tells what was given only by declaring it, and fails there at an empty list.
    given = node._parameter_overrides  # noqa: SLF001
    if node.get_parameter('use_sim_time').value:
        raise CommandError(
            "'use_sim_time' must be false: servos move in real time, and so does the whole chain "
            'that leads them; a simulated robot takes joint_trajectory without this chain, or '
            'walks with the simulated board'
        )
    values = validate(
        parameters,
        {
            name: parameter.value
            for name, parameter in given.items()
            if name not in OF_ROS and not name.startswith('qos_overrides.')
        },
    )
    for parameter in parameters:
        value = values[parameter.name]
        if value == []:
            _declare_empty(node, parameter)
        else:
            node.declare_parameter(
                parameter.name, value, descriptor_of(parameter), ignore_override=True
            )
    node.get_logger().info(f'parameters: {values}')
    return Settings(values)


def _declare_empty(node: Node, parameter: Parameter) -> None:
    """Declare an empty list of texts; rclpy would take it for one of bytes."""
    node.declare_parameter(parameter.name, [''], ignore_override=True)
    of_texts: list[str] = []
    empty = RosParameter(parameter.name, RosParameter.Type.STRING_ARRAY, of_texts)
    node.set_parameters([empty])
    descriptor = descriptor_of(parameter)
    descriptor.type = RosParameter.Type.STRING_ARRAY.value
    node.set_descriptor(parameter.name, descriptor)


def descriptor_of(parameter: Parameter) -> ParameterDescriptor:
    """Describe a parameter to whoever asks its node."""
    unit = f' [{parameter.unit}]' if parameter.unit else ''
    descriptor = ParameterDescriptor(
        description=parameter.meaning + unit,
        additional_constraints=f'must be {parameter.expected}',
        read_only=True,
    )
    low, high = parameter.lowest, parameter.highest
    if low is not None and high is not None:
        # Without a step, every number between is allowed.
        if isinstance(parameter.default, float):
            descriptor.floating_point_range = [FloatingPointRange(from_value=low, to_value=high)]
        else:
            descriptor.integer_range = [IntegerRange(from_value=int(low), to_value=int(high))]
    return descriptor


def as_overrides(values: Mapping[str, Value]) -> 'list[RosParameter[Any]]':
    """Turn values into what a node's constructor takes as `parameter_overrides`."""
    return [RosParameter(name, value=value) for name, value in values.items()]
