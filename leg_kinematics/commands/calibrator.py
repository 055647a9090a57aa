# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Keys, screen and bench together: joints measured until somebody leaves."""

import select
import sys
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from time import monotonic

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from leg_kinematics.calibration.bench import ServoOutput
from leg_kinematics.calibration.dialogue import Dialogue
from leg_kinematics.calibration.dialogue_words import Question
from leg_kinematics.chain.servo_bench import ServoBench
from leg_kinematics.chain.values import Level
from leg_kinematics.commands.full_screen import full_screen
from leg_kinematics.commands.key_names import split_keys
from leg_kinematics.errors import DescriptionError

#: Between two looks at boards and keys, s.
TICK = 0.02

#: The screen is drawn no more often, s.
DRAW_EVERY = 0.1

#: Keys that do the same as those on the screen.
SAME = {'up': 'w', 'down': 's', 'space': 'x'}

#: What angles are typed with.
OF_ANGLES = frozenset('0123456789.,+-')

#: Nobody types a longer one.
LONGEST_ANGLE = 8

COLOURS = {Level.OK: 'green', Level.WARN: 'yellow', Level.ERROR: 'bold red'}


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
        What was typed of an angle.
    protractor
        What the protractor on the mock shows, deg; None where there is a real one.

    """

    question: Question
    words: str
    level: Level
    condition: str
    typed: str
    protractor: float | None


class Calibrator:
    """Hands keys on, and shows what is asked.

    Parameters
    ----------
    dialogue
        That leads.
    bench
        That it moves servos with.
    console
        A terminal.
    protractor
        What shows the angle of the joint at an output, deg; None where a person reads it.

    """

    def __init__(
        self,
        dialogue: Dialogue,
        bench: ServoBench,
        console: Console,
        protractor: Callable[[ServoOutput], float] | None,
    ) -> None:
        """Do nothing yet."""
        self._dialogue = dialogue
        self._bench = bench
        self._console = console
        self._protractor = protractor
        self._typed = ''
        self._pending = ''
        self._drawn: Hashable = None
        self._drawn_at = 0.0

    def run(self) -> None:
        """Ask until somebody leaves.

        Ctrl-C, SIGTERM and the end of the terminal leave as well.
        """
        with full_screen(self._console) as (interrupted, keys, live):
            while self._dialogue.finish is None and not interrupted.yes and keys.there:
                self._bench.step(monotonic())
                self._dialogue.step()
                self._draw(live)
                select.select([sys.stdin], [], [], TICK)
                self._press(keys.pressed())

    def _press(self, typed: str) -> None:
        names, self._pending = split_keys(self._pending + typed)
        for name in names:
            try:
                self._take(SAME.get(name, name))
            except DescriptionError as error:
                self._dialogue.words = str(error)

    def _take(self, key: str) -> None:
        """Take a key: of an angle, or an answer."""
        wants_angle = self._dialogue.question().wants_angle
        if wants_angle and key in OF_ANGLES:
            self._typed = (self._typed + key)[:LONGEST_ANGLE]
        elif key == 'backspace':
            self._typed = self._typed[:-1]
        elif key == 'enter' and wants_angle and self._typed:
            typed, self._typed = self._typed, ''
            self._dialogue.enter(typed)
        else:
            self._typed = ''
            self._dialogue.choose(key)

    def _draw(self, live: Live) -> None:
        """Draw, if there is something new and the last time is not too near."""
        now = monotonic()
        if now - self._drawn_at < DRAW_EVERY:
            return
        condition = self._bench.condition()
        task = self._dialogue.task
        shown = None
        if self._protractor is not None and task is not None:
            shown = self._protractor(task.output)
        scene = Scene(
            question=self._dialogue.question(),
            words=self._dialogue.words,
            level=condition.level,
            condition=str(condition),
            typed=self._typed,
            protractor=shown,
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
    if scene.protractor is not None:
        parts += [Text(), Text(f'On the mock the protractor shows {scene.protractor:.1f} deg.')]
    if question.wants_angle:
        parts += [Text(), Text(f'angle in deg: {scene.typed}_', style='bold')]
    if scene.words:
        parts += [Text(), Text(scene.words, style='bold')]
    grid = Table.grid(padding=(0, 2, 0, 0))
    cells = [Text.assemble((each.key, 'bold'), f'  {each.words}') for each in question.choices]
    columns = max(1, width // (max(map(len, cells)) + 2))
    for first in range(0, len(cells), columns):
        grid.add_row(*cells[first : first + columns])
    return Group(*parts, Text(), grid)
