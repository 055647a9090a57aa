# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Recordings that were cut off or damaged: what is kept is right, and what is lost is told."""

import errno
import random
from io import FileIO
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from rosbags.highlevel import AnyReader

from leg_kinematics.errors import BagError
from leg_kinematics.recording.bag import writer as writer_module
from leg_kinematics.recording.bag.contents import Message
from leg_kinematics.recording.bag.reader import read_whole
from leg_kinematics.recording.bag.recovery import recover
from leg_kinematics.recording.bag.ring import Ring
from leg_kinematics.recording.bag.writer import BagWriter

if TYPE_CHECKING:
    from test.written_bag import START, TICK, TOGETHER, channel, message, write_bag
else:
    from written_bag import START, TICK, TOGETHER, channel, message, write_bag

COUNT = 400


def file_of(folder: Path) -> Path:
    """Return the only file of a recording."""
    return folder / 'run_0.mcap'


def read_by_rosbags(folder: Path) -> list[tuple[str, int, bytes]]:
    """Read a recording by the package rosbags."""
    with AnyReader([folder]) as reader:
        return [(connection.topic, at, data) for connection, at, data in reader.messages()]


def test_what_was_flushed_is_there_after_the_writer_is_gone(tmp_path: Path) -> None:
    """Ordinary readers fail on a file without an end; mended, it has every message."""
    written = write_bag(tmp_path / 'run', close=False)
    with pytest.raises(BagError, match=r'was not closed.*leg-kinematics recover'):
        read_whole(tmp_path / 'run')
    found = recover(tmp_path / 'run', tmp_path / 'mended')
    assert found.messages == {'/cmd_vel': 360, '/pressed': 40}
    assert found.seconds == pytest.approx(3.99)
    assert [each.partition(': ')[2] for each in found.damages] == ['the file was not closed']
    reader, read = read_whole(tmp_path / 'mended')
    assert read == written
    assert reader.attachments['robot.yaml'].text == 'name: bracken\n'
    assert read_by_rosbags(tmp_path / 'mended') == [(m.topic, m.received, m.data) for m in written]


def test_a_file_cut_anywhere_keeps_what_was_whole(tmp_path: Path) -> None:
    """At 40 places: chunk by chunk to the cut, and nothing behind it."""
    written = write_bag(tmp_path / 'run')
    whole = file_of(tmp_path / 'run').read_bytes()
    first_chunk = whole.index(b'\x04\0\0\0zstd', whole.index(b'\x04\0\0\0zstd') + 1)
    chances = random.Random(5)
    kept = []
    for number in range(40):
        cut = tmp_path / f'cut_{number}.mcap'
        cut.write_bytes(whole[: chances.randrange(len(whole))])
        try:
            recover(cut, tmp_path / f'mended_{number}')
        except BagError:
            assert cut.stat().st_size < first_chunk
            kept.append(0)
            continue
        read = read_whole(tmp_path / f'mended_{number}')[1]
        assert read == written[: len(read)]
        assert len(read) % TOGETHER == 0
        kept.append(len(read))
    assert min(kept) < COUNT / 10
    assert max(kept) > COUNT * 9 / 10


def damaged(whole: bytes, chances: random.Random) -> bytes:
    """Damage bytes: some changed, a stretch of zeros, something missing, or something foreign."""
    spoilt = bytearray(whole)
    at = chances.randrange(len(whole))
    length = chances.choice((1, 4, 512))
    kind = chances.randrange(5)
    if kind == 0:
        for _ in range(length):
            spoilt[chances.randrange(len(spoilt))] ^= 1 << chances.randrange(8)
    elif kind == 1:
        spoilt[at : at + length] = bytes(len(spoilt[at : at + length]))
    elif kind == 2:
        del spoilt[at : at + length]
    elif kind == 3:
        spoilt[at:at] = chances.randbytes(length)
    else:
        # A part of the file at another place, which has whole chunks in it.
        start = chances.randrange(len(whole))
        spoilt[at : at + 2000] = whole[start : start + 2000]
    return bytes(spoilt)


def test_of_200_damaged_files_nothing_wrong_is_returned(tmp_path: Path) -> None:
    """Every message that is kept was written; most are kept; every loss is told."""
    written = set(write_bag(tmp_path / 'run'))
    whole = file_of(tmp_path / 'run').read_bytes()
    chances = random.Random(20)
    kept = lost = 0
    for number in range(200):
        spoilt = tmp_path / f'spoilt_{number}.mcap'
        spoilt.write_bytes(damaged(whole, chances))
        try:
            read = read_whole(spoilt)[1]
        except BagError:
            pass
        else:
            assert set(read) == written
        try:
            found = recover(spoilt, tmp_path / f'mended_{number}')
        except BagError:
            lost += COUNT
            continue
        again = set(read_whole(tmp_path / f'mended_{number}')[1])
        assert again <= written
        assert again == written or found.damages or found.unnamed
        kept += len(again)
        lost += COUNT - len(again)
    assert kept > 0.7 * (kept + lost)


def test_what_is_behind_a_damage_is_kept(tmp_path: Path) -> None:
    """A length that is wrong leads nowhere; the next chunk is found all the same."""
    written = write_bag(tmp_path / 'run')
    file = file_of(tmp_path / 'run')
    content = bytearray(file.read_bytes())
    fifth = -1
    for _ in range(5):
        fifth = content.index(b'\x04\0\0\0zstd', fifth + 1)
    # Of the fifth chunk, in front of its head of 28 bytes.
    content[fifth - 36 : fifth - 28] = b'\xff' * 8
    file.write_bytes(content)
    found = recover(file, tmp_path / 'mended')
    read = read_whole(tmp_path / 'mended')[1]
    assert read == written[: 4 * TOGETHER] + written[5 * TOGETHER :]
    (damage,) = found.damages
    assert 'no record can begin here, or its length is wrong' in damage


def test_an_empty_file_says_so(tmp_path: Path) -> None:
    """And a folder without any."""
    (tmp_path / 'empty.mcap').touch()
    with pytest.raises(BagError, match=r'nothing in .* can be proved'):
        recover(tmp_path / 'empty.mcap', tmp_path / 'mended')
    with pytest.raises(BagError, match='is no recording'):
        recover(tmp_path / 'nothing', tmp_path / 'mended')
    assert not (tmp_path / 'mended').exists()


def test_a_full_disk_takes_nothing_of_what_was_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The flush that fails is lost whole, though the disk took half of it."""
    room = [9000]

    class SmallDisk(FileIO):
        """A file on a disk with so much room; it takes what fits (write(2), ENOSPC)."""

        def write(self, data: memoryview) -> int:  # type: ignore[override]
            if not room[0]:
                raise OSError(errno.ENOSPC, 'No space left on device')
            taken = super().write(data[: room[0]]) or 0
            room[0] -= taken
            return taken

    monkeypatch.setattr(writer_module, 'FileIO', SmallDisk)
    writer = BagWriter(tmp_path / 'run')
    writer.add_channel(channel('/cmd_vel', 'geometry_msgs/msg/TwistStamped'))
    writer.add_channel(channel('/pressed', 'std_msgs/msg/Bool'))
    flushed: list[int] = []

    def write_for_ever() -> None:
        for number in count():
            writer.write(message(number))
            if number % TOGETHER == TOGETHER - 1:
                writer.flush()
                flushed.append(number)

    with pytest.raises(OSError, match='No space left'):
        write_for_ever()
    writer.abandon()
    monkeypatch.undo()
    recover(tmp_path / 'run', tmp_path / 'mended')
    read = read_whole(tmp_path / 'mended')[1]
    assert read == [message(number) for number in range(flushed[-1] + 1)]


def test_the_last_seconds_are_kept_and_what_is_said_once() -> None:
    """By the instants of receipt; what was said once comes first, and comes again."""
    ring = Ring(1.0, lambda topic: topic == '/description')
    described = Message('/description', START, START, 0, b'')
    ring.add(described)
    for number in range(400):
        ring.add(message(number))
    last = message(399).received
    expected = [m for m in map(message, range(400)) if m.received >= last - 100 * TICK]
    assert list(ring.take()) == [described, *expected]
    ring.add(message(400))
    assert list(ring.take()) == [described, message(400)]
