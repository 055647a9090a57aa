# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A value is changed in its file, and nothing else is, to the last character."""

import os
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Document, load_robot

CONFIG = Path(__file__).parents[2] / 'config'
SCHEMAS = {
    'robots': files('leg_kinematics.robot') / 'robot.schema.json',
    'servo_maps': files('leg_kinematics.calibration') / 'servo_maps.schema.json',
}

FREE = """\
# Of a leg.\r
a: &one   5 mm   # first, in two steps\r
b:\r
    - [1 deg,2 deg,   # wrapped
       3 deg]
    -   "quoted # no comment"    # comment


    - >
      folded
      text
    - last
c: *one
d: {x: &two 7, y: *two}   # µ before \N{GREEK SMALL LETTER MU} after
e:
  f:
    g: 1
    # under g
    h: 2

  # under f
  i: [3, 4]
# the end"""


@pytest.fixture
def free(tmp_path: Path) -> Document:
    """Return a document of all sorts that any schema allows."""
    schema, file = tmp_path / 'any.schema.json', tmp_path / 'free.yaml'
    schema.write_text('{}')
    file.write_bytes(FREE.encode())
    return Document(file, schema)


@pytest.fixture
def maps(tmp_path: Path) -> Document:
    """Return a copy of the servo maps that ship with the package."""
    file = tmp_path / 'maps.yaml'
    file.write_bytes((CONFIG / 'servo_maps' / 'bracken.yaml').read_bytes())
    return Document(file, SCHEMAS['servo_maps'])


def written(document: Document) -> str:
    """Save a document and return what stands in its file."""
    document.save()
    return document.file.read_bytes().decode()


def leaves(content: object, path: str = '') -> Iterator[tuple[str, Any]]:
    """Give every place that holds a scalar, and the scalar."""
    if isinstance(content, dict):
        for key, value in content.items():
            yield from leaves(value, f'{path}.{key}' if path else key)
    elif isinstance(content, list):
        for index, value in enumerate(content):
            yield from leaves(value, f'{path}[{index}]')
    else:
        yield path, content


@pytest.mark.parametrize('kind', SCHEMAS)
def test_every_value_of_the_examples_can_be_changed_alone(kind: str) -> None:
    """Written anew with a comment behind it, every value is found at its own line and nowhere."""
    document = Document(CONFIG / kind / 'bracken.yaml', SCHEMAS[kind])
    before = document._text.splitlines()  # noqa: SLF001 - what would be written
    for path, value in leaves(document.content):
        changed = document.with_value(path, f'"{value}"' if isinstance(value, str) else f'{value} ')
        after = changed._text.splitlines()  # noqa: SLF001
        assert changed.content == document.content
        differing = [n for n, pair in enumerate(zip(before, after, strict=True), 1)
                     if pair[0] != pair[1]]  # fmt: skip
        assert differing == [document.line(path)], path


@pytest.mark.parametrize(
    ('path', 'new', 'value', 'before', 'after'),
    [
        ('b[0][1]', '2.5 deg', '2.5 deg', ',2 deg,', ',2.5 deg,'),
        ('b[0]', '[9, 8]', [9, 8], '[1 deg,2 deg,   # wrapped\n       3 deg]', '[9, 8]'),
        ('b[1]', 'plain', 'plain', '"quoted # no comment"', 'plain'),
        ('b[2]', 'one line', 'one line', '>\n      folded\n      text\n', 'one line\n'),
        ('b[3]', 'least', 'least', '- last', '- least'),
        ('b[3]', '[a, b]', ['a', 'b'], '- last', '- [a, b]'),
        ('e.f.h', '3 # now', 3, 'h: 2\n\n  # under f', 'h: 3 # now\n\n  # under f'),
        ('e.f', '{g: 5}', {'g': 5}, 'g: 1\n    # under g\n    h: 2', '{g: 5}'),
        ('e.i[1]', '5', 5, '[3, 4]', '[3, 5]'),
    ],
)
def test_all_else_stays_as_it_is(  # noqa: PLR0917 - a table
    free: Document, path: str, new: str, value: object, before: str, after: str
) -> None:
    """Comments, blank lines, ends of lines, quotes and columns elsewhere are not touched."""
    changed = free.with_value(path, new)
    assert changed.value(path) == value
    assert FREE.count(before) == 1
    assert written(changed) == FREE.replace(before, after)


def test_a_mark_of_byte_order_stays(tmp_path: Path, free: Document) -> None:
    """What some editors write first is kept and shifts nothing."""
    free.file.write_bytes(b'\xef\xbb\xbfa: 1\n')
    marked = Document(free.file, tmp_path / 'any.schema.json')
    assert written(marked.with_value('a', '2')) == '\N{BYTE ORDER MARK}a: 2\n'


def test_changes_add_up_and_the_former_file_is_kept(maps: Document) -> None:
    """Two values in one file, which loads; beside it stands what was there before."""
    original = maps.file.read_bytes()
    maps.file.chmod(0o640)
    changed = maps.with_value('joints.left_front_coxa.centre', '1511.5 us')
    changed = changed.with_value('measured.when', '2026-12-01')
    changed = changed.with_value('joints.right_rear_tibia.table[3][1]', '1500 us')
    assert maps.file.read_bytes() == original
    kept = changed.save()
    assert kept == maps.file.with_name('maps.yaml~')
    assert kept.read_bytes() == original
    loaded = load_servo_maps(maps.file, load_robot(CONFIG / 'robots' / 'bracken.yaml'))
    assert loaded.maps[0].pulse_us(0.0) == 1511.5
    assert loaded.measured.when == '2026-12-01'
    assert [os.stat(each).st_mode & 0o777 for each in (maps.file, kept)] == [0o640, 0o640]  # noqa: PTH116
    # Once more, over the kept one.
    changed.with_value('joints.left_front_coxa.centre', '1512 us').save()
    assert b'1511.5 us' in kept.read_bytes()
    assert sorted(os.listdir(maps.file.parent)) == ['maps.yaml', 'maps.yaml~']  # noqa: PTH208


@pytest.mark.parametrize(
    ('path', 'text', 'message'),
    [
        ('joints.left_front_coxa.centre', '1511', 'did you mean 1511 us'),
        ('joints.left_front_coxa.centre', '1511 deg', 'a pulse width in us'),
        ('joints.left_front_coxa.centre', '', 'a pulse width in us'),
        ('joints.left_front_coxa.centre', '[1511 us', 'not valid YAML'),
        ('joints.left_front_coxa.centre', '1511 us\n    table: []', 'table'),
        ('joints.left_front_coxa.centre', '1511 us\nrobot: b', 'not valid YAML'),
        ('joints.left_front_coxa.centre', '&a 1511 us\n    gain: *a', 'stands here again'),
        ('joints.left_front_coxa.table', '[]', 'nothing stands at joints.left_front_coxa.table'),
        ('joints.left_front_coxa.channel', '40', '0 to 31'),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_is_written(
    maps: Document, path: str, text: str, message: str
) -> None:
    """The schema judges the whole file as it would be."""
    with pytest.raises(DescriptionError, match=message) as caught:
        maps.with_value(path, text)
    assert str(caught.value).startswith(f'{maps.file}:')
    assert os.listdir(maps.file.parent) == ['maps.yaml']  # noqa: PTH208


@pytest.mark.parametrize(
    ('path', 'text', 'other'),
    [
        ('a', '&one 6 mm', 'c'),
        ('c', '&one 6 mm', 'a'),
        ('d.y', '&two 6', 'd.x'),
        ('e.f.g', '1\n    j: 2', 'e.f.j'),
        ('b[3]', 'last\n    - more', r'b\[4\]'),
        ('d', '{}\nk: 1', 'k'),
    ],
)
def test_a_change_of_another_place_is_refused(
    free: Document, path: str, text: str, other: str
) -> None:
    """What an alias or a cunning text would change besides is named."""
    with pytest.raises(DescriptionError, match=rf' would change {other} too') as caught:
        free.with_value(path, text)
    assert caught.value.path == path


def test_a_file_that_changed_meanwhile_is_not_overwritten(maps: Document) -> None:
    """What somebody else wrote after reading stays."""
    changed = maps.with_value('measured.when', '2026-12-01')
    with maps.file.open('a') as stream:
        stream.write('# a word\n')
    theirs = maps.file.read_bytes()
    with pytest.raises(DescriptionError, match='somebody changed this file'):
        changed.save()
    assert maps.file.read_bytes() == theirs
    assert os.listdir(maps.file.parent) == ['maps.yaml']  # noqa: PTH208


def test_a_link_stays_a_link(maps: Document) -> None:
    """An installation that links its files keeps doing so; the former one is beside the target."""
    link = maps.file.parent / 'folder' / 'link.yaml'
    link.parent.mkdir()
    link.symlink_to(maps.file)
    document = Document(link, SCHEMAS['servo_maps']).with_value('measured.when', '2026-12-01')
    assert document.save() == maps.file.with_name('maps.yaml~')
    assert link.is_symlink()
    assert 'when: 2026-12-01' in maps.file.read_text(encoding='utf-8')


@pytest.mark.parametrize('failing', ['os.fsync', 'os.fchmod', 'pathlib.Path.replace'])
@pytest.mark.parametrize('good', [0, 1])
def test_a_failure_leaves_the_file_as_it_was(
    maps: Document, monkeypatch: pytest.MonkeyPatch, failing: str, good: int
) -> None:
    """A full disk while the former or the new file is written: told, and nothing half-written."""
    original = maps.file.read_bytes()
    changed = maps.with_value('measured.when', '2026-12-01')
    module, _, name = failing.rpartition('.')
    target: Any = os if module == 'os' else Path
    whole: Callable[..., Any] = getattr(target, name)
    calls = []

    def fail_later(*arguments: object) -> object:
        calls.append(arguments)
        if len(calls) > good:
            raise OSError(28, 'No space left on device')
        return whole(*arguments)

    with monkeypatch.context() as patch:
        patch.setattr(target, name, fail_later)
        with pytest.raises(DescriptionError, match='cannot be written: No space left on device'):
            changed.save()
    assert maps.file.read_bytes() == original
    assert set(os.listdir(maps.file.parent)) <= {'maps.yaml', 'maps.yaml~'}  # noqa: PTH208
    changed.save()
    assert b'2026-12-01' in maps.file.read_bytes()
