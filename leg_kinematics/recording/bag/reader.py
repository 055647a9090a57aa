# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Reading a recording: whole, or as much of it as can be proved."""

import mmap
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from struct import error as StructError  # noqa: N812
from struct import unpack_from

from leg_kinematics.errors import BagError
from leg_kinematics.recording.bag.contents import Attachment, Channel, Message

try:
    from leg_kinematics.recording.bag import scanning
except ImportError as error:
    raise BagError(
        "recordings need the packages mcap, zstandard and lz4: pip install 'leg_kinematics[bag]'"
    ) from error

#: How to go on after a damage.
CURE = 'leg-kinematics recover keeps what can be proved'


@dataclass
class BagReader:
    """Reads the files of a recording in their order.

    Parameters
    ----------
    files
        Of the recording.

    Attributes
    ----------
    channels
        By topic, as far as they have been met.
    attachments
        By name, likewise; of several with a name the last.
    damages
        In words, with file and place; likewise.
    holes
        Damages behind which there is more.
    unnamed
        Messages that are proved, but whose channel was lost: nobody knows what they are.

    """

    files: tuple[Path, ...]
    channels: dict[str, Channel] = field(default_factory=dict)
    attachments: dict[str, Attachment] = field(default_factory=dict)
    damages: list[str] = field(default_factory=list)
    holes: int = 0
    unnamed: int = 0

    def messages(self) -> Iterator[Message]:
        """Give all messages that can be proved, file by file as they stand there.

        Raises
        ------
        BagError
            A file cannot be opened.

        """
        for path in self.files:
            yield from self._messages_of(path)

    def _messages_of(self, path: Path) -> Iterator[Message]:
        try:
            with path.open('rb') as file:
                size = file.seek(0, 2)
                content = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) if size else b''
        except OSError as error:
            raise BagError(f'cannot read {path}: {error.strerror}') from error
        with memoryview(content) as data:
            yield from self._messages_in(path, data)
        if isinstance(content, mmap.mmap):
            # Closed by whoever holds the last piece of it.
            with suppress(BufferError):
                content.close()

    def _messages_in(self, path: Path, data: memoryview) -> Iterator[Message]:
        definitions = _Definitions()
        with suppress(scanning.DamagedError, StructError, UnicodeDecodeError):
            for opcode, content in scanning.records(scanning.summary_definitions(data)):
                definitions.read(opcode, content)
        for found in scanning.scan(data):
            if isinstance(found, scanning.Damage):
                self.holes += found.end < len(data)
                self.damages.append(f'{path}, byte {found.start} to {found.end}: {found.what}')
            elif isinstance(found, scanning.AttachmentFound):
                text = found.data.decode(errors='replace')
                self.attachments[found.name] = Attachment(found.name, text)
            else:
                yield from self._messages_of_chunk(found.records, definitions)
        # Topics without a message are told in the summary, too.
        for channel in definitions.channels.values():
            self.channels.setdefault(channel.topic, channel)

    def _messages_of_chunk(self, chunk: bytes, definitions: '_Definitions') -> Iterator[Message]:
        for opcode, content in scanning.records(chunk):
            if opcode != scanning.MESSAGE:
                definitions.read(opcode, content)
                continue
            number, sequence, received, sent = scanning.MESSAGE_HEAD.unpack_from(content)
            channel = definitions.channels.get(number)
            if channel is None:
                self.unnamed += 1
                continue
            self.channels.setdefault(channel.topic, channel)
            payload = bytes(content[scanning.MESSAGE_HEAD.size :])
            yield Message(channel.topic, received, sent, sequence, payload)


class _Definitions:
    """The channels of one file, by number."""

    def __init__(self) -> None:
        self.channels: dict[int, Channel] = {}
        self._schemas: dict[int, tuple[str, str]] = {0: ('', '')}

    def read(self, opcode: int, content: memoryview) -> None:
        """Take in a schema or a channel."""
        if opcode == scanning.SCHEMA:
            (number,) = unpack_from('<H', content)
            (name, encoding, definition), _ = scanning.strings(content, 2, 3)
            self._schemas[number] = (name, definition if encoding == 'ros2msg' else '')
        elif opcode == scanning.CHANNEL:
            number, schema = unpack_from('<HH', content)
            (topic, _), at = scanning.strings(content, 4, 2)
            (length,) = unpack_from('<I', content, at)
            end, at, pairs = at + 4 + length, at + 4, {}
            while at < end:
                (key, value), at = scanning.strings(content, at, 2)
                pairs[key] = value
            kind, definition = self._schemas.get(schema, ('', ''))
            if kind:
                self.channels[number] = Channel(
                    topic,
                    kind,
                    definition,
                    pairs.get('topic_type_hash', ''),
                    pairs.get('offered_qos_profiles', ''),
                )


def files_of(path: Path) -> tuple[Path, ...]:
    """Name the files of a recording: a folder with them, or one of them.

    Raises
    ------
    BagError
        There is none.

    """
    if path.is_file():
        return (path,)
    found = sorted(path.glob('*.mcap'), key=_number_of)
    if not found:
        raise BagError(
            f'{path} is no recording: expected a file that ends with .mcap, or a folder with some'
        )
    return tuple(found)


def _number_of(path: Path) -> tuple[int, str]:
    """Order files by the number at the end of their name, which need not have leading zeros."""
    number = re.search(r'_(\d+)$', path.stem)
    return (int(number[1]) if number else 0, path.name)


def read_whole(path: Path) -> tuple[BagReader, list[Message]]:
    """Read a recording that has no damage.

    Raises
    ------
    BagError
        It is damaged, was not closed, or cannot be read.

    """
    reader = BagReader(files_of(path))
    messages = list(reader.messages())
    if reader.damages or reader.unnamed:
        first = reader.damages[0] if reader.damages else 'the definition of a topic is lost'
        raise BagError(f'the recording is damaged or was not closed: {first}; {CURE}')
    return reader, messages
