# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Photographs in a folder become positions of markers, each with how its leg stood."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from leg_kinematics.calibration.foot_readings import (
    BarMeasured,
    FootEntry,
    LegPosed,
    LegStand,
    PhotographTaken,
)
from leg_kinematics.commands.bench.photographed import PhotographFolder, markers_in, no_markers
from leg_kinematics.errors import CommandError
from leg_kinematics.identification.arrival import Arrival
from leg_kinematics.photogrammetry import feet
from leg_kinematics.photogrammetry.feet import FootPlace, PhotographNote, PhotoResult
from leg_kinematics.robot import load_robot

BRACKEN = load_robot(Path(__file__).parents[2] / 'config/robots/bracken.yaml')

HERE = LegStand('left_front', (1500.0, 1400.0, 1600.0), (1, -1, 1))
THERE = LegStand('left_front', (1400.0, 1500.0, 1700.0), (1, 1, 1))

COMING, WHOLE = Arrival.COMING, Arrival.WHOLE

#: How a photograph begins (ISO/IEC 10918-1, the markers SOI and APP0; from memory).
JPEG = b'\xff\xd8\xff\xe0 and so on'

VARIANCES = ((1e-8, 0.0, 0.0), (0.0, 1e-8, 0.0), (0.0, 0.0, 4e-8))

NOTED: tuple[FootEntry, ...] = (
    BarMeasured(0.2),
    LegPosed(HERE, 1, 1),
    PhotographTaken(1, 'a.jpg'),
    PhotographTaken(1, 'b.jpg'),
    LegPosed(THERE, 2, 2),
    PhotographTaken(2, 'c.jpg'),
    PhotographTaken(2, 'd.jpg'),
)


def test_markers_stand_where_their_legs_were_posed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each placement by its own photographs; one that shows nothing is told; asked for once."""
    asked: list[tuple[Mapping[str, int], float]] = []

    def found(
        folder: Path, photographs: Mapping[str, int], legs: Sequence[str], bar: float
    ) -> PhotoResult:
        assert (folder, tuple(legs)) == (tmp_path, BRACKEN.leg_names)
        asked.append((photographs, bar))
        pose = next(iter(photographs.values()))
        place = FootPlace((0.1 * pose, 0.2, 0.01), VARIANCES, 2)
        note = PhotographNote('d.jpg', used='d.jpg' not in photographs, words='It is blurred.')
        return PhotoResult({(pose, 'left_front'): place}, (note,), ())

    monkeypatch.setattr(feet, 'feet_from_photographs', found)
    find = markers_in(tmp_path, BRACKEN)
    seen = find(NOTED)
    assert asked == [({'a.jpg': 1, 'b.jpg': 1}, 0.2), ({'c.jpg': 2, 'd.jpg': 2}, 0.2)]
    assert [(each.stand, each.placement, each.position) for each in seen.feet] == [
        (HERE, 1, (0.1, 0.2, 0.01)),
        (THERE, 2, (0.2, 0.2, 0.01)),
    ]
    assert {each.point for each in seen.feet} == {'marker'}
    assert seen.words == ('d.jpg: It is blurred.',)
    assert find(NOTED) == seen
    assert len(asked) == 2


def test_a_bar_that_nobody_measured(tmp_path: Path) -> None:
    """Without it nothing is known to scale."""
    with pytest.raises(CommandError, match='nobody has measured the bar'):
        markers_in(tmp_path, BRACKEN)(NOTED[1:])


def test_photographs_without_their_folder() -> None:
    """They are not forgotten in silence."""
    assert no_markers(NOTED[:2]).feet == ()
    with pytest.raises(CommandError, match='name their folder by --photographs'):
        no_markers(NOTED)


def test_a_photograph_counts_once_it_is_whole(tmp_path: Path) -> None:
    """While it grows, or is empty, it is still being copied, however often one looks.

    What begins as no JPEG does cannot be read, whatever it is called.
    """
    now = [100.0]
    (tmp_path / 'before.jpg').write_bytes(JPEG)
    folder = PhotographFolder(tmp_path, lambda: now[0])
    (tmp_path / 'empty.jpg').write_bytes(b'')
    (tmp_path / 'growing.jpg').write_bytes(JPEG[:2])
    (tmp_path / 'heic.jpg').write_bytes(b'\x00\x00\x00\x18ftypheic')
    assert set(folder.look().values()) == {COMING}
    now[0] += 0.4
    (tmp_path / 'growing.jpg').write_bytes(JPEG)
    for _ in range(3):
        assert set(folder.look().values()) == {COMING}
    now[0] += 0.2
    expected = {'before.jpg': WHOLE, 'empty.jpg': COMING, 'growing.jpg': COMING}
    assert folder.look() == {**expected, 'heic.jpg': Arrival.UNREADABLE}
    now[0] += 0.3
    expected['growing.jpg'] = WHOLE
    assert folder.look() == {**expected, 'heic.jpg': Arrival.UNREADABLE}
