# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A gamepad of this computer, read by SDL."""

import os
import warnings
from typing import Any

from leg_kinematics.errors import CommandError
from leg_kinematics.teleop.pad import BUTTONS, STICKS, TRIGGERS, Pad

#: Full deflection, as SDL has it.
FULL = 32767.0


def load_sdl() -> Any:  # noqa: ANN401  published without types
    """Load SDL.

    Raises
    ------
    CommandError
        It is not installed; says how to install it.

    """
    # Ctrl-C is ours.
    os.environ.setdefault('SDL_NO_SIGNAL_HANDLERS', '1')
    # The pad is read whatever window has the focus, and none is opened.
    os.environ.setdefault('SDL_VIDEODRIVER', 'dummy')
    os.environ.setdefault('SDL_JOYSTICK_ALLOW_BACKGROUND_EVENTS', '1')
    try:
        with warnings.catch_warnings():
            # It tells which of its libraries it takes.
            warnings.simplefilter('ignore')
            import sdl2  # noqa: PLC0415  an extra
    except ImportError as error:
        raise CommandError(
            f'reading a gamepad of this computer needs SDL ({error}): install it by\n'
            '    pip install PySDL2 pysdl2-dll\n'
            'or drive by keys, without --gamepad'
        ) from error
    return sdl2


class LocalPad:
    """The first gamepad of this computer, now and whenever one is plugged in.

    Raises
    ------
    CommandError
        SDL is not installed, or does not start.

    Attributes
    ----------
    name
        Of the pad; empty while there is none.

    """

    def __init__(self) -> None:
        """Start SDL."""
        self._sdl: Any = load_sdl()
        if self._sdl.SDL_Init(self._sdl.SDL_INIT_GAMECONTROLLER):
            raise CommandError(f'SDL did not start: {self._sdl.SDL_GetError().decode()}')
        sdl = self._sdl
        self._axes = {
            name: sdl.SDL_GameControllerGetAxisFromString(name.encode())
            for name in (*STICKS, *TRIGGERS)
        }
        self._buttons = {
            name: sdl.SDL_GameControllerGetButtonFromString(name.encode()) for name in BUTTONS
        }
        self._pad: Any = None
        self.name = ''

    def close(self) -> None:
        """Let go of SDL."""
        self._let_go()
        self._sdl.SDL_QuitSubSystem(self._sdl.SDL_INIT_GAMECONTROLLER)

    def read(self) -> Pad | None:
        """Read the pad; None while none is plugged in."""
        sdl = self._sdl
        sdl.SDL_GameControllerUpdate()
        # When a pad is gone its sticks are in the middle before that is told by an event.
        if self._pad is not None and not sdl.SDL_GameControllerGetAttached(self._pad):
            self._let_go()
            return None
        if self._pad is None and not self._take_first():
            return None
        axes = {
            name: max(-1.0, sdl.SDL_GameControllerGetAxis(self._pad, axis) / FULL)
            for name, axis in self._axes.items()
        }
        pressed = frozenset(
            name
            for name, button in self._buttons.items()
            if sdl.SDL_GameControllerGetButton(self._pad, button)
        )
        return Pad(axes, pressed)

    def _take_first(self) -> bool:
        sdl = self._sdl
        for index in range(sdl.SDL_NumJoysticks()):
            if not sdl.SDL_IsGameController(index):
                continue
            if pad := sdl.SDL_GameControllerOpen(index):
                self._pad = pad
                self.name = (sdl.SDL_GameControllerName(pad) or b'a pad without a name').decode()
                return True
        return False

    def _let_go(self) -> None:
        if self._pad is not None:
            self._sdl.SDL_GameControllerClose(self._pad)
        self._pad, self.name = None, ''
