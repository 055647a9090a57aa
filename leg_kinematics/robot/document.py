# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A YAML file that a person wrote, with the line of everything in it.

The content is read as YAML 1.2 reads it: only ``true``, ``false``, ``null`` and decimal numbers
are more than text, so that ``1:30``, ``on`` and ``2025-01-31`` stay what they look like.

A file by mistake or by malice (a device, a picture, a text of megabytes, aliases of aliases) costs
no more than a large description: what is read, composed and kept is bounded.
"""

import json
import re
import stat
from collections.abc import Iterable, Iterator
from importlib.resources.abc import Traversable
from math import isfinite
from pathlib import Path
from typing import Any

import yaml
from jsonschema import Draft202012Validator, ValidationError, validators

from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot.plausible import doubt
from leg_kinematics.robot.units import Dimension, parse_quantity, shown

_CONSTANTS = {'true': True, 'false': False, 'null': None, '~': None, '': None}
_INTEGER = re.compile(r'[+-]?\d{1,18}')
_NUMBER = re.compile(r'[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?')

# Bounds of what is read (our own). The maps of 64 servos, each a table of 40 rows, take 80 kB and
# 8500 values; the deepest place of a description stands at depth 6.
BYTES = 128 * 1024
VALUES = 10_000
DEPTH = 12
CHARACTERS = 2000  # of one text
KEY_CHARACTERS = 100

#: What stands where an ordinary file was expected, by its type in the mode of a file.
KINDS = {
    stat.S_IFDIR: 'a folder: name a file in it',
    stat.S_IFIFO: 'a pipe: write its content to a file first',
    stat.S_IFCHR: 'a device: name a text file',
    stat.S_IFBLK: 'a device: name a text file',
    stat.S_IFSOCK: 'a socket: name a text file',
}

#: What is wrong when a parser finds something else than it expected.
LAYOUT = (
    '; look here and in the lines above: the keys of one mapping begin in the same column, '
    'without tabs, and what is opened by a bracket or quote is closed'
)


class Document:
    """The content of a YAML file that fits its schema, and where in the file it stands.

    A place is written as ``legs.left_front.mount.position[2]``.

    Parameters
    ----------
    file
        The YAML file, UTF-8.
    schema
        The JSON Schema (draft 2020-12) that the content must fit.

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

    def __init__(self, file: Path | str, schema: Traversable) -> None:
        """Read the file and check it."""
        self.file = Path(file)
        self._values: dict[str, Any] = {}
        self._lines: dict[str, int] = {}
        root = self._compose()
        self.content = self._construct(root, '', root.start_mark.line + 1, ())
        self._check(json.loads(schema.read_text(encoding='utf-8')))

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

    def _read(self) -> str:
        """Return the text of the file, without opening what is no ordinary file."""
        try:
            kind = stat.S_IFMT(self.file.stat().st_mode)
            if kind in KINDS:
                raise DescriptionError(f'this is {KINDS[kind]}', file=self.file)
            with self.file.open('rb') as stream:
                data = stream.read(BYTES + 1)
        except OSError as error:
            reason = error.strerror or str(error)
            raise DescriptionError(f'cannot be read: {reason}', file=self.file) from error
        if len(data) > BYTES:
            raise DescriptionError(
                f'larger than {BYTES // 1024} kB, which such a file never needs: is it the right '
                f'file?',
                file=self.file,
            )
        try:
            return data.decode('utf-8')
        except UnicodeDecodeError as error:
            raise DescriptionError(
                f'not a UTF-8 text ({error.reason}): save it with the encoding UTF-8, or name the '
                f'right file',
                file=self.file,
                line=data.count(b'\n', 0, error.start) + 1,
            ) from error

    def _compose(self) -> yaml.Node:
        text = self._read()
        try:
            root: yaml.Node | None = yaml.compose(text, _Loader)
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            hint = '' if isinstance(error, yaml.composer.ComposerError) else LAYOUT
            raise DescriptionError(
                f'not valid YAML: {", ".join(filter(None, (error.context, error.problem)))}{hint}',
                file=self.file,
                line=None if mark is None else mark.line + 1,
            ) from error
        except yaml.reader.ReaderError as error:
            raise DescriptionError(
                f'not valid YAML: {error.reason}: is it the right file?',
                file=self.file,
                line=text.count('\n', 0, error.position) + 1,
            ) from error
        except _TooMuchError as error:
            raise DescriptionError(str(error), file=self.file, line=error.line) from error
        if root is None:
            raise DescriptionError('the file is empty', file=self.file)
        return root

    def _construct(
        self, node: yaml.Node, path: str, line: int, around: tuple[yaml.Node, ...]
    ) -> object:
        """Build the value of a node and note its place; ``around`` holds the nodes outside it."""
        self._lines[path] = line
        if any(node is outer for outer in around):
            raise self.error(path, 'this alias stands inside its own anchor')
        if len(self._lines) > VALUES or len(around) >= DEPTH:
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


#: Of a file, in words.
LIMITS = f'a file has at most {VALUES} values, {DEPTH} deep'


class _TooMuchError(Exception):
    """More than a file may hold, and the line on which it is too much."""

    def __init__(self, message: str, line: int) -> None:
        super().__init__(message)
        self.line = line


class _Loader(yaml.BaseLoader):
    """Composes no more than a file may hold."""

    def __init__(self, stream: str) -> None:
        super().__init__(stream)
        self._nodes = 0
        self._depth = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        """Compose the next node with what is in it."""
        event: Any = self.peek_event()  # type: ignore[no-untyped-call]
        line = event.start_mark.line + 1
        self._nodes += 1
        if self._nodes > VALUES or self._depth >= DEPTH:
            raise _TooMuchError(f'too much for such a file: {LIMITS}', line)
        if isinstance(event, yaml.ScalarEvent) and len(event.value) > CHARACTERS:
            raise _TooMuchError(
                f'{shown(event.value)} has {len(event.value)} characters; what stands in one place '
                f'has at most {CHARACTERS}: is a digit or a quote wrong?',
                line,
            )
        self._depth += 1
        node = super().compose_node(parent, index)
        self._depth -= 1
        return node


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
        allowed = ', '.join(schema['properties'])
        return _inside(path, key), False, f'unknown key {key!r}; expected one of: {allowed}'
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
    return path, True, f'{shown(instance)} does not fit; expected {schema["description"]}{hint}'
