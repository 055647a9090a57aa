# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Text that fits a terminal of any width, and loses nothing in a file."""

import os
import sys
from textwrap import wrap

from rich.console import Console
from rich.markup import escape


def page_width(console: Console) -> int:
    """Tell how many columns there are: as many as one likes where no terminal bounds them."""
    bounded = console.is_terminal or 'COLUMNS' in os.environ
    return console.width if bounded else sys.maxsize


def print_line(console: Console, markup: str) -> None:
    """Print one line as it is, however long."""
    console.print(markup, highlight=False, soft_wrap=True)


def print_folded(console: Console, text: str, indent: int = 0, style: str = '') -> None:
    """Print plain text, indented, and folded between words where the page ends.

    A word that is longer than the page, such as the name of a file, stays whole.
    """
    margin = ' ' * indent
    for line in wrap(
        text,
        page_width(console),
        initial_indent=margin,
        subsequent_indent=margin,
        break_long_words=False,
        break_on_hyphens=False,
    ):
        console.print(escape(line), style=style or None, highlight=False, soft_wrap=True)
