# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Moving feet from the command line: in a chain that runs, or in one of the command's own."""

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from os import getpid
from types import TracebackType
from typing import Self

import click
from rich.console import Console

from leg_kinematics.chain.power import PowerState
from leg_kinematics.commands.options.chain_options import ChainOptions
from leg_kinematics.commands.terminal.confirm import confirm
from leg_kinematics.errors import CommandError
from leg_kinematics.moves.moving import Moving
from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.plan import Plan
from leg_kinematics.moves.playing import HESITATES_FOR, PlayState
from leg_kinematics.moves.resuming import Plans
from leg_kinematics.moves.steps import Step
from leg_kinematics.nodes.caution import CAUTION
from leg_kinematics.nodes.taking_part.chain_mover import ChainMover
from leg_kinematics.nodes.taking_part.joining import RunningChain, find_chain, parameters_of_node
from leg_kinematics.nodes.taking_part.own_chain import OwnChain
from leg_kinematics.nodes.taking_part.participant import PATIENCE, Participant

#: Plans what was asked for, and what is repeated after it, by a planner.
Make = Callable[[Plans], tuple[Plan, Plan | None]]

OPENING = """\
Opening the serial port may restart the board: a robot that stands then drops. Put it down first."""

UNHEARD = (
    'Nothing is heard from the bridge any more: its servos may have their power still; the switch '
    'of the battery ends the pulses.'
)

#: What is said in the end of a robot that nobody can lead.
UNLED = {
    PowerState.UNPOWERED: 'No servo was given power.',
    PowerState.RELEASED: 'The robot is released: its pulses are off, or being put off.',
    PowerState.LOST: 'A board cannot be reached, and may hold its servos: use the switch.',
}


class FeetSession:
    """The chain in which feet are moved, from finding it until leaving it.

    Parameters
    ----------
    options
        Of the command.
    console
        Where people read.

    Attributes
    ----------
    calibrated
        The robot.
    stage
        With which was planned last.

    """

    def __init__(self, options: ChainOptions, console: Console) -> None:
        """Find nothing yet."""
        self._options = options
        self._console = console
        self._stack = ExitStack()
        self._own: OwnChain | None = None
        self._chain: RunningChain | None = None
        self._mover: ChainMover | None = None
        self._status = console.status('')
        self.stage: Moving

    def __enter__(self) -> Self:
        """Look for a chain; read the robot.

        Raises
        ------
        LegKinematicsError
            The chain cannot be joined.
        click.ClickException
            An option or a file is wrong.

        """
        options = self._options
        if options.boards:
            options.load()
        with ExitStack() as stack:
            self._participant = stack.enter_context(
                Participant('mover', options.namespace, self._watch)
            )
            with self._status:
                self._chain = find_chain(self._participant, options.robot, options.servo_maps)
            if self._chain is not None:
                self.calibrated = self._chain.calibrated
                self._refuse_boards()
                self._stack = stack.pop_all()
        if self._chain is None:
            self.calibrated = options.load()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the chain, and end it if it is our own."""
        self._stack.close()

    def _refuse_boards(self) -> None:
        if self._options.boards:
            raise click.BadParameter(
                f'a chain runs in namespace {self._options.namespace} already, on boards of its '
                'own: leave out --board to join it, end it first, or give another --namespace',
                param_hint='--board',
            )

    def _watch(self, doing: str) -> None:
        """Show what is waited for, and see that the chain of our own still runs."""
        self._status.update(doing)
        if self._own is not None:
            self._own.check()

    # ---- planning and powering

    def draft(self, make: Make) -> tuple[Plan, Plan | None]:
        """Plan from where the feet are, or from rest where no chain runs; nothing is started.

        Raises
        ------
        LegKinematicsError
            It cannot be done, or the chain does not tell where the feet are.

        """
        if self._chain is not None:
            self.stage = self._join(self._chain).stage
            return make(self.stage.plan)
        self.stage = Moving(self.calibrated)

        def plan(steps: Sequence[Step], feet: Feet | None = None) -> Plan:
            return self.stage.plan(steps, feet or self.calibrated.robot.resting.feet)

        return make(plan)

    def prepare(self, make: Make) -> tuple[ChainMover, Plan, Plan | None]:
        """Have a robot that follows, and the plan from where its feet are.

        A chain of our own is started, after the cautions where its boards are real; what cannot be
        done is refused before any servo gets power.

        Raises
        ------
        LegKinematicsError
            It cannot be done, or the chain cannot be used.
        click.ClickException
            The person does not want it.

        """
        if self._chain is not None:
            mover = self._join(self._chain)
            self.stage = mover.stage
            # On a busy machine a robot may hold for a moment, and then its feet are not known.
            if not self._participant.happens(lambda: not mover.trouble, HESITATES_FOR):
                raise CommandError(mover.trouble)
            return mover, *make(mover.stage.plan)
        if not self._options.boards:
            self.draft(make)
        else:
            confirm(
                f'{CAUTION}\n{OPENING}',
                'Shall the boards be opened, the servos get their power, and the feet move?',
                yes=self._options.yes,
            )
        mover = self._mover = self._start()
        self.stage = mover.stage
        following = mover.stage.positions_known

        def plan_there(steps: Sequence[Step], feet: Feet | None = None) -> Plan:
            rest = None if following else self.calibrated.robot.resting.feet
            return mover.stage.plan(steps, feet or rest)

        plan, again = make(plan_there)
        with self._status:
            self._participant.enable_legs()
            self._participant.spin(lambda: not mover.trouble, 'a robot that can be led')
        return mover, plan, again

    def _join(self, chain: RunningChain) -> ChainMover:
        if self._mover is None:
            with self._status:
                self._mover = ChainMover(self._participant, chain)
        return self._mover

    def _start(self) -> ChainMover:
        options = self._options
        # A chain that runs and was not found shall hear nothing of what is meant for a mock.
        namespace = options.namespace
        if not options.boards:
            namespace = f'{namespace.rstrip("/")}/mock_{getpid()}'
        self._participant = self._stack.enter_context(Participant('mover', namespace, self._watch))
        self._own = self._stack.enter_context(
            OwnChain(
                options.files,
                namespace,
                needed=self.calibrated.maps.boards,
                boards=options.boards,
                params_file=options.parameters,
            )
        )
        with self._status:
            chain = find_chain(self._participant, *options.files, patience=PATIENCE)
            if chain is None:
                raise CommandError(f'the chain did not start within {PATIENCE:g} s')
            mover = ChainMover(self._participant, chain)
            self._participant.find_boards()
            # Servos that have pulses already are where they are, and not at rest.
            if self._participant.next_report().state is PowerState.HOLDING:
                self._participant.spin(lambda: mover.stage.positions_known, 'joint_states')
        return mover

    # ---- words

    @property
    def where(self) -> str:
        """Which chain it is."""
        name, namespace = self.calibrated.robot.name, self._options.namespace
        if words := self.calibrated.maps.not_wired_in_words:
            name = f'{name} ({words})'
        if self._chain is not None:
            files = ' and '.join(map(str, self._chain.files))
            return f'Joined the chain that runs in {namespace}: {name}, by {files}.'
        boards = ', '.join(self._options.boards) or 'a mock board; nothing real moves'
        return f'No chain runs in {namespace}: one of our own for {name}, on {boards}.'

    def release(self) -> str:
        """Stop all pulses; say what the bridge answers."""
        return f'Released: {self._participant.call("bridge/release")}.'

    @property
    def began(self) -> bool:
        """Whether something has begun to move."""
        playing = None if self._mover is None else self._mover.stage.playing
        return playing is not None and playing.state is not PlayState.READY

    @property
    def outlasts(self) -> bool:
        """Whether the robot holds where it is when the command has ended."""
        mocked = self._own is not None and self._own.mocked
        return not mocked and not self._options.release

    def leave(self) -> str:
        """Release the robot where that is wanted; say what holds it otherwise."""
        if self._options.release:
            return self.release()
        report = self._participant.report
        if report is None or (self._mover is not None and self._mover.unheard):
            return UNHEARD
        return UNLED.get(report.state) or self._held_by()

    def _held_by(self) -> str:
        """Say what holds a powered robot when the command has ended."""
        if self._own is None:
            return 'The chain goes on and holds the feet here.'
        if self._own.mocked:
            return 'The mock board ends with this command; the next one begins at rest.'
        silence = parameters_of_node(
            self._participant, 'bridge', ['board_silence_reaction', 'board_silence']
        )
        return (
            f'The servos stay powered: without this command their boards '
            f'{silence["board_silence_reaction"]} after {silence["board_silence"]:g} s. '
            f'--release, or the switch of the battery, ends the pulses.'
        )
