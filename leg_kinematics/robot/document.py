# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A YAML file that a person wrote, with the line of everything in it.

The content is read as YAML 1.2 reads it: only ``true``, ``false``, ``null`` and decimal numbers
are more than text, so that ``1:30``, ``on`` and ``2025-01-31`` stay what they look like.

Values can be changed in place, and entries of a mapping added or taken out: all else in the file,
comments included, stays as it is to the last character.
"""

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from importlib.resources.abc import Traversable
from math import isfinite
from pathlib import Path
from typing import Any

import yaml
from jsonschema import Draft202012Validator, ValidationError, validators

from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot.bounded_yaml import DEEPEST, LIMITS, MOST_VALUES, compose
from leg_kinematics.robot.edited_mapping import EditError, edited, extent
from leg_kinematics.robot.near import did_you_mean
from leg_kinematics.robot.plausible import doubt
from leg_kinematics.robot.text_file import create_text, read_text, replace_text
from leg_kinematics.robot.units import UNITS, Dimension, meant, parse_quantity, shown

_ABSENT = object()
_CONSTANTS = {'true': True, 'false': False, 'null': None, '~': None, '': None}
_INTEGER = re.compile(r'[+-]?\d{1,18}')
_NUMBER = re.compile(r'[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?')

#: Of one key (our own).
KEY_CHARACTERS = 100


class Document:
    """The content of a YAML file that fits its schema, and where in the file it stands.

    A place is written as ``legs.left_front.mount.position[2]``.

    Parameters
    ----------
    file
        The YAML file, UTF-8.
    schema
        The JSON Schema (draft 2020-12) that the content must fit.
    text
        What stands in the file; by default it is read.

    Attributes
    ----------
    file
        As given.
    content
        Mappings, lists, texts, numbers, booleans and None.

    Raises
    ------
    DescriptionError
        When the file cannot be read, is not YAML, repeats a key or does not fit the schema.

    """

    def __init__(self, file: Path | str, schema: Traversable, text: str | None = None) -> None:
        """Read the file and check it."""
        self.file = Path(file)
        self._schema = schema
        self._text = read_text(self.file) if text is None else text
        self._saved: str | None = self._text
        self._values: dict[str, Any] = {}
        self._lines: dict[str, int] = {}
        self._nodes: dict[str, yaml.Node] = {}
        self._key_nodes: dict[str, yaml.Node] = {}
        root = compose(self._text, self.file)
        self.content = self._construct(root, '', root.start_mark.line + 1, ())
        self._check(json.loads(schema.read_text(encoding='utf-8')))

    @classmethod
    def new(cls, file: Path, schema: Traversable, text: str) -> 'Document':
        """Begin a file that is not there yet; `save` makes it.

        Raises
        ------
        DescriptionError
            The text does not fit the schema.

        """
        document = cls(file, schema, text)
        document._saved = None
        return document

    def value(self, path: str) -> object:
        """Return what stands at a place.

        Raises
        ------
        KeyError
            When nothing stands there.

        """
        return self._values[path]

    def keys(self, path: str) -> tuple[str, ...]:
        """Return the keys of the mapping at a place, in their order; none when it is absent."""
        mapping = self._values.get(path, {})
        if not isinstance(mapping, dict):
            raise self.error(path, 'expected a mapping of names to values')
        return tuple(mapping)

    def text(self, path: str) -> str:
        """Return the text at a place."""
        return str(self._values[path])

    def integer(self, path: str) -> int:
        """Return the whole number at a place."""
        return int(self._values[path])

    def length(self, path: str) -> int:
        """Return how many items the list at a place has."""
        return len(self._values[path])

    def quantity(self, path: str, dimension: Dimension) -> float:
        """Return the quantity at a place in SI, a pulse in µs.

        Parameters
        ----------
        path
            The place.
        dimension
            What is expected there.

        Raises
        ------
        DescriptionError
            When it is no such quantity or not finite.

        """
        try:
            return parse_quantity(self._values[path], dimension)
        except ValueError as error:
            raise self.error(path, str(error)) from error

    def line(self, path: str) -> int | None:
        """Return the line of a place, or of the nearest place around it that the file has."""
        while path and path not in self._lines:
            path = path[: max(path.rfind('.'), path.rfind('['), 0)]
        return self._lines.get(path)

    def error(self, path: str, message: str) -> DescriptionError:
        """Make the error that names this file, the line of a place and the place."""
        return DescriptionError(message, file=self.file, line=self.line(path), path=path)

    def with_value(self, path: str, text: str) -> 'Document':
        """Return this document with something else at a place; the file is not written yet.

        Parameters
        ----------
        path
            The place; something must stand there already.
        text
            What shall stand there, as in YAML: ``1510 us``, or ``[1, 2]`` for a list.

        Raises
        ------
        DescriptionError
            Nothing stands there, the schema does not allow it there, or more than this place would
            change, as by an alias.

        """
        if path not in self._nodes:
            raise self.error(path, f'nothing stands at {path} that could be changed')
        start, end = extent(self._nodes[path], self._text)
        return self._changed(
            f'{self._text[:start]}{text}{self._text[end:]}', shown(text), path, (path,)
        )

    def with_entries(
        self, path: str, entries: Mapping[str, object], without: Iterable[str] = ()
    ) -> 'Document':
        """Return this document with other entries in a mapping; the file is not written yet.

        What is new stands where the first entry was that is taken out, otherwise behind the last
        one. What is taken out goes with the comment behind it; comments above it stay.

        Parameters
        ----------
        path
            The place of the mapping; the empty text is the whole document.
        entries
            What shall stand at each key: texts, numbers, and lists and mappings of them.
        without
            Keys to take out, each once, where they are there.

        Raises
        ------
        DescriptionError
            There is no mapping, the schema does not allow the result, more than these entries would
            change, as by an alias, or the mapping is written in a way that cannot be kept.

        """
        gone = tuple(key for key in without if key in self.keys(path) and key not in entries)
        if path not in self._nodes:
            raise self.error(path, f'nothing stands at {path} that could be changed')
        what = f'this change of {", ".join((*entries, *gone))}'
        for other, node in self._nodes.items():
            if node is self._nodes[path] and other != path:
                raise self._shared(path, what, other)
        key_node = self._key_nodes.get(path)
        try:
            text = edited(
                self._text, self._nodes[path], entries, gone,
                indent=0 if key_node is None else key_node.start_mark.column + 2,
            )  # fmt: skip
        except EditError as error:
            raise self.error(path, str(error)) from error
        touched = tuple(_inside(path, key) for key in (*entries, *gone))
        changed = self._changed(text, what, path, touched)
        for key, content in entries.items():
            if changed.value(_inside(path, key)) != content:
                raise self.error(path, f'{shown(content)} would not be read again as it is')
        return changed

    def _changed(self, text: str, what: str, path: str, touched: tuple[str, ...]) -> 'Document':
        """Read another text of this document, in which nothing else may have changed."""
        changed = Document(self.file, self._schema, text)
        changed._saved = self._saved
        before, after = self._leaves(touched), changed._leaves(touched)
        for other in before | after:
            # A mapping that is empty before or after holds its own place.
            if other != path and before.get(other, _ABSENT) != after.get(other, _ABSENT):
                raise self._shared(path, what, other)
        return changed

    def _shared(self, path: str, what: str, other: str) -> DescriptionError:
        return self.error(path, f'{what} would change {other} too: write both places out by hand')

    def save(self) -> Path | None:
        """Write the file, whole or not at all, and keep the former one beside it.

        Returns
        -------
        Path or None
            Of the former file: the name with ``~`` behind it; None when there was none.

        Raises
        ------
        DescriptionError
            The file has changed since it was read, or cannot be written; then it is as it was.

        """
        kept = None
        if self._saved is None:
            create_text(self.file, self._text)
        else:
            kept = replace_text(self.file, self._saved, self._text)
        self._saved = self._text
        return kept

    def _leaves(self, touched: tuple[str, ...]) -> dict[str, object]:
        """Return what stands elsewhere than at places, without what only holds other places."""
        inside = re.compile(rf'({"|".join(map(re.escape, touched))})($|[.[])')
        return {
            other: value
            for other, value in self._values.items()
            if not (value and isinstance(value, dict | list)) and not inside.match(other)
        }

    def _construct(
        self, node: yaml.Node, path: str, line: int, around: tuple[yaml.Node, ...]
    ) -> object:
        """Build the value of a node and note its place; ``around`` holds the nodes outside it."""
        self._lines[path], self._nodes[path] = line, node
        if any(node is outer for outer in around):
            raise self.error(path, 'this alias stands inside its own anchor')
        if len(self._lines) > MOST_VALUES or len(around) >= DEEPEST:
            # The line of an alias is not known, only that of what it stands for.
            raise self.error(
                re.split(r'[.[]', path)[0],
                f'the aliases up to here stand for too much; {LIMITS}: write out what is meant',
            )
        value: object
        if isinstance(node, yaml.ScalarNode):
            value = _scalar(node)
        elif isinstance(node, yaml.SequenceNode):
            value = [
                self._construct(
                    item, _inside(path, index), item.start_mark.line + 1, (*around, node)
                )
                for index, item in enumerate(node.value)
            ]
        else:
            value = mapping = {}
            for key_node, value_node in node.value:
                key_line = key_node.start_mark.line + 1
                key = self._key(key_node, path)
                inner = _inside(path, key)
                if key in mapping:
                    raise DescriptionError(
                        f'key {key!r} stands here again, first on line {self._lines[inner]}: '
                        f'remove or rename one of them',
                        file=self.file,
                        line=key_line,
                        path=inner,
                    )
                self._key_nodes[inner] = key_node
                mapping[key] = self._construct(value_node, inner, key_line, (*around, node))
        self._values[path] = value
        return value

    def _key(self, node: yaml.Node, path: str) -> str:
        if isinstance(node, yaml.ScalarNode) and len(node.value) <= KEY_CHARACTERS:
            return str(node.value)
        raise DescriptionError(
            f'a key must be a plain name of {KEY_CHARACTERS} characters at most',
            file=self.file,
            line=node.start_mark.line + 1,
            path=path,
        )

    def _check(self, schema: dict[str, object]) -> None:
        """Raise the first misfit; what is missing comes last, for it may only be misspelt."""
        misfits = [
            (error.validator == 'required', self.line(path) or 0, path, *explained)
            for error in _Validator(schema).iter_errors(self.content)
            for path, *explained in (_explain(error),)
        ]
        if misfits:
            _, _, path, _, message = min(misfits)
            raise self.error(path, message)


def _inside(path: str, step: str | int) -> str:
    """Return the place one step inside another."""
    if isinstance(step, int):
        return f'{path}[{step}]'
    return f'{path}.{step}' if path else step


def _place(steps: Iterable[str | int]) -> str:
    path = ''
    for step in steps:
        path = _inside(path, step)
    return path


def _scalar(node: yaml.ScalarNode) -> object:
    """Return what a scalar means in YAML 1.2; what is quoted is text."""
    text = str(node.value)
    if node.style is not None:
        return text
    if text in _CONSTANTS:
        return _CONSTANTS[text]
    if _INTEGER.fullmatch(text):
        return int(text)
    if not _NUMBER.fullmatch(text):
        return text
    number = float(text)
    return number if isfinite(number) else text


def _plausible(
    _validator: object, rule: dict[str, Any], instance: object, schema: dict[str, Any]
) -> Iterator[ValidationError]:
    """Judge a quantity by the keyword ``plausible`` of its definition."""
    message = doubt(instance, rule, bare=schema.get('type') != 'string')
    if message is not None:
        yield ValidationError(message)


_Validator: Any = validators.extend(  # type: ignore[no-untyped-call]
    Draft202012Validator, {'plausible': _plausible}
)


def _explain(error: ValidationError) -> tuple[str, bool, str]:
    """Return the place to blame and, in the words of the schema, what was expected there.

    Between them stands whether it is only told in general what was expected.
    """
    schema: Any = error.schema
    instance: Any = error.instance
    path = _place(error.absolute_path)
    if error.validator == 'additionalProperties':
        key = next(key for key in instance if key not in schema['properties'])
        allowed = schema['properties']
        meant_key = did_you_mean(key, allowed)
        if not path and not meant_key:
            meant_key = f': is this file, as it should be, a {schema["title"].lower()}?'
        expected = f'unknown key {key!r}; expected one of: {", ".join(allowed)}{meant_key}'
        return _inside(path, key), False, expected
    if error.validator == 'required':
        missing = ', '.join(key for key in schema['required'] if key not in instance)
        return path, False, f'missing here: {missing}'
    if error.validator == 'plausible':
        return path, False, error.message
    if 'propertyNames' in error.absolute_schema_path:
        path = _inside(path, instance)
    if 'description' not in schema:
        return path, True, error.message
    examples = ' or '.join(str(example) for example in schema.get('examples', ()))
    hint = f' For example: {examples}.' if examples else ''
    if schema.get('title') in UNITS and (guess := meant(instance, schema['title'])):
        hint = f' Did you mean {guess}?'
    return path, True, f'{shown(instance)} does not fit; expected {schema["description"]}{hint}'
