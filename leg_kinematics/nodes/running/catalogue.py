# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Which parameters each node takes: those of its stage, and its own.

Nothing here needs ROS.
"""

import enum
from collections.abc import Mapping
from dataclasses import dataclass

from leg_kinematics.board.parameters import BoardsParameters
from leg_kinematics.chain.driving import DrivingParameters
from leg_kinematics.chain.solving import LineParameters, SolvingParameters
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters
from leg_kinematics.moves.moving import MovingParameters
from leg_kinematics.nodes.translation.frames import BodyFrame, Frames
from leg_kinematics.parameters import Parameter, choice, count, flag, number, parameters_of, text
from leg_kinematics.teleop.arbitration import ArbitrationParameters
from leg_kinematics.teleop.steering import SteeringParameters

#: Parameters that ROS itself gives every node.
OF_ROS = ('use_sim_time', 'start_type_description_service')


@dataclass(frozen=True, slots=True)
class RobotParameters:
    """Of every node that has to know the robot."""

    robot: str = text('File of the robot description')
    servo_maps: str = text('File of the servo maps')


@dataclass(frozen=True, slots=True)
class NodeParameters:
    """Of every node."""

    realtime_priority: int = count(
        0, '', 0, 99, 'Real-time priority (SCHED_FIFO), before all ordinary programs; 0 for none'
    )


@dataclass(frozen=True, slots=True)
class OrderParameters:
    """Of every node that obeys orders: what was asked for long ago may not be wanted now."""

    max_command_age: float = number(
        1.0, 's', 0.05, 60.0, 'An order is refused if it was sent longer ago, or as far ahead'
    )


class VelocityType(enum.StrEnum):
    """Message type of a body velocity."""

    TWIST_STAMPED = 'TwistStamped'
    TWIST = 'Twist'


@dataclass(frozen=True, slots=True)
class GaitNodeParameters:
    """How the gait node listens and tells."""

    publish_tf: bool = flag(
        default=True, meaning='Publish odom_frame to footprint_frame to base_frame on /tf as well'
    )
    cmd_vel_type: VelocityType = choice(VelocityType.TWIST_STAMPED, 'Message type of cmd_vel')


@dataclass(frozen=True, slots=True)
class BridgeNodeParameters:
    """How the bridge starts."""

    enable: bool = flag(default=False, meaning='Configure and activate at once: POWERS SERVOS')


@dataclass(frozen=True, slots=True)
class PlayerParameters:
    """What the player plays."""

    sequence: str = text('File of the sequence')
    loop: bool = flag(default=False, meaning='Play it over and over, until it is stopped')


@dataclass(frozen=True, slots=True)
class TeleopNodeParameters:
    """What the controls of the pad do."""

    layout: str = text('File of the layout of the pad')


def _address(value: str) -> str:
    """Read where to listen: an address, in brackets where it has colons, and a port."""
    address, _, port = value.rpartition(':')
    colons = ':' in address
    brackets = address.startswith('[') and address.endswith(']')
    if not address or colons is not brackets or not port.isdecimal() or not 0 < int(port) < 65536:
        raise CommandError(
            f"'listen' must be ADDRESS:PORT, such as 0.0.0.0:7447 or [::]:7447 (got {value!r})"
        )
    return value


@dataclass(frozen=True, slots=True)
class RemoteNodeParameters:
    """Who may drive from other machines, and where they find the robot."""

    key: str = text('Folder with the key of this robot, made by leg-kinematics keys')
    listen: str = text(
        'Where drivers find the robot, as ADDRESS:PORT; 0.0.0.0 is every address of this computer',
        '0.0.0.0:7447',
        _address,
    )


KINEMATICS = parameters_of(RobotParameters, NodeParameters, SolvingParameters, BodyFrame)

GAIT = parameters_of(
    RobotParameters,
    NodeParameters,
    GaitParameters,
    WalkingParameters,
    OrderParameters,
    GaitNodeParameters,
    Frames,
)

BRIDGE = parameters_of(
    RobotParameters,
    NodeParameters,
    BoardsParameters,
    DrivingParameters,
    OrderParameters,
    BridgeNodeParameters,
)

PLAYER = parameters_of(
    RobotParameters,
    NodeParameters,
    PlayerParameters,
    LineParameters,
    MovingParameters,
    OrderParameters,
    BodyFrame,
)

TELEOP = parameters_of(NodeParameters, TeleopNodeParameters, SteeringParameters, OrderParameters)

ARBITER = parameters_of(NodeParameters, ArbitrationParameters, OrderParameters)

REMOTE = parameters_of(NodeParameters, RemoteNodeParameters)

NODES: Mapping[str, tuple[Parameter, ...]] = {
    'kinematics': KINEMATICS,
    'gait': GAIT,
    'bridge': BRIDGE,
    'player': PLAYER,
    'teleop': TELEOP,
    'arbiter': ARBITER,
    'remote': REMOTE,
}
