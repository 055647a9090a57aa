# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Keys, gamepad, screen and robot together: driven until somebody leaves."""

from collections.abc import Callable, Hashable
from time import monotonic

from rich.console import Console
from rich.live import Live

from leg_kinematics.commands.driving.driven import Driven
from leg_kinematics.commands.driving.driving_screen import Scene, screen
from leg_kinematics.commands.driving.local_pad import LocalPad
from leg_kinematics.commands.terminal.full_screen import full_screen
from leg_kinematics.commands.terminal.key_names import split_keys
from leg_kinematics.teleop.key_steering import (
    COMMON_KEYS,
    KEYS,
    LEAVE,
    STOP,
    KeySteering,
    key_of,
)
from leg_kinematics.teleop.steering import Steering, SteeringParameters, Wanted

#: Between two looks at keys and pad, s.
INTERVAL = 0.02

#: The screen is drawn no more often, s.
DRAW_EVERY = 0.1

Hands = tuple[LocalPad, Steering]


class Driver:
    """Hands on what keys and gamepad want, and shows what comes of it.

    Parameters
    ----------
    drive
        Makes the robots; takes who is told what came of an order.
    parameters
        Of the keys.
    hands
        A gamepad and what its controls mean; None where the keys drive.
    console
        A terminal.

    """

    def __init__(
        self,
        drive: Callable[[Callable[[str], None]], Driven],
        parameters: SteeringParameters,
        hands: Hands | None,
        console: Console,
    ) -> None:
        """Send nothing yet."""
        self._keys = KeySteering(parameters)
        self._hands = hands
        self._console = console
        self._words = ''
        self._pending = ''
        self._drawn: Hashable = None
        self._drawn_at = 0.0
        self._driven = drive(self._tell)

    def run(self) -> None:
        """Drive until somebody leaves; then the robot stands still.

        Ctrl-C, SIGTERM and the end of the terminal leave, too.
        """
        with full_screen(self._console) as (interrupted, keys, live):
            staying = True
            while staying and not interrupted.yes and keys.there:
                self._driven.work(INTERVAL)
                staying = self._press(keys.pressed())
                wanted, held = self._wanted()
                if ended := self._driven.send(wanted, held=held):
                    self._interrupt(ended)
                self._draw(live)
        self._driven.leave()

    def _press(self, typed: str) -> bool:
        """Take what was typed; tell whether to stay."""
        names, self._pending = split_keys(self._pending + typed)
        for name in names:
            if name in self._choices:
                self._choose(self._choices.index(name))
                continue
            key = key_of(name)
            if key is None or (self._hands is not None and key not in COMMON_KEYS):
                self._words = f'{name!r} is no key here'
                continue
            act = self._keys.press(key, monotonic())
            if key in COMMON_KEYS:
                self._words = ''
                self._stop_hands(f'{key.names[0]} was pressed')
            if key is LEAVE:
                return False
            if key is STOP:
                self._driven.stop()
                self._words = 'stopped'
            if act is not None:
                self._driven.order([act], 0.0)
        return True

    @property
    def _choices(self) -> str:
        """Keys that choose a robot, where there is a choice."""
        return '123456789'[: len(self._driven.choices)] if len(self._driven.choices) > 1 else ''

    def _choose(self, index: int) -> None:
        self._interrupt('another robot was chosen')
        self._driven.choose(index)

    def _interrupt(self, why: str) -> None:
        """Stop, until the control that is held is let go."""
        self._words = f'stopped: {why}'
        self._keys.interrupt()
        self._stop_hands(why)

    def _stop_hands(self, why: str) -> None:
        if self._hands is not None:
            self._hands[1].stop(why)

    def _wanted(self) -> tuple[Wanted, bool]:
        """Say what is wanted, and whether the hold control is pressed."""
        now = monotonic()
        if self._hands is None:
            wanted = self._keys.step(now)
            return wanted, bool(wanted.twist)
        pad, steering = self._hands
        before = pad.name
        read = pad.read()
        if read is not None:
            self._driven.order(steering.take(read, now), steering.duty_factor)
        elif before:
            steering.lose(f'{before} was pulled out')
        wanted = steering.step(now)
        return wanted, steering.driving

    def _tell(self, words: str) -> None:
        self._words = words

    # ---- the screen

    def _draw(self, live: Live) -> None:
        now = monotonic()
        if now - self._drawn_at < DRAW_EVERY:
            return
        if self._hands is None:
            state = self._keys.in_words(now)
            pace = 'fast' if self._keys.fast else 'slow'
        else:
            pad, steering = self._hands
            state = f'{pad.name}: {steering.condition()}'.removeprefix(': ')
            pace = ''
        scene = Scene(
            title=self._driven.title,
            state=state,
            pace=pace,
            words=self._words,
            nodes=tuple(self._driven.states),
            keys=KEYS if self._hands is None else COMMON_KEYS,
            choices=tuple(zip(self._choices, self._driven.choices, strict=False)),
        )
        size = self._console.size
        if (scene, size) == self._drawn:
            return
        self._drawn, self._drawn_at = (scene, size), now
        live.update(screen(scene, size.width), refresh=True)
