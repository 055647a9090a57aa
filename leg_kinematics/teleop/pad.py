# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a gamepad says at an instant, with every control by its name."""

from collections.abc import Mapping
from dataclasses import dataclass

#: Names of controls are those of SDL 2 (SDL_gamecontroller.h), whatever reads the pad.
STICKS = ('leftx', 'lefty', 'rightx', 'righty')

TRIGGERS = ('lefttrigger', 'righttrigger')

BUTTONS = (
    'a', 'b', 'x', 'y', 'back', 'guide', 'start',
    'leftstick', 'rightstick', 'leftshoulder', 'rightshoulder',
    'dpup', 'dpdown', 'dpleft', 'dpright',
)  # fmt: skip

AXES_AND_BUTTONS = (*STICKS, *TRIGGERS, *BUTTONS)

#: A trigger counts as a pressed button from here on. One that was never touched may be read as
#: half pulled.
PULLED = 0.75


@dataclass(frozen=True, slots=True)
class Pad:
    """The controls of a pad at an instant.

    Attributes
    ----------
    axes
        Sticks from -1, left or up, to 1, right or down; triggers from 0 to 1.
    buttons
        Names of those that are pressed.

    """

    axes: Mapping[str, float]
    buttons: frozenset[str]

    def is_pressed(self, control: str) -> bool:
        """Tell whether a button is pressed, or a trigger pulled."""
        if control in TRIGGERS:
            return self.axes.get(control, 0.0) >= PULLED
        return control in self.buttons
