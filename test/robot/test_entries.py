# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Entries of a mapping are added, changed and taken out, and nothing else changes in the file."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Document

BLOCK = """\
# Of a leg.
first: 1   # one
# about legs
legs:
  # about left
  left:
    gain: 3 us    # measured twice
    # of the table
    table:  # rows
      - [1, 2]   # lowest
      - [3, 4]   # highest
    # after the table
    long: >
      folded
      text

  # about right
  right: {a: 1, b: [2, 3], c: "x"}   # short
  nobody: {}
last: 9"""

Open = Callable[[str], Document]


@pytest.fixture
def document(tmp_path: Path) -> Open:
    """Return a function that writes a text and reads it; any content fits."""
    schema, file = tmp_path / 'any.schema.json', tmp_path / 'free.yaml'
    schema.write_text('{}')

    def opened(text: str) -> Document:
        file.write_bytes(text.encode())
        return Document(file, schema)

    return opened


def text_of(document: Document) -> str:
    """Save a document and return what stands in its file."""
    document.save()
    return document.file.read_bytes().decode()


@pytest.mark.parametrize(
    ('path', 'entries', 'without', 'before', 'after'),
    [
        # Changed in place, with the comment behind it.
        ('legs.left', {'gain': '4 us'}, [], 'gain: 3 us    # m', 'gain: 4 us    # m'),
        # Added behind the last entry, above what only follows it.
        ('legs.left', {'new': 5}, [], '      text\n', '      text\n    new: 5\n'),
        # Added at the end of a file that does not end its last line.
        ('', {'more': [1, 'two']}, [], 'last: 9', 'last: 9\nmore: [1, two]\n'),
        # Taken out with its line; the comment above stays.
        ('legs.left', {}, ['gain'], '    gain: 3 us    # measured twice\n', ''),
        ('legs.left', {}, ['table'],
         '    table:  # rows\n      - [1, 2]   # lowest\n      - [3, 4]   # highest\n', ''),
        ('legs.left', {}, ['long'], '    long: >\n      folded\n      text\n', ''),
        ('', {}, ['last', 'absent'], 'last: 9', ''),
        # One in place of others.
        ('legs.left', {'rows': [[1, 2], [3, 4]]}, ['gain'],
         '    gain: 3 us    # measured twice\n',
         '    rows:\n      - [1, 2]\n      - [3, 4]\n'),
        # Lines for lines, a value for lines, lines for a value.
        ('legs.left', {'table': [[5, 6]]}, [],
         '- [1, 2]   # lowest\n      - [3, 4]   # highest', '- [5, 6]   # highest'),
        ('legs.left', {'table': 7}, [],
         'table:  # rows\n      - [1, 2]   # lowest\n      - [3, 4]', 'table:  # rows\n      7'),
        ('', {'first': {'a': {'b': 'c d'}}}, [], 'first: 1 ', 'first: \n  a:\n    b: c d '),
        # Between braces.
        ('legs.right', {'b': '2 us'}, [], '{a: 1, b: [2, 3], c: "x"}', '{a: 1, b: 2 us, c: "x"}'),
        ('legs.right', {'d': [[1]]}, ['a', 'c'], '{a: 1, b: [2, 3], c: "x"}',
         '{b: [2, 3], d: [[1]]}'),
        ('legs.nobody', {'a': {'b': 1}}, [], 'nobody: {}', 'nobody:\n    a:\n      b: 1'),
        # A mapping below a mapping that is not empty.
        ('legs', {'tail': {'x': '-3 deg', 'y': {}}}, [],
         'nobody: {}\n', 'nobody: {}\n  tail:\n    x: -3 deg\n    y: {}\n'),
    ],
)  # fmt: skip
def test_all_else_stays_as_it_is(  # noqa: PLR0917 - a table
    document: Open,
    path: str,
    entries: dict[str, object],
    without: list[str],
    before: str,
    after: str,
) -> None:
    """Comments, order, blank lines and columns elsewhere are not touched."""
    changed = document(BLOCK).with_entries(path, entries, without)
    for key, content in entries.items():
        assert changed.value(f'{path}.{key}' if path else key) == content
    assert not set(without) & set(changed.keys(path))
    assert BLOCK.count(before) == 1
    assert text_of(changed) == BLOCK.replace(before, after)


def test_other_ends_of_lines_stay(document: Open) -> None:
    """A file written on another system keeps its ends of lines, in what is new as well."""
    text = 'a:\r\n  b: 1\r\n  # end\r\nc: 2\r\n'
    changed = document(text).with_entries('a', {'d': [[1], [2]]}, without=['b'])
    assert text_of(changed) == 'a:\r\n  d:\r\n    - [1]\r\n    - [2]\r\n  # end\r\nc: 2\r\n'


@pytest.mark.parametrize(
    ('text', 'path', 'entries', 'without', 'message'),
    [
        ('a: 1', 'a', {'b': 1}, [], 'a: this is no mapping'),
        ('a: 1', 'b', {'c': 1}, [], 'nothing stands at b that could be changed'),
        ('a: &x {c: 1}\nb: *x', 'b', {'c': 2}, [], 'would change a too: write both places out'),
        ('a: &x {c: 1}\nb: {d: *x}', 'b', {'e': 2}, [], 'd is an alias of what stands elsewhere'),
        ('a: &x 1\nb: *x', '', {'b': 2}, [], 'b is an alias of what stands elsewhere'),
        ('a:\n - b: 1\n   c: 2', 'a[0]', {}, ['b'], 'b does not begin its line'),
        ('a: {b: 1, # one\n  c: 2}', 'a', {'c': 3}, [], 'comments stand between these braces'),
        ('a: {b: {}}', 'a.b', {'c': [[1]]}, [], 'not valid YAML'),
        ('a: 1\nb: 2', '', {}, ['a', 'b'], 'nothing would be left here'),
        ('a:\n  b: 1', 'a', {}, ['b'], 'nothing would be left here'),
    ],
)
def test_what_would_do_harm_is_refused(  # noqa: PLR0917 - a table
    document: Open,
    text: str,
    path: str,
    entries: dict[str, object],
    without: list[str],
    message: str,
) -> None:
    """The file is not touched, and what is in the way is told."""
    before = document(text)
    with pytest.raises(DescriptionError, match=message):
        before.with_entries(path, entries, without)
    assert before.file.read_text() == text


def test_a_new_file_is_made_once(tmp_path: Path, document: Open) -> None:
    """It is not there before it is saved, and nothing that came in between is overwritten."""
    old = document('a: 1')
    new = Document.new(tmp_path / 'new.yaml', tmp_path / 'any.schema.json', 'a: {}\n')
    assert not new.file.exists()
    twin = Document.new(new.file, tmp_path / 'any.schema.json', 'b: 1\n')
    assert new.with_entries('a', {'b': 1}).save() is None
    assert new.file.read_text() == 'a:\n  b: 1\n'
    assert new.file.stat().st_mode & 0o777 == 0o644
    with pytest.raises(DescriptionError, match='something stands here by now'):
        twin.save()
    assert new.file.read_text() == 'a:\n  b: 1\n'
    # Once it is there, it is a file like any other.
    again = Document(new.file, tmp_path / 'any.schema.json').with_entries('a', {'b': 2})
    assert again.save() == tmp_path / 'new.yaml~'
    assert old.file.read_text() == 'a: 1'


VALUES: st.SearchStrategy[object] = st.recursive(
    st.integers(-1000, 1000)
    | st.booleans()
    | st.none()
    | st.text('ab1 .:#-"\'{}[],µ\n', max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text('ab_', min_size=1, max_size=4), inner, max_size=3)
    ),
    max_leaves=6,
)


@settings(max_examples=40)
@given(
    entries=st.dictionaries(st.sampled_from(['gain', 'table', 'new', 'next']), VALUES, max_size=3),
    without=st.lists(st.sampled_from(['gain', 'table', 'absent']), unique=True, max_size=3),
    path=st.sampled_from(['legs.left', 'legs.right', 'legs.nobody', 'legs', '']),
)
def test_whatever_is_written_is_read_again(
    tmp_path_factory: pytest.TempPathFactory,
    entries: dict[str, object],
    without: list[str],
    path: str,
) -> None:
    """Any values at any place: they stand there then, and all else stands as before."""
    folder = tmp_path_factory.getbasetemp()
    schema, file = folder / 'any.schema.json', folder / 'free.yaml'
    schema.write_text('{}')
    before = Document(file, schema, BLOCK)
    changed = before.with_entries(path, entries, without)
    inside = f'{path}.' if path else ''
    for key, content in entries.items():
        assert changed.value(inside + key) == content
    for key in before.keys(path):
        if key not in entries and key not in without:
            assert changed.value(inside + key) == before.value(inside + key)
    expected = [key for key in before.keys(path) if key in entries or key not in without]
    assert set(changed.keys(path)) == {*expected, *entries}
