# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Recordings of a few messages, whose instants and numbers tell one from another."""

from functools import cache
from pathlib import Path

from geometry_msgs.msg import TwistStamped
from rclpy.serialization import serialize_message
from std_msgs.msg import Bool

from leg_kinematics.recording.bag.contents import Attachment, Channel, Message
from leg_kinematics.recording.bag.definitions import definition_of, type_hash_of
from leg_kinematics.recording.bag.writer import BagWriter

#: As ROS 2 tells the quality of service of a sender (rosbag2, version 9).
OFFERED = """\
- history: keep_last
  depth: 10
  reliability: reliable
  durability: volatile
  deadline: {sec: 0, nsec: 0}
  lifespan: {sec: 0, nsec: 0}
  liveliness: automatic
  liveliness_lease_duration: {sec: 0, nsec: 0}
  avoid_ros_namespace_conventions: false
"""

START = 1_790_000_000_000_000_000
TICK = 10_000_000

#: Messages in a chunk.
TOGETHER = 20


def channel(topic: str, kind: str) -> Channel:
    """Make a topic of an installed type."""
    return Channel(topic, kind, definition_of(kind), type_hash_of(kind), OFFERED)


@cache
def message(number: int) -> Message:
    """Make a velocity, or at every tenth instant whether somebody presses a button.

    Only once: what rclpy leaves behind the end of a message is left to chance.
    """
    at = START + number * TICK
    if number % 10 == 9:
        return Message('/pressed', at, at - 100, number, serialize_message(Bool(data=True)))
    velocity = TwistStamped()
    velocity.twist.linear.x = number / 1000
    return Message('/cmd_vel', at, at - 100, number, serialize_message(velocity))


def write_bag(
    folder: Path, count: int = 400, *, close: bool = True, max_seconds: float = 0.0
) -> list[Message]:
    """Write a recording; return what is in it."""
    writer = BagWriter(folder, distribution='kilted', max_seconds=max_seconds)
    writer.attach(Attachment('robot.yaml', 'name: bracken\n'))
    writer.add_channel(channel('/cmd_vel', 'geometry_msgs/msg/TwistStamped'))
    writer.add_channel(channel('/pressed', 'std_msgs/msg/Bool'))
    messages = [message(number) for number in range(count)]
    for number, each in enumerate(messages):
        writer.write(each)
        if number % TOGETHER == TOGETHER - 1:
            writer.flush()
    if close:
        writer.close()
    else:
        writer.abandon()
    return messages
