# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a bag consists of: channels, messages, and what is attached."""

from dataclasses import dataclass
from typing import NamedTuple


@dataclass(frozen=True)
class Channel:
    """A topic of a recording.

    Attributes
    ----------
    topic
        Its full name.
    kind
        Message type, such as `std_msgs/msg/Bool`.
    definition
        The fields of the type and of all types in it, as in their `.msg` files.
    type_hash
        Of the type (REP 2016).
    offered
        The qualities of service of its senders, as a list in YAML.

    """

    topic: str
    kind: str
    definition: str
    type_hash: str
    offered: str


class Message(NamedTuple):
    """A message of a recording.

    Attributes
    ----------
    topic
        Its full name.
    received, sent
        When, ns of the system clock.
    sequence
        Number that its sender gave it; 0 where it is not known.
    data
        As it was on the wire (CDR).

    """

    topic: str
    received: int
    sent: int
    sequence: int
    data: bytes


@dataclass(frozen=True)
class Attachment:
    """A file that belongs to the recording, such as the description of the robot.

    Attributes
    ----------
    name
        Such as `robot.yaml`.
    text
        What is in it.

    """

    name: str
    text: str
