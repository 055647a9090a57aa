# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What was read at the bench outlives every interruption, and a hostile file harms nobody."""

import contextlib
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from math import degrees, radians
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leg_kinematics.calibration.entry_lines import Entry
from leg_kinematics.calibration.foot_readings import (
    BarMeasured,
    FootEntry,
    FootOnGround,
    FootRead,
    LegPosed,
    LegStand,
    MarkersPlaced,
    PhotographTaken,
)
from leg_kinematics.calibration.joint_readings import (
    AngleRead,
    EndFound,
    HornFitted,
    OutputFound,
    SignSeen,
)
from leg_kinematics.calibration.measured import Reading, fit_servo_map
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Robot

TODAY = date(2026, 11, 30)
COXA, FEMUR = 'left_front_coxa', 'left_front_femur'

STAND = LegStand('left_front', (1500.0, 1393.5, 1341.0), (1, -1, 0))

FEET: tuple[FootEntry, ...] = (
    FootRead(STAND, 1, (0.2105, -0.08, 0.0)),
    FootOnGround(LegStand('right_rear', (1210.5, 1750.0, 980.0), (1, 0, 0)), 2),
    LegPosed(STAND, 2, 7),
    PhotographTaken(7, 'IMG 0042 (façade).jpg'),
    BarMeasured(0.15),
    MarkersPlaced((-0.02, 0.0, 0.0125)),
)

ENTRIES: tuple[Entry, ...] = (
    OutputFound(COXA, 'main', 0),
    HornFitted(COXA, 1500.0, radians(17.5)),
    SignSeen(COXA, -1),
    EndFound(COXA, 'lowest', 640.0),
    EndFound(COXA, 'highest', 2310.5),
    AngleRead(COXA, Reading(1000.0, radians(45.0), 'up')),
    AngleRead(COXA, Reading(2000.0, radians(-44.5), 'down')),
    SignSeen(FEMUR, 1),
    *FEET,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return where a file of readings may be."""
    return tmp_path / 'readings.jsonl'


@pytest.fixture
def opened(path: Path, bracken: Robot) -> Callable[[], ReadingsFile]:
    """Return a function that opens the file as after a new start, on a later day."""
    return lambda: ReadingsFile(path, bracken, date(2026, 12, 24))


def kept(path: Path, robot: Robot, entries: tuple[Entry, ...] = ENTRIES) -> ReadingsFile:
    """Write entries into a new file."""
    file = ReadingsFile(path, robot, TODAY)
    for entry in entries:
        file.add(entry)
    return file


def test_all_is_read_again_as_it_was(
    path: Path, bracken: Robot, opened: Callable[[], ReadingsFile]
) -> None:
    """After a new start everything is known that was known before, to the last digit."""
    before, after = kept(path, bracken), opened()
    assert after.entries == before.entries
    assert [type(each) for each in after.entries] == [type(each) for each in ENTRIES]
    assert after.began == TODAY
    assert after.cut == ''
    first, second = after.readings(COXA)
    assert (first.pulse_us, degrees(first.angle), first.approached) == (1000.0, 45.0, 'up')
    assert degrees(second.angle) == pytest.approx(-44.5)
    assert after.ends_us(COXA) == (640.0, 2310.5)
    assert after.output(COXA) == ('main', 0)
    assert (after.sign(COXA), after.sign(FEMUR)) == (-1, 1)
    assert after.horn_fitted(COXA)


def test_feet_do_not_count_any_more_once_a_horn_of_their_leg_is_fitted_anew(
    path: Path, bracken: Robot
) -> None:
    """The same pulses bring the foot elsewhere then; feet of other legs are where they were."""
    file = kept(path, bracken)
    first, second, _, *rest = FEET
    assert file.feet == FEET
    expected: list[list[FootEntry]] = [
        [second, *rest],
        [second, *rest, first],
        [*rest, first],
        [second, *rest, first],
    ]
    file.add(HornFitted('left_front_tibia', 1500.0, 0.0))
    assert list(file.feet) == expected[0]
    file.add(first)
    assert list(file.feet) == expected[1]
    file.add(HornFitted('right_rear_coxa', 1500.0, 0.0))
    assert list(file.feet) == expected[2]
    file.take_back()
    assert list(file.feet) == expected[3]


def test_of_a_joint_that_was_not_touched_nothing_is_known(path: Path, bracken: Robot) -> None:
    """The file tells what is still to be done."""
    file = kept(path, bracken)
    assert file.readings(FEMUR) == ()
    assert file.ends_us(FEMUR) == (None, None)
    assert file.output(FEMUR) is None
    assert file.sign('left_front_tibia') is None
    assert not file.horn_fitted(FEMUR)


def test_every_fit_can_be_made_again(path: Path, bracken: Robot) -> None:
    """A fit of what is in the file is the fit of what was read, exactly."""
    file = kept(path, bracken)
    link = bracken.legs[0].coxa
    again = ReadingsFile(path, bracken, TODAY).readings(COXA)
    limits = (link.lower, link.upper)
    assert fit_servo_map(again, link.servo, limits) == fit_servo_map(
        file.readings(COXA), link.servo, limits
    )


def test_nothing_is_written_before_there_is_something(path: Path, bracken: Robot) -> None:
    """To look is not to write."""
    file = ReadingsFile(path, bracken, TODAY)
    assert file.entries == ()
    assert file.take_back() is None
    assert not path.exists()


def test_everything_can_be_taken_back_one_by_one(
    path: Path, bracken: Robot, opened: Callable[[], ReadingsFile]
) -> None:
    """The last first, also after a new start; what was there stays in the file."""
    file = kept(path, bracken)
    entries = file.entries
    for count in range(len(entries), 0, -1):
        assert file.take_back() == entries[count - 1]
        file = opened()
        assert file.entries == entries[: count - 1]
    assert file.take_back() is None
    file.add(ENTRIES[0])
    assert opened().entries == entries[:1]
    assert len(path.read_text().splitlines()) == 1 + 2 * len(ENTRIES) + 1


def test_cut_at_every_byte(path: Path, bracken: Robot, opened: Callable[[], ReadingsFile]) -> None:
    """Of a line that is not whole nothing is taken, all before it is there, and it goes on."""
    entries = kept(path, bracken).entries
    whole = path.read_bytes()
    for length in range(len(whole)):
        path.write_bytes(whole[:length])
        file = opened()
        lines = whole[:length].split(b'\n')
        done = max(len(lines) - 2, 0)
        assert file.entries == entries[:done]
        assert file.cut.encode() == lines[-1]
        file.add(ENTRIES[done])
        assert opened().entries == entries[: done + 1]
        assert opened().cut == ''
    # The date is that of the first line, unless it was cut itself.
    assert opened().began == TODAY


def test_zeros_in_place_of_a_line_are_a_cut_line(
    path: Path, bracken: Robot, opened: Callable[[], ReadingsFile]
) -> None:
    """As some file systems leave them when the power fails."""
    entries = kept(path, bracken).entries
    with path.open('ab') as stream:
        stream.write(b'\0' * 100)
    file = opened()
    assert file.entries == entries
    assert file.cut == '\0' * 100
    file.add(ENTRIES[0])
    assert b'\0' not in path.read_bytes()


def test_two_at_one_file_do_not_mix(path: Path, bracken: Robot) -> None:
    """The one that comes second is told, and writes nothing."""
    first = kept(path, bracken)
    second = ReadingsFile(path, bracken, TODAY)
    first.add(ENTRIES[0])
    theirs = path.read_bytes()
    with pytest.raises(DescriptionError, match='somebody else has changed this file'):
        second.add(ENTRIES[1])
    assert path.read_bytes() == theirs
    assert len(second.entries) == len(ENTRIES)


def test_two_at_a_new_file_do_not_mix(path: Path, bracken: Robot) -> None:
    """Neither do two that both found none."""
    second = ReadingsFile(path, bracken, TODAY)
    kept(path, bracken)
    theirs = path.read_bytes()
    with pytest.raises(DescriptionError, match='cannot be written: File exists'):
        second.add(ENTRIES[1])
    assert path.read_bytes() == theirs


def test_a_full_disk(path: Path, bracken: Robot, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is told, nothing half-written is left, and once there is room it goes on."""
    file = kept(path, bracken)
    before = path.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, 'No space left on device')

    with monkeypatch.context() as patch:
        patch.setattr(os, 'fsync', full)
        with pytest.raises(DescriptionError, match='cannot be written: No space left on device'):
            file.add(ENTRIES[0])
        with pytest.raises(DescriptionError, match='No space left'):
            file.take_back()
    assert path.read_bytes() == before
    assert len(file.entries) == len(ENTRIES)
    file.add(ENTRIES[0])
    assert len(ReadingsFile(path, bracken, TODAY).entries) == len(ENTRIES) + 1


def test_a_folder_that_is_not_there(tmp_path: Path, bracken: Robot) -> None:
    """Told with the file that was meant."""
    file = ReadingsFile(tmp_path / 'nowhere' / 'readings.jsonl', bracken, TODAY)
    with pytest.raises(DescriptionError, match='cannot be written: No such file'):
        file.add(ENTRIES[0])


def test_a_file_that_is_full(path: Path, bracken: Robot, monkeypatch: pytest.MonkeyPatch) -> None:
    """None is written that would be too large to be read again."""
    file = kept(path, bracken)
    size = path.stat().st_size
    monkeypatch.setattr('leg_kinematics.calibration.readings_file.MOST_BYTES', size + 10)
    with pytest.raises(DescriptionError, match='go on with another file'):
        file.add(ENTRIES[0])
    assert path.stat().st_size == size


@pytest.mark.parametrize(
    ('entry', 'message'),
    [
        (SignSeen('left_front_hip', 1), "bracken has no joint 'left_front_hip'"),
        (EndFound(COXA, 'lowest', float('nan')), 'nan is no pulse in µs'),
        (EndFound(COXA, 'lowest', 20.0), 'expected a number of 200 … 4000'),
        (AngleRead(COXA, Reading(1500.0, float('inf'), 'up')), 'inf is no angle in degrees'),
        (AngleRead(COXA, Reading(1500.0, 7.0, 'up')), 'expected a number of -360 … 360'),
        (OutputFound(COXA, 'main', -1), '-1 is no channel'),
        (FootRead(replace(STAND, leg='left'), 1, (0.0, 0.0, 0.0)), "bracken has no leg 'left'"),
        (FootRead(STAND, 0, (0.0, 0.0, 0.0)), '0 is no number of a placement'),
        (FootRead(STAND, 1, (0.0, float('nan'), 0.0)), 'nan is no coordinate in mm'),
        (FootRead(STAND, 1, (0.0, 2.1, 0.0)), '2100.0 is no coordinate in mm: expected .* 2000'),
        (FootOnGround(replace(STAND, sides=(1, 2, 0)), 1), '2 is no side'),
        (FootOnGround(replace(STAND, pulses_us=(1500.0, 0.0, 0.0)), 1), '0.0 is no pulse in µs'),
        (PhotographTaken(1, '../secret.jpg'), 'is no name of a file in a folder'),
        (PhotographTaken(1, ''), "'' is no name of a file"),
        (PhotographTaken(1, 'x' * 400), 'longer than 400 characters'),
        (MarkersPlaced((0.0, 0.2, 0.0)), '200.0 is no coordinate in mm: expected a number of -150'),
        (BarMeasured(150.3), '150300.0 is no length in mm: expected a number of 20 … 300'),
    ],
)
def test_what_could_not_be_read_again_is_not_written(
    path: Path, bracken: Robot, entry: Entry, message: str
) -> None:
    """The file is never made unreadable by what is added to it."""
    file = ReadingsFile(path, bracken, TODAY)
    with pytest.raises(DescriptionError, match=message):
        file.add(entry)
    assert not path.exists()


HEAD = '{"readings_of": "bracken", "began": "2026-11-30"}\n'


COXA_IS = HEAD + '{"joint": "left_front_coxa", '

FOOT = HEAD + (
    '{"leg": "left_front", "us": [1500, 1400, 1300], "sides": [1, 0, -1], "placement": 1, '
)

#: What stands in the file, the line that is blamed, and why.
HOSTILE: list[tuple[str, int | None, str]] = [
    ('{"readings_of": "nettle", "began": "2026-11-30"}\n', 1, "of 'nettle', the robot is 'bra"),
    ('{"joint": "left_front_coxa", "sign": 1}\n', 1, 'this is no file of readings'),
    ('robot: bracken\n', 1, 'no entry'),
    ('{"readings_of": "bracken", "began": "lately"}\n', 1, "'lately'"),
    (COXA_IS + '"si\n', 2, 'no entry .* restore this line'),
    (HEAD + '[1, 2]\n', 2, 'expected a mapping in braces'),
    (HEAD + '7\n', 2, 'expected a mapping in braces'),
    (HEAD + '\n', 2, 'no entry'),
    (HEAD + '{"joint": "left_front_coxa"}\n', 2, 'no entry has the keys joint: expected'),
    (HEAD + '{"joint": ["a"], "sign": 1}\n', 2, 'bracken has no joint'),
    (HEAD + '{"joint": "left_front_coax", "sign": 1}\n', 2, "did you mean 'left_front_coxa'"),
    (COXA_IS + '"sign": 2}\n', 2, '2 is no sign'),
    (COXA_IS + '"sign": true}\n', 2, 'True is no sign'),
    (COXA_IS + '"sign": [1]}\n', 2, 'is no sign'),
    (COXA_IS + '"lowest_us": NaN}\n', 2, 'nan is no pulse'),
    (COXA_IS + '"lowest_us": 1e999}\n', 2, 'inf is no pulse'),
    (COXA_IS + '"lowest_us": "600"}\n', 2, "'600' is no pulse"),
    (COXA_IS + '"lowest_us": true}\n', 2, 'True is no pulse'),
    (COXA_IS + '"sign": 1, "sign": 1}\n', 2, 'a key stands here twice'),
    (COXA_IS + '"us": 1500, "deg": 1, "approached": "left"}\n', 2,
     "'left' is no approach"),
    (COXA_IS + '"board": 7, "channel": 0}\n', 2, '7 is no name'),
    (COXA_IS + '"board": "main", "channel": 0.5}\n', 2, '0.5 is no ch'),
    (FOOT + '"touched": false}\n', 2, 'False is no touch: expected true'),
    (FOOT + '"touched": true, "pose": 1}\n', 2, 'no entry has the keys leg, us, sides, pla'),
    (FOOT + '"mm": [1, 2]}\n', 2, '.1, 2. are no coordinates in mm: expected three in brackets'),
    (FOOT + '"mm": {"x": 1}}\n', 2, 'are no coordinates in mm'),
    (FOOT + '"mm": [1, 2, true]}\n', 2, 'True is no coordinate'),
    (FOOT + '"mm": [1, 2, 1e999]}\n', 2, 'inf is no coordinate'),
    (FOOT + '"mm": [1, 2, 3], "joint": "left_front_coxa"}\n', 2, 'no entry has the keys'),
    (FOOT + '"pose": 1.5}\n', 2, '1.5 is no number of a pose: expected a whole number'),
    (FOOT.replace('placement', 'place') + '"mm": [1, 2, 3]}\n', 2, 'no entry has the keys'),
    (FOOT.replace('1500', '"x"') + '"mm": [1, 2, 3]}\n', 2, "'x' is no pulse"),
    (FOOT.replace('left_front', 'left_frnt') + '"pose": 1}\n', 2, "mean 'left_front'"),
    (FOOT.replace('[1, 0, -1]', '[1, 0, true]') + '"pose": 1}\n', 2, 'True is no side'),
    (HEAD + '{"photograph": 7, "pose": 1}\n', 2, '7 is no name of a file in a folder'),
    (HEAD + '{"photograph": "a/b.jpg", "pose": 1}\n', 2, 'is no name of a file in a folder'),
    (HEAD + '{"marker_mm": [0, 12]}\n', 2, 'are no coordinates in mm: expected three in brackets'),
    (HEAD + '{"bar_mm": 1503}\n', 2, '1503 is no length in mm: expected a number of 20'),
    (HEAD + '{"taken_back": true}\n', 2, 'nothing is left here that could be taken back'),
    (HEAD + '[' * 100_000 + '\n', 2, 'longer than 400 characters'),
    (HEAD + '[' * 399 + '\n', 2, 'no entry'),
    (HEAD + '9' * 399 + '\n', 2, 'expected a mapping in braces'),
    ('x' * 200_000, None, 'larger than 128 kB'),
]  # fmt: skip


@pytest.mark.parametrize(('text', 'line', 'message'), HOSTILE, ids=[each[2] for each in HOSTILE])
def test_hostile_files(
    path: Path, opened: Callable[[], ReadingsFile], text: str, line: int | None, message: str
) -> None:
    """Whatever stands in the file, the answer names the line, and nothing is written."""
    path.write_text(text)
    with pytest.raises(DescriptionError, match=message) as caught:
        opened()
    assert caught.value.line == line
    assert path.read_text() == text


def test_what_is_no_file(tmp_path: Path, bracken: Robot) -> None:
    """A pipe is not waited for, and a folder is told."""
    os.mkfifo(tmp_path / 'pipe')
    for name, message in (('pipe', 'this is a pipe'), ('', 'this is a folder')):
        with pytest.raises(DescriptionError, match=message):
            ReadingsFile(tmp_path / name, bracken, TODAY)


def test_another_encoding(path: Path, opened: Callable[[], ReadingsFile]) -> None:
    """As an editor may have saved it."""
    path.write_bytes(HEAD.encode('utf-16'))
    with pytest.raises(DescriptionError, match='this is UTF-16'):
        opened()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_bytes_that_are_spoilt(path: Path, bracken: Robot, data: Any) -> None:  # noqa: ANN401
    """Any bytes changed anywhere: entries of this robot, or a refusal; the file stays as it is."""
    path.unlink(missing_ok=True)
    kept(path, bracken)
    spoilt = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 3))):
        spoilt[data.draw(st.integers(0, len(spoilt) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(spoilt)
    with contextlib.suppress(DescriptionError):
        file = ReadingsFile(path, bracken, TODAY)
        assert file.joints <= set(bracken.joints)
        assert {
            each.stand.leg
            for each in file.feet
            if isinstance(each, FootRead | FootOnGround | LegPosed)
        } <= set(bracken.leg_names)
    assert path.read_bytes() == spoilt
