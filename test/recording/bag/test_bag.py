# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is written is read by others: two readers of bags that have nothing to do with us."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pytest
import yaml
from mcap.reader import make_reader
from mcap_ros2.decoder import DecoderFactory
from rosbags.highlevel import AnyReader
from rosbags.interfaces import ConnectionExtRosbag2, QosDurability, QosReliability
from rosbags.rosbag2 import Reader
from rosbags.typesys import Stores, get_typestore

from leg_kinematics.errors import BagError
from leg_kinematics.recording.bag.definitions import type_hash_of
from leg_kinematics.recording.bag.reader import read_whole
from leg_kinematics.recording.bag.writer import BagWriter

if TYPE_CHECKING:
    from test.published_format import information_of
    from test.written_bag import TICK, TOGETHER, channel, message, write_bag
else:
    from published_format import information_of
    from written_bag import TICK, TOGETHER, channel, message, write_bag


@pytest.mark.parametrize('max_seconds', [0.0, 1.0])
def test_rosbags_reads_it_typed(tmp_path: Path, max_seconds: float) -> None:
    """Source: the package rosbags, by the definitions in the file."""
    written = write_bag(tmp_path / 'run', max_seconds=max_seconds)
    with AnyReader([tmp_path / 'run']) as reader:
        read = [
            (connection.topic, at, cast('Any', reader.deserialize(data, connection.msgtype)))
            for connection, at, data in reader.messages()
        ]
        connections = {each.topic: each for each in reader.connections}
    assert [(topic, at) for topic, at, _ in read] == [
        (each.topic, each.received) for each in written
    ]
    velocities = [each.twist.linear.x for topic, _, each in read if topic == '/cmd_vel']
    assert velocities == [number / 1000 for number in range(400) if number % 10 != 9]
    velocity = connections['/cmd_vel']
    assert isinstance(velocity.ext, ConnectionExtRosbag2)
    assert velocity.msgtype == 'geometry_msgs/msg/TwistStamped'
    (offered,) = velocity.ext.offered_qos_profiles
    assert offered.reliability is QosReliability.RELIABLE
    assert offered.durability is QosDurability.VOLATILE
    assert offered.depth == 10
    assert velocity.digest == get_typestore(Stores.ROS2_KILTED).hash_rihs01(velocity.msgtype)


def test_the_reader_of_mcap_reads_it_typed(tmp_path: Path) -> None:
    """Source: the packages mcap and mcap-ros2-support."""
    written = write_bag(tmp_path / 'run')
    with (tmp_path / 'run' / 'run_0.mcap').open('rb') as file:
        reader = make_reader(file, validate_crcs=True, decoder_factories=[DecoderFactory()])
        assert reader.get_header().profile == 'ros2'
        read = list(reader.iter_decoded_messages())
        (attachment,) = reader.iter_attachments()
        (metadata,) = reader.iter_metadata()
    assert len(read) == len(written)
    for (schema, of, raw, decoded), each in zip(read, written, strict=True):
        assert (of.topic, raw.log_time, raw.publish_time, raw.sequence, raw.data) == each
        if of.topic == '/pressed':
            assert decoded.data is True
            assert schema is not None
            assert schema.encoding == 'ros2msg'
    assert (attachment.name, attachment.data) == ('robot.yaml', b'name: bracken\n')
    assert metadata.name == 'rosbag2'
    told = yaml.safe_load(metadata.metadata['serialized_metadata'])
    assert told['message_count'] == len(written)


def test_the_metadata_says_what_is_there(tmp_path: Path) -> None:
    """By its published format and as rosbags reads it; files by their own extents."""
    written = write_bag(tmp_path / 'run', max_seconds=1.0)
    with Reader(tmp_path / 'run') as reader:
        assert reader.message_count == len(written)
        assert reader.start_time == written[0].received
        assert reader.duration == written[-1].received - written[0].received + 1
    told = information_of(tmp_path / 'run')
    files = told['files']
    assert told['ros_distro'] == 'kilted'
    # A file ends at the first flush that is a second or more after its first message.
    per_file = 100 + TOGETHER
    assert [each['message_count'] for each in files] == [per_file, per_file, per_file, 40]
    assert files[0]['duration']['nanoseconds'] == (per_file - 1) * TICK


def test_we_read_it_ourselves(tmp_path: Path) -> None:
    """Every message, channel and attachment, over several files."""
    written = write_bag(tmp_path / 'run', max_seconds=1.0)
    reader, read = read_whole(tmp_path / 'run')
    assert read == written
    assert reader.channels.keys() == {'/cmd_vel', '/pressed'}
    assert reader.channels['/pressed'] == channel('/pressed', 'std_msgs/msg/Bool')
    assert reader.attachments['robot.yaml'].text == 'name: bracken\n'


def test_a_folder_that_is_there_is_left_alone(tmp_path: Path) -> None:
    """No recording is ever written over."""
    with pytest.raises(BagError, match='cannot make the folder'):
        BagWriter(tmp_path)


def test_a_type_that_is_not_installed_is_named() -> None:
    """With what helps."""
    with pytest.raises(BagError, match=r'weed_msgs/msg/Weed\.json is not installed here: install'):
        type_hash_of('weed_msgs/msg/Weed')


def test_files_are_limited_in_size(tmp_path: Path) -> None:
    """A file is followed by another one at the first flush at which it is large enough."""
    writer = BagWriter(tmp_path / 'run', max_bytes=5000)
    writer.add_channel(channel('/cmd_vel', 'geometry_msgs/msg/TwistStamped'))
    writer.add_channel(channel('/pressed', 'std_msgs/msg/Bool'))
    for number in range(400):
        writer.write(message(number))
        writer.flush()
    writer.close()
    assert len(writer.files) > 3
    assert read_whole(tmp_path / 'run')[1] == [message(number) for number in range(400)]
