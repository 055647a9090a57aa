# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Between messages and the text of a websocket; nothing that a page says is believed unread."""

import json
from dataclasses import fields
from math import isfinite
from typing import Any, Literal, get_args, get_origin, get_type_hints

from leg_kinematics.errors import CommandError
from leg_kinematics.view.messages import LONGEST_MESSAGE, FromPage, ToPage

#: Numbers beyond this mean nothing here; integers stay exact in the page (2^53).
LARGEST = 2**53

_HINTS = {each: get_type_hints(each) for each in get_args(FromPage)}
_BY_KIND: dict[str, type[Any]] = {get_args(h['kind'])[0]: each for each, h in _HINTS.items()}

#: Made once, and not for every frame. No message contains itself.
_WRITER = json.JSONEncoder(
    default=vars, separators=(',', ':'), allow_nan=False, check_circular=False
)


def written(message: ToPage) -> str:
    """Write a message to the page; what is not finite would be none."""
    return _WRITER.encode(message)


def read(text: str) -> FromPage:
    """Read a message of a page.

    Raises
    ------
    CommandError
        It is too long, no JSON object, of no known kind, or a field is missing, too many, of
        another type or not finite; says which.

    """
    if len(text) > LONGEST_MESSAGE:
        raise CommandError(f'a message of a page has {LONGEST_MESSAGE} characters at most')
    try:
        told = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise CommandError(f'a message of a page must be JSON ({error})') from error
    kind = told.get('kind') if isinstance(told, dict) else None
    message = _BY_KIND.get(kind) if isinstance(kind, str) else None
    if message is None:
        raise CommandError(f"a message of a page must be an object with a known 'kind': {text!r}")
    hints = _HINTS[message]
    known = [each.name for each in fields(message)]
    if strange := sorted(told.keys() - set(known)):
        raise CommandError(f"'{kind}' of a page has no field {strange[0]!r}")
    for name in known:
        if name in told and not _fits(told[name], hints[name]):
            raise CommandError(f"'{name}' of '{kind}' of a page is none: {told[name]!r}")
    try:
        read: FromPage = message(**told)
    except TypeError as error:
        raise CommandError(f"'{kind}' of a page lacks a field: {error}") from error
    return read


def _fits(value: object, hint: Any) -> bool:  # noqa: ANN401
    if get_origin(hint) is Literal:
        return isinstance(value, str) and value in get_args(hint)
    if hint is float:
        return (
            isinstance(value, int | float)
            and not isinstance(value, bool)
            and abs(value) <= LARGEST
            and isfinite(value)
        )
    if hint is int:
        return isinstance(value, int) and not isinstance(value, bool) and abs(value) <= LARGEST
    return isinstance(value, hint)
