# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A plan played from a terminal: progress on the screen, keys, and an end whatever happens."""

from collections.abc import Callable

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn

from leg_kinematics.commands.terminal.keys import Keys
from leg_kinematics.commands.terminal.signals import signals_noted
from leg_kinematics.errors import CommandError
from leg_kinematics.moves.playing import Playing, PlayState
from leg_kinematics.nodes.taking_part.chain_mover import ChainMover

HELP = 'space pauses and goes on, n plays one step, q stops'

#: The progress is shown so often, 1/s.
REFRESH = 5

#: States in which somebody may want to go on.
OPEN = (PlayState.PLAYING, PlayState.PAUSED, PlayState.AT_STEP)


class Playback:
    """Plays what a mover has begun.

    Parameters
    ----------
    mover
        Of the chain.
    playing
        What it has begun.
    name
        Says what a step is, by its number from 0.
    steps
        How many there are.
    console
        Where people read.

    """

    def __init__(
        self,
        mover: ChainMover,
        playing: Playing,
        name: Callable[[int], str],
        steps: int,
        console: Console,
    ) -> None:
        """Play nothing yet."""
        self._mover = mover
        self._playing = playing
        self._name = name
        self._steps = steps
        self._console = console
        self._told: tuple[PlayState, int] | None = None

    def run(self) -> PlayState:
        """Play to the end, or to where it is interrupted; return once the robot rests.

        A pause that nobody can end by a key is an end: nothing goes on by itself.
        """
        playing = self._playing
        columns = (TextColumn('{task.description}'), BarColumn(), TextColumn('{task.fields[time]}'))
        with (
            signals_noted() as interrupted,
            Keys() as keys,
            Progress(
                *columns,
                console=self._console,
                transient=True,
                disable=not self._live,
                refresh_per_second=REFRESH,
            ) as progress,
        ):
            if keys.there:
                self._console.print(f'Keys: {HELP}.', style='dim')
            task = progress.add_task('', total=self._total, time='')
            self._obey(self._mover.play)
            while playing.state in OPEN:
                self._mover.participant.spin_once()
                self._show(progress, task, keys)
                if interrupted.yes:
                    playing.stop('interrupted by Ctrl-C')
                for key in keys.pressed():
                    self._press(key)
                if playing.state is PlayState.PAUSED and not keys.there:
                    break
            self._mover.spin_until_rest()
        return playing.state

    @property
    def _live(self) -> bool:
        """Whether what is shown can be written over."""
        return self._console.is_terminal

    @property
    def _total(self) -> float | None:
        end = self._playing.end
        return end if end != float('inf') else None

    def _press(self, key: str) -> None:
        playing = self._playing
        if key == 'q':
            playing.stop('stopped by a key')
        elif key == ' ' and playing.state is PlayState.PLAYING:
            playing.pause('by a key')
        elif key == ' ':
            self._obey(self._mover.play)
        elif key == 'n' and playing.state is not PlayState.PLAYING:
            self._obey(self._mover.play_step)

    def _obey(self, order: Callable[[], None]) -> None:
        try:
            order()
        except CommandError as error:
            self._console.print(f'Not played: {error}', style='red')

    def _show(self, progress: Progress, task: TaskID, keys: Keys) -> None:
        playing = self._playing
        move = playing.move
        number = -1 if move is None else move.number
        step = f'step {number + 1} of {self._steps}'
        passed = f'{playing.time:.1f} s' + ('' if self._total is None else f' of {self._total:.1f}')
        passed += f', {playing.held_up}' if playing.held_up else ''
        progress.update(task, completed=playing.time, description=step, time=passed)
        if self._told == (playing.state, number):
            return
        before, self._told = self._told, (playing.state, number)
        if playing.state is PlayState.PLAYING and not self._live:
            self._console.print(f'{step}: {self._name(number)}')
        elif playing.state in {PlayState.PAUSED, PlayState.AT_STEP} and before != self._told:
            reason = f': {playing.reason}' if playing.reason else ''
            cure = f' Keys: {HELP}.' if keys.there else ''
            self._console.print(f'{playing.state} ({step}){reason}.{cure}', style='yellow')
