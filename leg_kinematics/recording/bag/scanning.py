# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Going through the bytes of a recording, and believing only what its checksums prove.

A file of MCAP (https://mcap.dev/spec) is a row of records: opcode, length, content. Messages and
their channels are in chunks, whose records have a checksum, and so have attachments and the summary
at the end. Where a record cannot be, the search goes on behind the last one that was proved, for
the next chunk: its head can be recognised by the name of the compression.
"""

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from struct import Struct, unpack_from
from struct import error as StructError  # noqa: N812

import lz4.frame
import zstandard

MAGIC = b'\x89MCAP0\r\n'

HEAD = Struct('<BQ')

FOOTER, SCHEMA, CHANNEL, MESSAGE, CHUNK, ATTACHMENT, DATA_END = 2, 3, 4, 5, 6, 9, 15

#: Opcodes from 1 to 15 are defined, those from 128 on are for others.
DEFINED = range(1, 16)
PRIVATE = range(128, 256)

#: Of a chunk, in front of its compression: two times, the size and the checksum of its records.
CHUNK_HEAD = Struct('<QQQI')

COMPRESSIONS = (b'\x04\0\0\0zstd', b'\x03\0\0\0lz4')

#: A chunk is no larger, bytes: a number that is damaged shall not fill the memory.
LARGEST_CHUNK = 256 << 20

MESSAGE_HEAD = Struct('<HIQQ')


class DamagedError(ValueError):
    """A record is not what its checksum says."""


@dataclass(frozen=True)
class ChunkFound:
    """The records of a chunk that is proved."""

    records: bytes


@dataclass(frozen=True)
class AttachmentFound:
    """An attachment that is proved."""

    name: str
    data: bytes


@dataclass(frozen=True)
class Damage:
    """Something that is not as it was written.

    Attributes
    ----------
    start, end
        Bytes in the file between which it was.
    what
        In words.

    """

    start: int
    end: int
    what: str


Found = ChunkFound | AttachmentFound | Damage


def scan(data: memoryview) -> Iterator[Found]:  # noqa: C901  a loop over kinds of records
    """Go through a file; give what is proved, and what is not.

    The end of a file that was not closed is a damage, too.
    """
    at = proved = len(MAGIC)
    tried = -1
    if bytes(data[: len(MAGIC)]) != MAGIC:
        proved, at = 0, _next_chunk(data, 0)
        yield Damage(0, at, 'the beginning is not that of an MCAP file')
    while at < len(data):
        what = 'no record can begin here, or its length is wrong'
        end = _end_of_record(data, at)
        if end is not None:
            opcode, content = data[at], data[at + HEAD.size : end]
            try:
                if opcode == CHUNK:
                    yield ChunkFound(_records_of(content))
                    proved = end
                elif opcode == ATTACHMENT:
                    yield _attachment(content)
                    proved = end
                elif opcode == DATA_END:
                    if bytes(data[-len(MAGIC) :]) != MAGIC:
                        yield Damage(at, len(data), 'the summary at the end is cut off')
                    return
            except DamagedError as error:
                what = str(error)
            else:
                at = end
                continue
        if data[at] == CHUNK:
            tried = max(tried, at)
        at = _next_chunk(data, max(proved, tried + 1))
        yield Damage(proved, at, what)
    yield Damage(len(data), len(data), 'the file was not closed')


def summary_definitions(data: memoryview) -> bytes:
    """Give the records of the summary at the end; none unless its checksum proves them."""
    size = HEAD.size + 20
    at = len(data) - len(MAGIC) - size
    if at < len(MAGIC) or bytes(data[-len(MAGIC) :]) != MAGIC or data[at] != FOOTER:
        return b''
    start, _, checksum = unpack_from('<QQI', data, at + HEAD.size)
    if not 0 < start < at or not checksum or zlib.crc32(data[start : at + size - 4]) != checksum:
        return b''
    return bytes(data[start:at])


def records(data: bytes) -> Iterator[tuple[int, memoryview]]:
    """Give opcode and content of every record, of what a checksum has proved."""
    view, at = memoryview(data), 0
    while at < len(view):
        end = _end_of_record(view, at)
        if end is None:
            raise DamagedError('a record is longer than its chunk')
        yield view[at], view[at + HEAD.size : end]
        at = end


def strings(content: memoryview, at: int, count: int) -> tuple[list[str], int]:
    """Read so many texts, each behind its length; give them and where they end."""
    texts = []
    for _ in range(count):
        (length,) = unpack_from('<I', content, at)
        at += 4 + length
        if at > len(content):
            raise DamagedError('a text is longer than its record')
        texts.append(bytes(content[at - length : at]).decode())
    return texts, at


def _end_of_record(data: memoryview, at: int) -> int | None:
    """Tell where a record ends; None where none can be."""
    if at + HEAD.size > len(data):
        return None
    opcode, length = HEAD.unpack_from(data, at)
    end = at + HEAD.size + int(length)
    known = opcode in DEFINED or opcode in PRIVATE
    return end if known and end <= len(data) else None


def _next_chunk(data: memoryview, since: int) -> int:
    """Tell where the next head of a chunk is; the end where there is none."""
    found = len(data)
    obj = data.obj
    for name in COMPRESSIONS:
        head = HEAD.size + CHUNK_HEAD.size
        at = obj.find(name, since + head)  # type: ignore[attr-defined]  # bytes or a map of a file
        while at >= 0 and data[at - head] != CHUNK:
            at = obj.find(name, at + 1)  # type: ignore[attr-defined]
        if at >= 0:
            found = min(found, at - head)
    return found


def _records_of(content: memoryview) -> bytes:
    """Unpack a chunk and prove it."""
    try:
        _, _, size, checksum = CHUNK_HEAD.unpack_from(content)
        (compression,), at = strings(content, CHUNK_HEAD.size, 1)
        (length,) = unpack_from('<Q', content, at)
    except (StructError, UnicodeDecodeError) as error:
        raise DamagedError('the head of a chunk is damaged') from error
    packed = content[at + 8 : at + 8 + length]
    if size > LARGEST_CHUNK or len(packed) != length:
        raise DamagedError('the head of a chunk is damaged')
    unpacked = _unpack(packed, compression, size)
    if len(unpacked) != size or not checksum or zlib.crc32(unpacked) != checksum:
        raise DamagedError('a chunk is not what its checksum says')
    return unpacked


def _unpack(packed: memoryview, compression: str, size: int) -> bytes:
    if compression == '':
        return bytes(packed)
    if compression == 'lz4':
        unpacker = lz4.frame.LZ4FrameDecompressor()
        try:
            return bytes(unpacker.decompress(packed, max_length=size))
        except (RuntimeError, EOFError) as error:
            raise DamagedError('a chunk cannot be unpacked') from error
    if compression != 'zstd':
        raise DamagedError(f'a chunk is packed in an unknown way, {compression!r}')
    try:
        # The size that the packed data claims is what would be taken of the memory.
        claimed = zstandard.get_frame_parameters(packed[:18]).content_size
        if claimed not in {size, zstandard.CONTENTSIZE_UNKNOWN}:
            raise DamagedError('a chunk is not as large as it says')
        return zstandard.ZstdDecompressor().decompress(packed, max_output_size=size)
    except zstandard.ZstdError as error:
        raise DamagedError('a chunk cannot be unpacked') from error


def _attachment(content: memoryview) -> AttachmentFound:
    """Read an attachment and prove it."""
    try:
        (checksum,) = unpack_from('<I', content, len(content) - 4)
        if not checksum or zlib.crc32(content[:-4]) != checksum:
            raise DamagedError('an attachment is not what its checksum says')
        (name, _), at = strings(content, 16, 2)
    except (StructError, UnicodeDecodeError) as error:
        raise DamagedError('an attachment is damaged') from error
    return AttachmentFound(name, bytes(content[at + 8 : -4]))
