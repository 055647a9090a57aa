# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Keys, screen and bench together: questions asked until somebody leaves."""

import select
import sys
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from time import monotonic
from typing import Protocol

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from leg_kinematics.calibration.question import Asking, Question
from leg_kinematics.chain.values import Condition, Level
from leg_kinematics.commands.terminal.full_screen import full_screen
from leg_kinematics.commands.terminal.key_names import split_keys
from leg_kinematics.errors import DescriptionError

#: Between two looks at boards and keys, s.
TICK = 0.02

#: The screen is drawn no more often, s.
DRAW_EVERY = 0.1

#: Keys that do the same as those on the screen.
SAME = {'up': 'w', 'down': 's', 'space': 'x'}

COLOURS = {Level.OK: 'green', Level.WARN: 'yellow', Level.ERROR: 'bold red'}


class SteppedBench(Protocol):
    """A bench that lives by being stepped."""

    def step(self, now: float) -> None:
        """Advance to an instant, s."""

    def condition(self) -> Condition:
        """Say how it is."""


@dataclass(frozen=True)
class Scene:
    """All that the screen shows.

    Attributes
    ----------
    question
        What is asked.
    words
        What the last answer has led to.
    level, condition
        How the bench is.
    typed
        What was typed by now.
    shown
        What the mock shows of what a person would read at the bench; empty at a real one.

    """

    question: Question
    words: str
    level: Level
    condition: str
    typed: str
    shown: str


class QuestionScreen:
    """Hands keys on, and shows what is asked.

    Parameters
    ----------
    asking
        What leads.
    bench
        That it moves servos with.
    console
        A terminal.
    shown
        Says what a person would read at a real bench, where this is a mock.

    """

    def __init__(
        self, asking: Asking, bench: SteppedBench, console: Console, shown: Callable[[], str]
    ) -> None:
        """Do nothing yet."""
        self._asking = asking
        self._bench = bench
        self._console = console
        self._shown = shown
        self._typed = ''
        self._pending = ''
        self._drawn: Hashable = None
        self._drawn_at = 0.0

    def run(self) -> None:
        """Ask until somebody leaves.

        Ctrl-C, SIGTERM and the end of the terminal leave as well.
        """
        with full_screen(self._console) as (interrupted, keys, live):
            while not self._asking.ended and not interrupted.yes and keys.there:
                self._bench.step(monotonic())
                self._asking.step()
                self._draw(live)
                select.select([sys.stdin], [], [], TICK)
                self._press(keys.pressed())

    def _press(self, pressed: str) -> None:
        names, self._pending = split_keys(self._pending + pressed)
        for name in names:
            try:
                self._take(name)
            except DescriptionError as error:
                self._asking.words = str(error)

    def _take(self, key: str) -> None:
        """Take a key: of what is typed, or an answer."""
        wanted = self._asking.question().typed
        # Before anything is typed, the space bar stands for the switch.
        character = ' ' if key == 'space' and self._typed else key
        if wanted is not None and character in wanted.characters:
            self._typed = (self._typed + character)[: wanted.longest]
        elif key == 'backspace':
            self._typed = self._typed[:-1]
        elif key == 'enter' and wanted is not None and self._typed:
            typed, self._typed = self._typed, ''
            self._asking.enter(typed)
        else:
            self._typed = ''
            self._asking.choose(SAME.get(key, key))

    def _draw(self, live: Live) -> None:
        """Draw, if there is something new and the last time is not too near."""
        now = monotonic()
        if now - self._drawn_at < DRAW_EVERY:
            return
        condition = self._bench.condition()
        scene = Scene(
            question=self._asking.question(),
            words=self._asking.words,
            level=condition.level,
            condition=str(condition),
            typed=self._typed,
            shown=self._shown(),
        )
        if (scene, self._console.size) != self._drawn:
            self._drawn, self._drawn_at = (scene, self._console.size), now
            live.update(screen(scene, self._console.width), refresh=True)


def screen(scene: Scene, width: int) -> RenderableType:
    """Draw everything, in so many columns."""
    question = scene.question
    parts: list[RenderableType] = [
        Text(question.title, style='bold'),
        Text(scene.condition, style=COLOURS[scene.level]),
        Text(),
        Text(question.text),
    ]
    if scene.shown:
        parts += [Text(), Text(scene.shown)]
    if question.typed is not None:
        parts += [Text(), Text(f'{question.typed.prompt}: {scene.typed}_', style='bold')]
    if scene.words:
        parts += [Text(), Text(scene.words, style='bold')]
    grid = Table.grid(padding=(0, 2, 0, 0))
    cells = [Text.assemble((each.key, 'bold'), f'  {each.words}') for each in question.choices]
    columns = max(1, width // (max(map(len, cells)) + 2))
    for first in range(0, len(cells), columns):
        grid.add_row(*cells[first : first + columns])
    return Group(*parts, Text(), grid)
