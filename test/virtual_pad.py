# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A pad that SDL makes up; as a program, one for the command that runs in it.

    python test/virtual_pad.py PIPE drive --gamepad

What is done with it is read from the named pipe, a line each: plug in, pull out, press NAME, let go
NAME, deflect NAME VALUE.
"""

import sys
import threading
from pathlib import Path
from time import sleep
from typing import Any

from leg_kinematics.commands.driving.local_pad import load_sdl
from leg_kinematics.commands.main import main
from leg_kinematics.teleop.pad import BUTTONS, STICKS, TRIGGERS


class VirtualPad:
    """A pad that SDL makes up: its controls are in the order of SDL_gamecontroller.h."""

    def __init__(self) -> None:
        """Plug it in."""
        self._sdl: Any = load_sdl()
        self._index = self._sdl.SDL_JoystickAttachVirtual(
            self._sdl.SDL_JOYSTICK_TYPE_GAMECONTROLLER, 6, len(BUTTONS), 0
        )
        assert self._index >= 0, self._sdl.SDL_GetError()
        self._joystick = self._sdl.SDL_JoystickOpen(self._index)
        for name in TRIGGERS:
            self.deflect(name, -1.0)

    def pull_out(self) -> None:
        """Unplug it."""
        self._sdl.SDL_JoystickClose(self._joystick)
        assert self._sdl.SDL_JoystickDetachVirtual(self._index) == 0

    def deflect(self, name: str, value: float) -> None:
        """Deflect an axis, from -1 to 1."""
        axis = (*STICKS, *TRIGGERS).index(name)
        self._sdl.SDL_JoystickSetVirtualAxis(self._joystick, axis, round(32767 * value))

    def press(self, name: str, *, down: bool = True) -> None:
        """Press a button, or let go of it."""
        self._sdl.SDL_JoystickSetVirtualButton(self._joystick, BUTTONS.index(name), int(down))


def obey(pipe: Path) -> None:
    """Do what is written into a pipe, once the command has started SDL."""
    sdl: Any = load_sdl()
    pad: VirtualPad | None = None
    with pipe.open(encoding='utf-8') as lines:
        for line in lines:
            while not sdl.SDL_WasInit(sdl.SDL_INIT_GAMECONTROLLER):
                # SDL tells nobody when it is started.
                sleep(0.01)
            words = line.split()
            if words == ['plug', 'in']:
                pad = VirtualPad()
            elif pad is None:
                raise ValueError(f'no pad is plugged in: {line}')
            elif words == ['pull', 'out']:
                pad.pull_out()
            elif words[0] == 'press':
                pad.press(words[1])
            elif words[:2] == ['let', 'go']:
                pad.press(words[2], down=False)
            else:
                pad.deflect(words[1], float(words[2]))


if __name__ == '__main__':
    threading.Thread(target=obey, args=(Path(sys.argv[1]),), daemon=True).start()
    main(sys.argv[2:], prog_name='leg-kinematics')
