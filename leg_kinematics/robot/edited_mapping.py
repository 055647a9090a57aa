# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The text of a YAML file with entries of one mapping changed, added or taken out.

The text is cut at the marks of the nodes, so that all else stays as it is to the last character.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence

import yaml

#: Texts that need no quotes, in block and in flow style, unless they mean something else.
_PLAIN = re.compile(r'-?[A-Za-z0-9.]([A-Za-z0-9 ./_+-]*[A-Za-z0-9./_+-])?')
_MEANS_ELSE = re.compile(r'true|false|null|-?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?')

#: As deep as a mapping is indented below its key.
INDENT = 2


class EditError(Exception):
    """The mapping is written in a way that cannot be changed without harm."""


def edited(
    text: str, node: yaml.Node, entries: Mapping[str, object], gone: Sequence[str], *, indent: int
) -> str:
    """Change entries of a mapping.

    Parameters
    ----------
    text
        The whole text.
    node
        The mapping in it.
    entries
        What shall stand at each key; a key that is not there yet is added.
    gone
        Keys that are there, to be taken out.
    indent
        Of the entries of the mapping, should it be empty.

    Raises
    ------
    EditError
        Says why it cannot be done.

    """
    if not isinstance(node, yaml.MappingNode):
        raise EditError('this is no mapping')
    if not entries and not gone:
        return text
    if not entries and len(gone) == len(node.value):
        raise EditError('nothing would be left here: take out the whole entry instead')
    mapping = _Mapping(text, node)
    if node.value and node.flow_style:
        return mapping.edited_in_flow(entries, gone)
    if node.value:
        return mapping.edited_in_block(entries, gone)
    start, end = extent(node, text)
    added = ''.join(f'{mapping.line_end}{line}' for line in _block(entries, indent))
    return f'{text[:start].rstrip(" ")}{added}{text[end:]}'


def extent(node: yaml.Node, text: str) -> tuple[int, int]:
    """Return where a node begins and ends in its text, without what only follows it."""
    start, end = node.start_mark.index, node.end_mark.index
    if isinstance(node, yaml.CollectionNode) and not node.flow_style:
        last = node.value[-1]
        _, end = extent(last[1] if isinstance(last, tuple) else last, text)
    return start, start + len(text[start:end].rstrip())


class _Mapping:
    """A mapping with entries, and the text in which it stands."""

    def __init__(self, text: str, node: yaml.MappingNode) -> None:
        self._text = text
        self._node = node
        self.line_end = '\r\n' if '\r\n' in text else '\n'

    def edited_in_block(self, entries: Mapping[str, object], gone: Sequence[str]) -> str:
        """Change entries that have lines of their own."""
        pieces: list[tuple[int, int, str]] = []
        places: dict[str, tuple[int, int]] = {}
        column = self._node.start_mark.column
        for key, key_node, value_node in self._items():
            places[key] = self._lines_of(key_node, value_node)
            if key in entries:
                start, end = extent(value_node, self._text)
                pieces.append((start, end, self._value(entries[key], key_node, value_node)))
            elif key in gone:
                pieces.append((*places[key], ''))
        new = {key: content for key, content in entries.items() if key not in places}
        lines = ''.join(f'{line}{self.line_end}' for line in _block(new, column))
        if lines and gone:
            at = min(places[key][0] for key in gone)
            pieces.append((at, at, lines))
        elif lines:
            at = max(end for _, end in places.values())
            whole = not at or self._text[at - 1] == '\n'
            pieces.append((at, at, lines if whole else self.line_end + lines))
        return self._put_together(pieces)

    def edited_in_flow(self, entries: Mapping[str, object], gone: Sequence[str]) -> str:
        """Change entries between braces; those that stay are written as they were."""
        start, end = extent(self._node, self._text)
        kept, between = {}, self._text[start:end]
        for key, key_node, value_node in self._items():
            first, last = key_node.start_mark.index, extent(value_node, self._text)[1]
            entry = self._text[first:last]
            between = between.replace(entry, '', 1)
            if key not in gone:
                kept[key] = f'{_flow(key)}: {_flow(entries[key])}' if key in entries else entry
        if '#' in between:
            raise EditError(
                'comments stand between these braces, and would be lost: write each entry on a '
                'line of its own, without braces'
            )
        new = (
            f'{_flow(key)}: {_flow(content)}' for key, content in entries.items() if key not in kept
        )
        return f'{self._text[:start]}{{{", ".join((*kept.values(), *new))}}}{self._text[end:]}'

    def _items(self) -> Iterator[tuple[str, yaml.Node, yaml.Node]]:
        for key_node, value_node in self._node.value:
            if value_node.start_mark.index < key_node.end_mark.index:
                raise EditError(
                    f'{key_node.value} is an alias of what stands elsewhere: write it out here'
                )
            yield str(key_node.value), key_node, value_node

    def _lines_of(self, key_node: yaml.Node, value_node: yaml.Node) -> tuple[int, int]:
        """Return where the lines of an entry begin and end, with the end of the last one."""
        start = key_node.start_mark.index - key_node.start_mark.column
        if self._text[start : key_node.start_mark.index].strip(' \N{BYTE ORDER MARK}'):
            raise EditError(f'{key_node.value} does not begin its line: write it on one of its own')
        _, end = extent(value_node, self._text)
        line_end = self._text.find('\n', end)
        return start, len(self._text) if line_end < 0 else line_end + 1

    def _value(self, content: object, key_node: yaml.Node, value_node: yaml.Node) -> str:
        """Return what replaces a value."""
        if not _has_lines(content):
            empty = self._text[value_node.start_mark.index - 1] == ':'
            return f' {_flow(content)}' if empty else _flow(content)
        below = value_node.start_mark.line > key_node.start_mark.line
        # In place of lines, the first one is indented already.
        column = value_node.start_mark.column if below else key_node.start_mark.column + INDENT
        text = self.line_end.join(_block_of(content, column))
        return text.lstrip(' ') if below else self.line_end + text

    def _put_together(self, pieces: list[tuple[int, int, str]]) -> str:
        text = self._text
        for start, end, new in sorted(pieces, reverse=True):
            text = f'{text[:start]}{new}{text[end:]}'
        return text


def _has_lines(content: object) -> bool:
    """Tell whether a value is written in lines below its key."""
    if isinstance(content, dict):
        return bool(content)
    return isinstance(content, list) and any(isinstance(each, dict | list) for each in content)


def _block(entries: Mapping[str, object], column: int) -> Iterator[str]:
    """Write the entries of a mapping in lines."""
    blanks = ' ' * column
    for key, content in entries.items():
        if _has_lines(content):
            yield f'{blanks}{_flow(key)}:'
            yield from _block_of(content, column + INDENT)
        else:
            yield f'{blanks}{_flow(key)}: {_flow(content)}'


def _block_of(content: object, column: int) -> Iterator[str]:
    """Write a mapping, or a list whose items are lines, in lines."""
    if isinstance(content, dict):
        yield from _block(content, column)
    elif isinstance(content, list):
        for item in content:
            yield f'{" " * column}- {_flow(item)}'


def _flow(content: object) -> str:
    """Write a value within a line."""
    if isinstance(content, dict):
        return f'{{{", ".join(f"{_flow(key)}: {_flow(each)}" for key, each in content.items())}}}'
    if isinstance(content, list):
        return f'[{", ".join(map(_flow, content))}]'
    if isinstance(content, str) and _PLAIN.fullmatch(content):
        return json.dumps(content) if _MEANS_ELSE.fullmatch(content) else content
    return json.dumps(content, ensure_ascii=False)
