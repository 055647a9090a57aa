# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The messages as types of the page: run it as a module to write them anew."""

import enum
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, Union, cast, get_args, get_origin, get_type_hints

from leg_kinematics.chain.power import PowerState
from leg_kinematics.view import messages

#: Where the page expects them.
FILE = Path(__file__).with_name('page') / 'src' / 'messages.ts'

HEAD = """\
// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Made by `python -m leg_kinematics.view.typescript`; do not edit.
"""

CONSTANTS = ('FRAMES_A_SECOND', 'HOLD_EVERY', 'DRIVER_SILENCE', 'LEADING_EVERY')

_PLAIN = {str: 'string', float: 'number', int: 'number', bool: 'boolean', NoneType: 'null'}


def typescript() -> str:
    """Write all messages, and what they consist of, as types of TypeScript."""
    numbers = [f'export const {name} = {getattr(messages, name)};' for name in CONSTANTS]
    power = f'export type PowerState = {" | ".join(map(_literal, PowerState))};'
    values = vars(messages).values()
    parts = [each for each in values if is_dataclass(each) and isinstance(each, type)]
    unions = [
        f'export type {name} = {_type(getattr(messages, name))};' for name in ('ToPage', 'FromPage')
    ]
    return '\n'.join([HEAD, *numbers, '', power, '', *map(_interface, parts), *unions, ''])


def _interface(message: type[Any]) -> str:
    hints = get_type_hints(message)
    lines = [f'  readonly {each.name}: {_type(hints[each.name])};' for each in fields(message)]
    return '\n'.join([f'export interface {message.__name__} {{', *lines, '}', ''])


def _type(hint: Any) -> str:  # noqa: ANN401, PLR0911
    """Write one type; KeyError where it is of a kind that no message has had so far."""
    origin, parts = get_origin(hint), get_args(hint)
    if origin in {Union, UnionType}:
        return ' | '.join(map(_type, parts))
    if origin is Literal:
        return ' | '.join(map(_literal, parts))
    if origin is tuple and parts[-1] is Ellipsis:
        element = _type(parts[0])
        return f'readonly ({element})[]' if ' ' in element else f'readonly {element}[]'
    if origin is tuple:
        return f'readonly [{", ".join(map(_type, parts))}]'
    if origin is Mapping:
        return f'Readonly<Record<{", ".join(map(_type, parts))}>>'
    if hint is PowerState or is_dataclass(hint):
        return str(cast('type', hint).__name__)
    if issubclass(hint, enum.Enum):
        return ' | '.join(map(_literal, hint))
    return _PLAIN[hint]


def _literal(value: object) -> str:
    return f"'{value}'" if isinstance(value, str) else f'{value}'


if __name__ == '__main__':
    FILE.write_text(typescript(), encoding='utf-8')
