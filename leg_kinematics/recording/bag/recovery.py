# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Mending a recording that was cut off or damaged, and proving it by reading it back."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from leg_kinematics.errors import BagError
from leg_kinematics.recording.bag.contents import Message
from leg_kinematics.recording.bag.reader import BagReader, files_of, read_whole
from leg_kinematics.recording.bag.writer import BagWriter

#: A flush after so many messages.
TOGETHER = 1000


@dataclass(frozen=True)
class Recovery:
    """What became of a recording.

    Attributes
    ----------
    folder
        Of the mended one.
    messages
        That were kept, by topic.
    seconds
        From the first to the last of them, s.
    damages
        What was wrong, in words.
    unnamed
        Messages that were left out, since the definition of their topic is lost.
    only_the_end
        Whether nothing is wrong but that files break off.

    """

    folder: Path
    messages: dict[str, int]
    seconds: float
    damages: tuple[str, ...]
    unnamed: int
    only_the_end: bool


def recover(path: Path, folder: Path) -> Recovery:
    """Write what can be proved of a recording into another folder, and read that back.

    Raises
    ------
    BagError
        Nothing can be kept, the folder is there already, it cannot be written, or what is read
        back is not what was written.

    """
    reader = BagReader(files_of(path))
    messages = reader.messages()
    first = next(messages, None)
    if first is None:
        raise BagError(f'nothing in {path} can be proved: {"; ".join(reader.damages[:3])}')
    writer = BagWriter(folder)
    kept = _Digest()
    attached: set[str] = set()
    try:
        for message in chain([first], messages):
            writer.add_channel(reader.channels[message.topic])
            for name in reader.attachments.keys() - attached:
                attached.add(name)
                writer.attach(reader.attachments[name])
            writer.write(message)
            kept.add(message)
            if kept.count % TOGETHER == 0:
                writer.flush()
        for name in reader.attachments.keys() - attached:
            writer.attach(reader.attachments[name])
        for channel in reader.channels.values():
            writer.add_channel(channel)
        writer.close()
    except OSError as error:
        writer.abandon()
        raise BagError(
            f'cannot write {folder}: {error.strerror}; choose another place by --output'
        ) from error
    again = _Digest()
    again.add_all(read_whole(folder)[1])
    if again != kept:
        raise BagError(
            f'{folder} was written, but reads back otherwise: do not trust this disk, and mend to '
            'another one by --output'
        )
    return Recovery(
        folder,
        kept.counts,
        (kept.last - kept.first) / 1e9,
        tuple(reader.damages),
        reader.unnamed,
        reader.unnamed == 0 and not reader.holes,
    )


class _Digest:
    """What tells two rows of messages apart."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self.counts: dict[str, int] = {}
        self.count = 0
        self.first = self.last = 0

    def add(self, message: Message) -> None:
        """Go on by a message."""
        self._hash.update(repr(message[:4]).encode())
        self._hash.update(message.data)
        self.first = min(self.first, message.received) if self.count else message.received
        self.last = max(self.last, message.received)
        self.counts[message.topic] = self.counts.get(message.topic, 0) + 1
        self.count += 1

    def add_all(self, messages: Iterable[Message]) -> None:
        """Go on by several."""
        for message in messages:
            self.add(message)

    def __eq__(self, other: object) -> bool:
        """Whether the same messages came in the same order."""
        return isinstance(other, _Digest) and self._hash.digest() == other._hash.digest()

    __hash__ = None  # type: ignore[assignment]  # it grows
