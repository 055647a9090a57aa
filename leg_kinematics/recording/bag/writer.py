# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Writing a recording that may be cut off at any moment, and is whole up to the last flush.

Messages are collected in chunks, each with its checksum, and `flush` ends a chunk and hands it to
the system: a process that is killed after that loses nothing of it. The robot's files are MCAP
attachments, since those have a checksum of their own; MCAP's metadata records have none.
"""

import os
from collections.abc import Iterable
from io import FileIO
from pathlib import Path

from leg_kinematics.errors import BagError
from leg_kinematics.recording.bag.contents import Attachment, Channel, Message
from leg_kinematics.recording.bag.metadata import Extent, as_yaml, information

try:
    from mcap.writer import CompressionType
    from mcap.writer import Writer as McapWriter
except ImportError as error:
    raise BagError(
        "recordings need the packages mcap, zstandard and lz4: pip install 'leg_kinematics[bag]'"
    ) from error

#: A chunk that has become this large ends before the next flush, bytes.
CHUNK_SIZE = 1 << 20

METADATA_FILE = 'metadata.yaml'


class BagWriter:
    """Writes a recording into a folder: one file or several, and `metadata.yaml` at the end.

    Parameters
    ----------
    folder
        Is made; its name is that of the recording.
    max_bytes, max_seconds
        A file that has so many bytes, or spans so many seconds, is followed by the next one at a
        flush; without limit where it is 0.
    distribution
        Of ROS 2.

    Raises
    ------
    BagError
        The folder is there already, or cannot be made.

    """

    def __init__(
        self,
        folder: Path,
        *,
        max_bytes: int = 0,
        max_seconds: float = 0.0,
        distribution: str = '',
    ) -> None:
        """Make the folder and the first file."""
        try:
            folder.mkdir(parents=True)
        except OSError as error:
            raise BagError(f'cannot make the folder {folder}: {error.strerror}') from error
        self.folder = folder
        self._max_bytes = max_bytes
        self._max_ns = round(max_seconds * 1e9)
        self._distribution = distribution
        self._channels: dict[str, Channel] = {}
        self._attachments: list[Attachment] = []
        self._extents: dict[str, Extent] = {}
        self._earlier_bytes = 0
        self._file = self._next_file()

    @property
    def files(self) -> tuple[Path, ...]:
        """All files so far."""
        return tuple(self.folder / name for name in self._extents)

    @property
    def size(self) -> int:
        """Bytes of all files that the system has, or is about to get."""
        return self._earlier_bytes + self._file.size

    def attach(self, attachment: Attachment) -> None:
        """Add a file, to this file of the recording and to all that follow."""
        self._attachments.append(attachment)
        self._file.attach(attachment)

    def has_channel(self, topic: str) -> bool:
        """Tell whether a topic has been added."""
        return topic in self._channels

    def add_channel(self, channel: Channel) -> None:
        """Add a topic; one that is there stays as it is."""
        if channel.topic not in self._channels:
            self._channels[channel.topic] = channel
            self._file.add_channel(channel)

    def write(self, message: Message) -> None:
        """Add a message of a topic that has been added."""
        self._file.write(message)

    def flush(self) -> None:
        """Hand everything to the system, and begin the next file where this one is full.

        Raises
        ------
        OSError
            The disk takes no more: what was handed over before stays, this is lost, and nothing
            can be written any more.

        """
        self._file.flush()
        extent = self._file.extent
        full = 0 < self._max_bytes <= self._file.size
        long = extent.count > 0 and 0 < self._max_ns <= extent.last - extent.first
        if full or long:
            self._finish_file()
            self._file = self._next_file()

    def sync(self) -> None:
        """Have the system write to the disk what it was handed, in case the power goes."""
        self._file.sync()

    def close(self) -> None:
        """Write the index and `metadata.yaml`.

        Raises
        ------
        OSError
            The disk takes no more; what was flushed stays.

        """
        self._finish_file()
        whole = information(list(self._channels.values()), self._extents, self._distribution)
        temporary = self.folder / f'{METADATA_FILE}.tmp'
        temporary.write_text(as_yaml({'rosbag2_bagfile_information': whole}), encoding='utf-8')
        temporary.replace(self.folder / METADATA_FILE)

    def abandon(self) -> None:
        """Let go of a file that cannot be written any more."""
        self._file.abandon()

    def _next_file(self) -> '_File':
        name = f'{self.folder.name}_{len(self._extents)}.mcap'
        file = _File(self.folder / name, self._attachments, self._channels.values())
        self._extents[name] = file.extent
        return file

    def _finish_file(self) -> None:
        file = self._file
        of_it = {file.path.name: file.extent}
        file.finish(as_yaml(information(file.channels, of_it, self._distribution)))
        self._earlier_bytes += file.size


class _WholeFlushes:
    """A file to which only whole flushes are written: one that fails leaves no trace."""

    def __init__(self, path: Path) -> None:
        self._file = FileIO(path, 'xb')
        self._waiting = bytearray()
        self._written = 0

    def write(self, data: bytes) -> int:
        self._waiting += data
        return len(data)

    def tell(self) -> int:
        return self._written + len(self._waiting)

    def flush(self) -> None:
        rest = memoryview(self._waiting)
        try:
            while rest:
                rest = rest[self._file.write(rest) or 0 :]
        except OSError:
            os.ftruncate(self._file.fileno(), self._written)
            raise
        finally:
            rest.release()
        self._written += len(self._waiting)
        self._waiting = bytearray()

    def sync(self) -> None:
        os.fdatasync(self._file.fileno())

    def close(self) -> None:
        self._file.close()


class _File:
    """One file of a recording."""

    def __init__(
        self, path: Path, attachments: Iterable[Attachment], channels: Iterable[Channel]
    ) -> None:
        self.path = path
        self.extent = Extent.empty()
        self.channels: list[Channel] = []
        self._out = _WholeFlushes(path)
        self._schemas: dict[str, int] = {}
        self._ids: dict[str, int] = {}
        self._writer = McapWriter(
            self._out,  # type: ignore[arg-type]  # all of a file that it uses
            chunk_size=CHUNK_SIZE,
            compression=CompressionType.ZSTD,
        )
        self._writer.start(profile='ros2', library='leg_kinematics')
        for attachment in attachments:
            self.attach(attachment)
        for channel in channels:
            self.add_channel(channel)
        self._out.flush()

    @property
    def size(self) -> int:
        return self._out.tell()

    def attach(self, attachment: Attachment) -> None:
        self._writer.add_attachment(
            0, self.extent.last, attachment.name, 'text/plain', attachment.text.encode()
        )

    def add_channel(self, channel: Channel) -> None:
        self.channels.append(channel)
        if channel.kind not in self._schemas:
            self._schemas[channel.kind] = self._writer.register_schema(
                channel.kind, 'ros2msg', channel.definition.encode()
            )
        self._ids[channel.topic] = self._writer.register_channel(
            channel.topic,
            'cdr',
            self._schemas[channel.kind],
            {'offered_qos_profiles': channel.offered, 'topic_type_hash': channel.type_hash},
        )

    def write(self, message: Message) -> None:
        self._writer.add_message(
            self._ids[message.topic],
            message.received,
            message.data,
            message.sent,
            message.sequence & 0xFFFFFFFF,
        )
        self.extent.add(message.topic, message.received)

    def flush(self) -> None:
        self._writer.flush()  # type: ignore[no-untyped-call]

    def sync(self) -> None:
        self._out.sync()

    def finish(self, serialized_metadata: str) -> None:
        self.flush()
        self._writer.add_metadata('rosbag2', {'serialized_metadata': serialized_metadata})
        self._writer.finish()  # type: ignore[no-untyped-call]
        self._out.flush()
        self._out.close()

    def abandon(self) -> None:
        self._out.close()
