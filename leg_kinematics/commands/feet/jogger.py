# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Keys, screen and robot together: feet moved by hand until somebody leaves."""

from collections.abc import Hashable
from time import monotonic
from typing import TYPE_CHECKING

from rich.console import Console
from rich.live import Live

from leg_kinematics.chain.power import PowerState
from leg_kinematics.commands.feet.jog_screen import Scene, screen
from leg_kinematics.commands.feet.kept_file import KeptFile
from leg_kinematics.commands.terminal.full_screen import full_screen
from leg_kinematics.commands.terminal.key_names import split_keys
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.moves.by_hand import ByHand
from leg_kinematics.moves.jogging import Jogging, Leave
from leg_kinematics.moves.playing import PlayState
from leg_kinematics.moves.steps import FeetStep

if TYPE_CHECKING:
    from leg_kinematics.nodes.taking_part.chain_mover import ChainMover

#: The screen is drawn no more often, s: the ticks of a move come first.
DRAW_EVERY = 0.1

#: What a person can do, by what the robot does instead of following.
REMEDIES = {
    PowerState.LOST: 'Put the cable and the supply of the board right; it is looked for all the '
    'time. The keys work again once the robot follows.',
    PowerState.RELEASED: 'When the robot lies or hangs safely and all hands are clear, call '
    '{namespace}bridge/rearm from another terminal: the legs are enabled at rest, one after '
    'another.',
    PowerState.HOLDING: 'See why it holds, then call {namespace}bridge/rearm from another '
    'terminal, with all hands clear.',
    PowerState.UNPOWERED: 'Activate the bridge, with all hands clear.',
    PowerState.ENABLING: 'Wait until every leg has its pulses.',
}


class Jogger:
    """Hands keys on, and shows what comes of them.

    Parameters
    ----------
    mover
        Of the chain.
    jogging
        What the keys mean.
    file
        Where steps are kept; None for nowhere.
    console
        A terminal.

    """

    def __init__(
        self, mover: 'ChainMover', jogging: Jogging, file: KeptFile | None, console: Console
    ) -> None:
        """Do nothing yet."""
        self._mover = mover
        self._hand = ByHand(mover.stage, jogging)
        self._jogging = jogging
        self._file = file
        self._console = console
        self._written: tuple[FeetStep, ...] = ()
        self._words = ''
        self._pending = ''
        self._drawn: Hashable = None
        self._drawn_at = 0.0

    def run(self) -> Leave:
        """Move what the keys say, until somebody leaves and the robot rests.

        Ctrl-C, SIGTERM and the end of the terminal leave a robot that holds.
        """
        with full_screen(self._console) as (interrupted, keys, live):
            leave: Leave | None = None
            while leave is None:
                self._mover.participant.spin_once()
                self._draw(live)
                leave = self._press(keys.pressed())
                if interrupted.yes or not keys.there:
                    leave = Leave.HOLD
            if (playing := self._mover.stage.playing) is not None:
                playing.stop('left')
            self._mover.spin_until_rest()
        return leave

    def _press(self, typed: str) -> Leave | None:
        names, self._pending = split_keys(self._pending + typed)
        for name in names:
            pressed = self._hand.press(name, monotonic())
            self._words = pressed.words
            if self._jogging.kept != self._written:
                self._write()
            if pressed.leave is not None:
                return pressed.leave
        return None

    def _write(self) -> None:
        self._written = self._jogging.kept
        if self._file is None:
            return
        try:
            self._file.write(self._written)
        except LegKinematicsError as error:
            self._words = f'{error}; the steps that were kept are still known here'

    # ---- the screen

    def _draw(self, live: Live) -> None:
        """Draw, if there is something new and the last time is not too near."""
        now = monotonic()
        if now - self._drawn_at < DRAW_EVERY:
            return
        scene, jogging = self._scene(now), self._jogging
        size = self._console.size
        new = (scene, self._mover.stage.positions, jogging.leg, jogging.mode, jogging.frame)
        if (new, jogging.size, jogging.kept, size) == self._drawn:
            return
        self._drawn, self._drawn_at = (new, jogging.size, jogging.kept, size), now
        view = self._hand.view() if self._powered else None
        live.update(screen(scene, jogging, view, size.width), refresh=True)

    @property
    def _powered(self) -> bool:
        """Whether servos have pulses, as far as is known."""
        report = self._mover.participant.report
        return report is None or report.state not in {PowerState.RELEASED, PowerState.UNPOWERED}

    def _scene(self, now: float) -> Scene:
        stage = self._mover.stage
        trouble = stage.trouble(now)
        state, playing = 'at rest', stage.playing
        if self._hand.moves(now):
            state = 'moving'
        elif playing is not None and playing.state in {PlayState.PAUSED, PlayState.STOPPED}:
            state = f'at rest, stopped on its way: {playing.reason}'
        return Scene(
            robot=stage.calibrated.robot.name,
            state=state,
            trouble=self._with_bridge(trouble),
            remedy=self._remedy if trouble else '',
            words=self._words,
            keeping=self._keeping,
        )

    def _with_bridge(self, trouble: str) -> str:
        """Add what the bridge says of itself."""
        bridge = self._mover.participant.states.get('bridge', '')
        return f'{trouble}\nbridge: {bridge}' if trouble and bridge else trouble

    @property
    def _remedy(self) -> str:
        participant = self._mover.participant
        report = participant.report
        remedy = '' if report is None else REMEDIES.get(report.state, '')
        return remedy.format(namespace=participant.node.get_namespace().rstrip('/') + '/')

    @property
    def _keeping(self) -> str:
        file = self._file
        if file is None:
            return 'what is kept is printed on leaving'
        before = f', which has {file.before} from before' if file.before else ''
        return f'steps go to {file.path}{before}'
