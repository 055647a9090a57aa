# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The metadata of a bag as ROS 2 publishes it, version 9, held against a folder with one.

Source of fields, types and words: github.com/ros2/rosbag2 at 25304dd, `yaml.hpp`,
`bag_metadata.hpp` and `qos.cpp` of rosbag2_storage, with the words of `qos_string_conversions.h` of
ros2/rmw (from memory). What its reader takes as `uint64_t` must not be negative, and an empty
`custom_data` is null, as its writer leaves it.
"""

from pathlib import Path
from typing import Any

import yaml
from jsonschema import Draft202012Validator

COUNT = {'type': 'integer', 'minimum': 0}
TEXT = {'type': 'string'}


def _mapping(**fields: object) -> dict[str, object]:
    """Give the schema of a mapping that has exactly these fields."""
    return {
        'type': 'object',
        'properties': fields,
        'required': list(fields),
        'additionalProperties': False,
    }


def _row(items: object) -> dict[str, object]:
    return {'type': 'array', 'items': items}


TIME = _mapping(sec=COUNT, nsec=COUNT)

QUALITY = _mapping(
    history={'enum': ['system_default', 'keep_last', 'keep_all', 'unknown']},
    depth=COUNT,
    reliability={
        'enum': ['system_default', 'reliable', 'best_effort', 'best_available', 'unknown']
    },
    durability={
        'enum': ['system_default', 'transient_local', 'volatile', 'best_available', 'unknown']
    },
    deadline=TIME,
    lifespan=TIME,
    liveliness={
        'enum': ['system_default', 'automatic', 'manual_by_topic', 'best_available', 'unknown']
    },
    liveliness_lease_duration=TIME,
    avoid_ros_namespace_conventions={'type': 'boolean'},
)

INFORMATION = _mapping(
    version={'const': 9},
    storage_identifier={'const': 'mcap'},
    duration=_mapping(nanoseconds=COUNT),
    starting_time=_mapping(nanoseconds_since_epoch=COUNT),
    message_count=COUNT,
    topics_with_message_count=_row(
        _mapping(
            topic_metadata=_mapping(
                name=TEXT,
                type=TEXT,
                serialization_format={'const': 'cdr'},
                offered_qos_profiles=_row(QUALITY),
                type_description_hash={'type': 'string', 'pattern': '^RIHS01_[0-9a-f]{64}$'},
            ),
            message_count=COUNT,
        )
    ),
    compression_format=TEXT,
    compression_mode=TEXT,
    relative_file_paths=_row(TEXT),
    files=_row(
        _mapping(
            path=TEXT,
            starting_time=_mapping(nanoseconds_since_epoch=COUNT),
            duration=_mapping(nanoseconds=COUNT),
            message_count=COUNT,
        )
    ),
    custom_data={'type': ['object', 'null']},
    ros_distro=TEXT,
)


def information_of(folder: Path) -> dict[str, Any]:
    """Read the metadata of a bag, and see that it is as published and fits the files."""
    text = (folder / 'metadata.yaml').read_text(encoding='utf-8')
    # Anchors of YAML would be taken, but no writer of ROS 2 makes them.
    assert '&' not in text
    content = yaml.safe_load(text)
    Draft202012Validator(_mapping(rosbag2_bagfile_information=INFORMATION)).validate(content)
    told: dict[str, Any] = content['rosbag2_bagfile_information']
    files = told['files']
    assert [each['path'] for each in files] == told['relative_file_paths']
    assert all((folder / each['path']).is_file() for each in files)
    topics = told['topics_with_message_count']
    assert told['message_count'] == sum(each['message_count'] for each in topics)
    assert told['message_count'] == sum(each['message_count'] for each in files)
    with_messages = [each for each in files if each['message_count']]
    starts = [each['starting_time']['nanoseconds_since_epoch'] for each in with_messages]
    ends = [
        start + each['duration']['nanoseconds']
        for start, each in zip(starts, with_messages, strict=True)
    ]
    assert told['starting_time']['nanoseconds_since_epoch'] == min(starts)
    assert told['duration']['nanoseconds'] == max(ends) - min(starts)
    return told
