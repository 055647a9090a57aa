# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Finding a running chain, and the robot that it drives."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from lifecycle_msgs.srv import ChangeState
from rcl_interfaces.srv import GetParameters
from rclpy.client import Client
from rclpy.node import Node
from rclpy.parameter import parameter_value_to_python

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.solving import LineParameters
from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.nodes.taking_part.participant import PATIENCE, Participant

#: Something of a chain that runs is seen within this time, s. What is lost at first is sent again
#: after 3 s (heartbeat period of Fast DDS); measured on a busy machine: 3.05 s.
LOOK_FOR = 4.5

LINES = tuple(each.name for each in fields(LineParameters))


@dataclass(frozen=True)
class RunningChain:
    """A chain that runs.

    Attributes
    ----------
    calibrated
        Its robot.
    files
        Description and servo maps that the robot was read from.
    lines
        How straight and how fast its feet go.
    frame
        Of the body.

    """

    calibrated: CalibratedRobot
    files: tuple[Path, Path]
    lines: LineParameters
    frame: str


def find_chain(
    participant: Participant,
    robot: Path | None = None,
    servo_maps: Path | None = None,
    patience: float = LOOK_FOR,
) -> RunningChain | None:
    """Look for the nodes `kinematics` and `bridge` in a namespace; None where neither runs.

    Parameters
    ----------
    participant
        Who looks.
    robot, servo_maps
        Files to read instead of those that `kinematics` was given.
    patience
        For how long to look for any sign of them, s.

    Raises
    ------
    CommandError
        Only one of the nodes runs, or the files of the chain are not on this machine.
    DescriptionError
        A file is wrong.
    NoAnswerError
        `kinematics` does not answer.

    """
    node = participant.node
    ends: dict[str, Client[Any, Any]] = {
        'kinematics': node.create_client(GetParameters, 'kinematics/get_parameters'),
        'bridge': node.create_client(ChangeState, 'bridge/change_state'),
    }
    try:
        participant.doing = 'looking for a running chain'
        if not participant.happens(lambda: _seen(node), patience):
            return None
        both = participant.happens(
            lambda: all(client.service_is_ready() for client in ends.values()), PATIENCE
        )
        there = [name for name, client in ends.items() if client.service_is_ready()]
        if not there:
            return None
        if not both:
            (missing,) = ends.keys() - set(there)
            raise CommandError(
                f'{there[0]} runs in namespace {node.get_namespace()}, but no {missing}: start it '
                f'as well, or end {there[0]}'
            )
        values = parameters_of_node(
            participant, 'kinematics', ['robot', 'servo_maps', 'base_frame', *LINES]
        )
    finally:
        for client in ends.values():
            node.destroy_client(client)
    files = (robot or Path(values['robot']), servo_maps or Path(values['servo_maps']))
    return RunningChain(
        _load(files),
        files,
        LineParameters(**{name: values[name] for name in LINES}),
        values['base_frame'],
    )


def _seen(node: Node) -> bool:
    """Whether anything of a chain is there."""
    return bool(node.count_publishers('bridge/state') or node.count_publishers('foot_states'))


def parameters_of_node(
    participant: Participant, name: str, parameters: Sequence[str]
) -> dict[str, Any]:
    """Ask a node for its parameters; NoAnswerError where it does not answer."""
    service = f'{name}/get_parameters'
    client: Client[Any, Any] = participant.node.create_client(GetParameters, service)
    try:
        participant.spin(client.service_is_ready, f'discovery of {service}')
        future = client.call_async(GetParameters.Request(names=list(parameters)))
        values = map(parameter_value_to_python, participant.answer(future, service).values)
        return dict(zip(parameters, values, strict=True))
    finally:
        participant.node.destroy_client(client)


def _load(files: tuple[Path, Path]) -> CalibratedRobot:
    """Read the robot of a chain that may run elsewhere."""
    missing = [str(file) for file in files if not file.is_file()]
    if missing:
        raise CommandError(
            f'the chain that runs uses {" and ".join(missing)}, which cannot be read here; if it '
            'runs on another machine, give copies of its files by --robot and --servo-maps'
        )
    try:
        return CalibratedRobot.load(*files)
    except DescriptionError as error:
        raise CommandError(f'the files of the chain that runs: {error}') from error
