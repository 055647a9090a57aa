# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`metadata.yaml`: what is in a recording, as ROS 2 writes it (rosbag2, version 9).

The fields are those that `rosbag2_storage` reads and writes in `yaml.hpp`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import yaml

from leg_kinematics.recording.bag.contents import Channel

VERSION = 9


@dataclass
class Extent:
    """What messages there are: how many, from when to when.

    Attributes
    ----------
    first, last
        Earliest and latest receipt, ns; 0 where there are none.
    counts
        Messages by topic.

    """

    first: int
    last: int
    counts: dict[str, int]

    @classmethod
    def empty(cls) -> 'Extent':
        """Nothing yet."""
        return cls(0, 0, {})

    @property
    def count(self) -> int:
        """Messages of all topics."""
        return sum(self.counts.values())

    def add(self, topic: str, received: int) -> None:
        """Count a message."""
        self.first = min(self.first, received) if self.counts else received
        self.last = max(self.last, received)
        self.counts[topic] = self.counts.get(topic, 0) + 1

    def join(self, other: 'Extent') -> None:
        """Take in another one."""
        if other.counts:
            self.first = min(self.first, other.first) if self.counts else other.first
            self.last = max(self.last, other.last)
        for topic, count in other.counts.items():
            self.counts[topic] = self.counts.get(topic, 0) + count


class _Plain(yaml.SafeDumper):
    """Writes no anchors, which not every reader takes."""

    def ignore_aliases(self, _: object) -> bool:
        return True


def information(
    channels: Sequence[Channel], files: Mapping[str, Extent], distribution: str
) -> dict[str, Any]:
    """Say what is in a recording.

    Parameters
    ----------
    channels
        All topics.
    files
        By name, in the order in which they were written.
    distribution
        Of ROS 2, such as `kilted`.

    """
    whole = Extent.empty()
    for extent in files.values():
        whole.join(extent)
    return {
        'version': VERSION,
        'storage_identifier': 'mcap',
        'duration': {'nanoseconds': whole.last - whole.first},
        'starting_time': {'nanoseconds_since_epoch': whole.first},
        'message_count': whole.count,
        'topics_with_message_count': [
            {
                'topic_metadata': {
                    'name': each.topic,
                    'type': each.kind,
                    'serialization_format': 'cdr',
                    'offered_qos_profiles': yaml.safe_load(each.offered) or [],
                    'type_description_hash': each.type_hash,
                },
                'message_count': whole.counts.get(each.topic, 0),
            }
            for each in channels
        ],
        'compression_format': '',
        'compression_mode': '',
        'relative_file_paths': list(files),
        'files': [
            {
                'path': name,
                'starting_time': {'nanoseconds_since_epoch': extent.first},
                'duration': {'nanoseconds': extent.last - extent.first},
                'message_count': extent.count,
            }
            for name, extent in files.items()
        ],
        'custom_data': None,
        'ros_distro': distribution,
    }


def as_yaml(value: object) -> str:
    """Write a value as YAML."""
    return yaml.dump(value, Dumper=_Plain, sort_keys=False, default_flow_style=False)
