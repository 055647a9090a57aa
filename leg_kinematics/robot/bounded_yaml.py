# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""YAML composed into nodes at a bounded cost, whatever the text."""

from pathlib import Path
from typing import Any

import yaml

from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot.units import shown

# Bounds of what a file may hold (our own). The maps of 64 servos, each a table of 40 rows, have
# 8500 values; the deepest place of a description stands at depth 6.
MOST_VALUES = 10_000
DEEPEST = 12
LONGEST_TEXT = 2000  # of one text

#: Of a file, in words.
LIMITS = f'a file has at most {MOST_VALUES} values, {DEEPEST} deep'

#: What is wrong when a parser finds something else than it expected.
LAYOUT = (
    '; look here and in the lines above: the keys of one mapping begin in the same column, '
    'without tabs, and what is opened by a bracket or quote is closed'
)

#: What to say instead where the problem of the parser tells more.
SLIPS = {
    "'\\t'": '; a tab stands here: indent by blanks',
    'mapping values are not allowed here': (
        '; here or in the line above a colon is missing, or the blank behind it, or the keys of '
        'one mapping do not begin in the same column'
    ),
}

SLASHES = '; lines above begin with //, but a comment begins with #'


def compose(text: str, file: Path) -> yaml.Node:
    """Compose the nodes of a YAML text.

    Parameters
    ----------
    text
        One YAML document.
    file
        To name in errors.

    Raises
    ------
    DescriptionError
        It is no YAML, empty, or more than a file may hold.

    """
    try:
        root: yaml.Node | None = yaml.compose(text, _Loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        hint = '' if isinstance(error, yaml.composer.ComposerError) else _hint(text, error)
        raise DescriptionError(
            f'not valid YAML: {", ".join(filter(None, (error.context, error.problem)))}{hint}',
            file=file,
            line=None if mark is None else mark.line + 1,
        ) from error
    except yaml.reader.ReaderError as error:
        raise DescriptionError(
            f'not valid YAML: {error.reason}: is it the right file?',
            file=file,
            line=text.count('\n', 0, error.position) + 1,
        ) from error
    except _TooMuchError as error:
        raise DescriptionError(str(error), file=file, line=error.line) from error
    if root is None:
        raise DescriptionError(
            'the file is empty: save it in the editor, or begin with a copy of the example',
            file=file,
        )
    return root


def _hint(text: str, error: yaml.MarkedYAMLError) -> str:
    mark = error.problem_mark
    above = text.splitlines()[: 0 if mark is None else mark.line + 1]
    if any(line.lstrip().startswith('//') for line in above):
        return SLASHES
    problem = error.problem or ''
    return next((hint for sign, hint in SLIPS.items() if sign in problem), LAYOUT)


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
        if self._nodes > MOST_VALUES or self._depth >= DEEPEST:
            raise _TooMuchError(f'too much for such a file: {LIMITS}', line)
        if isinstance(event, yaml.ScalarEvent) and len(event.value) > LONGEST_TEXT:
            raise _TooMuchError(
                f'{shown(event.value)} has {len(event.value)} characters; what stands in one place '
                f'has at most {LONGEST_TEXT}: is a digit or a quote wrong?',
                line,
            )
        self._depth += 1
        node = super().compose_node(parent, index)
        self._depth -= 1
        return node
