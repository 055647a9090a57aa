# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is on the screen while a robot is driven; whole at 60 columns."""

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from leg_kinematics.teleop.key_steering import FIRST_REPEAT_WITHIN, REPEATS_WITHIN, Key

#: Columns that a key and its words have.
KEY_WIDTH = 28

BY_KEYS = (
    'Hold a key to walk. A terminal does not tell that a key was let go: the robot stops '
    f'{REPEATS_WITHIN:g} s after its last repeat; a tap walks for {FIRST_REPEAT_WITHIN:g} s.'
)


@dataclass(frozen=True)
class Scene:
    """All that the screen shows.

    Attributes
    ----------
    title
        Which robot, and by which way.
    state
        What the driver does, in few words.
    pace
        Of the keys: slow or fast; empty with a gamepad.
    words
        What the last order has led to.
    nodes
        Names of nodes, with what they say.
    keys
        That can be pressed.
    choices
        Keys that choose a robot, with its name.

    """

    title: str
    state: str
    pace: str
    words: str
    nodes: tuple[tuple[str, str], ...]
    keys: tuple[Key, ...]
    choices: tuple[tuple[str, str], ...]


def screen(scene: Scene, width: int) -> RenderableType:
    """Draw everything, in so many columns."""
    title = Text.assemble(
        ('driving ', ''),
        (scene.title, 'bold'),
        f', {scene.pace} range' if scene.pace else '',
    )
    parts: list[RenderableType] = [title, Text(scene.state, style='bold green')]
    if scene.words:
        parts.append(Text(scene.words, style='bold'))
    parts.append(Text())
    parts += [Text(f'{name}: {words}') for name, words in scene.nodes]
    texts = [(key.names[0], key.words) for key in scene.keys] + [
        (key, f'drive {name}') for key, name in scene.choices
    ]
    parts += [Text(), _keys(texts, width)]
    if scene.pace:
        parts += [Text(), Text(BY_KEYS, style='dim')]
    return Group(*parts)


def _keys(keys: Sequence[tuple[str, str]], width: int) -> RenderableType:
    columns = max(1, width // KEY_WIDTH)
    table = Table.grid(padding=(0, 1, 0, 0))
    texts = [Text.assemble((key, 'bold'), f' {words}') for key, words in keys]
    for start in range(0, len(texts), columns):
        table.add_row(*texts[start : start + columns])
    return table
