# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Names of the keys that a terminal has sent."""

#: What is sent for keys that are no character: ECMA-48 and, for the pages, the DEC VT220.
NAMES = {
    '\x1b[A': 'up',
    '\x1b[B': 'down',
    '\x1b[C': 'right',
    '\x1b[D': 'left',
    '\x1bOA': 'up',
    '\x1bOB': 'down',
    '\x1bOC': 'right',
    '\x1bOD': 'left',
    '\x1b[5~': 'page up',
    '\x1b[6~': 'page down',
    '\x1b[Z': 'shift tab',
    '\t': 'tab',
    '\n': 'enter',
    ' ': 'space',
    '\x7f': 'backspace',
    '\b': 'backspace',
}

UNKNOWN = 'unknown key'

ESCAPE = '\x1b'


def split_keys(text: str) -> tuple[list[str], str]:
    """Give the names of the keys in a text, and the beginning of a key that has not come whole.

    Letters are small; `UNKNOWN` is the name of all that has none.
    """
    names = []
    while text and (length := _length(text)) <= len(text):
        key, text = text[:length], text[length:]
        name = NAMES.get(key, key.lower())
        names.append(name if name.isprintable() else UNKNOWN)
    return names, text


def _length(text: str) -> int:
    """Length of the first key; more than that of the text where it has not come whole."""
    if text[0] != ESCAPE:
        return 1
    if text == ESCAPE:
        return 2
    if text[1] not in '[O':
        return 1
    ends = (index for index, each in enumerate(text[2:], 2) if '@' <= each <= '~')
    return next(ends, len(text)) + 1
