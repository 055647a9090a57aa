# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A YAML file is read with the line of everything in it."""

from pathlib import Path

import pytest

from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Document


@pytest.fixture
def schema(tmp_path: Path) -> Path:
    """Return a schema that anything fits."""
    file = tmp_path / 'any.schema.json'
    file.write_text('{}', encoding='utf-8')
    return file


def read(schema: Path, text: str | bytes) -> Document:
    """Read a text as a document."""
    file = schema.with_name('file.yaml')
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return Document(file, schema)


def test_plain_scalars_mean_what_they_mean_in_yaml_1_2(schema: Path) -> None:
    """Times, dates and yes/no stay text; numbers, booleans and null do not (YAML 1.2, 10.3)."""
    text = '[1:30, 2025-01-31, yes, on, 12, -0.5, 1e-3, true, null, "12", 0x1f]'
    expected = ['1:30', '2025-01-31', 'yes', 'on', 12, -0.5, 0.001, True, None, '12', '0x1f']
    assert read(schema, text).content == expected


def test_every_place_has_its_line(schema: Path) -> None:
    """Keys and list items are found on the line on which they begin."""
    document = read(schema, '# first\na:\n  b: [1,\n    2]\nc: 3\n')
    assert [document.line(path) for path in ('a', 'a.b', 'a.b[0]', 'a.b[1]', 'c')] == [
        2,
        3,
        3,
        4,
        5,
    ]


def test_absent_place_has_the_line_around_it(schema: Path) -> None:
    """An error about something that is not in the file names the nearest place that is."""
    document = read(schema, 'a: 1\nb:\n  c: [2]\n')
    error = document.error('b.c[4].d', 'not there')
    assert str(error) == f'{document.file}:3: b.c[4].d: not there'


def test_alias_is_read_as_what_it_stands_for(schema: Path) -> None:
    """A link written once may be used again through an alias."""
    document = read(schema, 'a: &one {x: 5 mm}\nb: *one\n')
    assert document.quantity('b.x', 'length') == 0.005


@pytest.mark.parametrize(
    ('text', 'line', 'path', 'message'),
    [
        ('a: 1\nb: [1, 2\nc: 3\n', 3, '', 'not valid YAML'),
        ('a: 1\n\tb: 2\n', 2, '', 'not valid YAML: .* a tab stands here'),
        ('a:\n  b: 1\n   c: 2\n', 3, '', 'not valid YAML: .* begin in the same column'),
        ('a: 1\n---\nb: 2\n', 2, '', 'single document'),
        ('a: 1\nb: \x07\n', 2, '', 'not valid YAML'),
        ('a: *nothing\n', 1, '', 'undefined alias'),
        ('a: &x\n  b: *x\n', 2, 'a.b', 'inside its own anchor'),
        ('a:\n  b: 1\n  c: 2\n  b: 3\n', 4, 'a.b', "key 'b' stands here again, first on line 2"),
        ('a: 1\n? [b, c]\n: 2\n', 2, '', 'a key must be a plain name'),
    ],
)
def test_malformed_file_is_refused_with_its_line(
    schema: Path, text: str, line: int, path: str, message: str
) -> None:
    """What is no proper YAML is an error that names file, line and reason."""
    with pytest.raises(DescriptionError, match=message) as caught:
        read(schema, text)
    assert (caught.value.line, caught.value.path) == (line, path)
    assert str(caught.value).startswith(f'{caught.value.file}:{line}: ')


@pytest.mark.parametrize(
    ('content', 'message'),
    [
        (b'', 'the file is empty'),
        (b'a: \xff', 'not a UTF-8 text'),
    ],
)
def test_file_without_sense_is_refused(schema: Path, content: bytes, message: str) -> None:
    """An empty or a binary file is an error that names the file."""
    with pytest.raises(DescriptionError, match=message) as caught:
        read(schema, content)
    assert str(schema.with_name('file.yaml')) in str(caught.value)


def test_missing_file_is_refused(schema: Path) -> None:
    """A file that is not there is an error of ours, not of the system."""
    absent = schema.with_name('absent.yaml')
    with pytest.raises(DescriptionError, match='cannot be read: No such file') as caught:
        Document(absent, schema)
    assert caught.value.file == absent


def test_quantity_must_fit_its_dimension(schema: Path) -> None:
    """A quantity of another dimension names its line."""
    document = read(schema, 'a: 1\nb: 5 deg\n')
    with pytest.raises(DescriptionError, match=r'file\.yaml:2: b: .*not a quantity of length'):
        document.quantity('b', 'length')
