# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the controls of a pad do, and where a `sensor_msgs/Joy` has them: one file a layout."""

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from math import isfinite
from pathlib import Path

from leg_kinematics.errors import CommandError
from leg_kinematics.robot import Document
from leg_kinematics.teleop.pad import TRIGGERS, Pad

#: Axes may be so much beyond their ends by rounding (our own).
ROUNDING = 1e-3


class Act(enum.StrEnum):
    """What a button does."""

    HOLD = 'hold'
    """The robot moves only while it is pressed."""
    FAST = 'fast'
    """The sticks have their fast range while it is pressed."""
    LEAN = 'lean'
    """The sticks lean the body instead of walking while it is pressed."""
    STAND = 'stand'
    CROUCH = 'crouch'
    RELEASE = 'release'
    LEVEL = 'level'
    """The body goes back to level."""
    STEADIER = 'steadier'
    """The next larger duty factor."""
    QUICKER = 'quicker'
    """The next smaller one."""


#: Ways of a walk, and of a body that leans.
WALK = ('forward', 'left', 'turn')
LEAN = ('forward', 'left', 'up', 'roll', 'pitch', 'yaw')


@dataclass(frozen=True, slots=True)
class Deflection:
    """One way of one stick.

    Attributes
    ----------
    axis
        Its name.
    sign
        1 to the right or down, -1 to the left or up.

    """

    axis: str
    sign: float


@dataclass(frozen=True, slots=True)
class AxisSlot:
    """Where an axis is in a message.

    Attributes
    ----------
    index
        Among the axes, from 0.
    start, end
        What is sent at left, up or released, and at right, down or pulled.

    """

    index: int
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class ButtonSlot:
    """Where a button is in a message.

    Attributes
    ----------
    index
        Among the buttons, from 0; among the axes where there is a value.
    at
        What is sent for it where it is a side of an axis; None for a button.

    """

    index: int
    at: float | None = None


@dataclass(frozen=True, slots=True)
class JoyTable:
    """Which index of a message is which control; nothing else knows an index.

    Attributes
    ----------
    axes, buttons
        Where the controls are, by name.
    lengths
        Of both lists in a message.

    """

    axes: Mapping[str, AxisSlot]
    buttons: Mapping[str, ButtonSlot]
    lengths: tuple[int, int]

    def read(self, axes: Sequence[float], buttons: Sequence[int]) -> Pad:
        """Read the lists of a message.

        Raises
        ------
        CommandError
            Their lengths are others, an axis is not a number from -1 to 1, or a button neither 0
            nor 1: then it is no input.

        """
        if (len(axes), len(buttons)) != self.lengths:
            raise CommandError(
                f'joy has {len(axes)} axes and {len(buttons)} buttons, and the layout is for '
                f'{self.lengths[0]} and {self.lengths[1]}: choose the layout of this pad'
            )
        for index, value in enumerate(axes):
            if not (isfinite(value) and abs(value) <= 1.0 + ROUNDING):
                raise CommandError(f'axis {index} of joy must be from -1 to 1 (got {value:g})')
        for index, button in enumerate(buttons):
            if button not in {0, 1}:
                raise CommandError(f'button {index} of joy must be 0 or 1 (got {button})')
        return Pad(
            {name: _scaled(name, slot, axes[slot.index]) for name, slot in self.axes.items()},
            frozenset(
                name
                for name, slot in self.buttons.items()
                if (
                    buttons[slot.index]
                    if slot.at is None
                    # A side of an axis is pressed beyond half of its way.
                    else axes[slot.index] * slot.at > 0.5 * slot.at**2
                )
            ),
        )


def _scaled(name: str, slot: AxisSlot, value: float) -> float:
    """Give an axis as `Pad` has it."""
    share = min(1.0, max(0.0, (value - slot.start) / (slot.end - slot.start)))
    return share if name in TRIGGERS else 2.0 * share - 1.0


@dataclass(frozen=True, slots=True)
class Layout:
    """What the controls of a pad do.

    Attributes
    ----------
    name
        For people.
    buttons
        Button or trigger, by what it does.
    walk, lean
        Deflections, by the way that they go.
    joy
        Where a message has the controls; None where the layout has no such table.

    """

    name: str
    buttons: Mapping[Act, str]
    walk: Mapping[str, Deflection]
    lean: Mapping[str, Deflection]
    joy: JoyTable | None


def load_layout(path: Path | str) -> Layout:
    """Read the file of a layout.

    Parameters
    ----------
    path
        The YAML file, in the layout of ``layout.schema.json``.

    Raises
    ------
    DescriptionError
        When the file is wrong; the message names file, line and place.

    """
    document = Document(path, files('leg_kinematics.teleop') / 'layout.schema.json')
    buttons: dict[Act, str] = {}
    for key in document.keys('buttons'):
        control = document.text(f'buttons.{key}')
        if control in buttons.values():
            raise document.error(
                f'buttons.{key}',
                f'{control} does something else already: choose a free button or trigger',
            )
        buttons[Act(key)] = control
    joy = _joy_table(document, buttons) if 'joy' in document.keys('') else None
    return Layout(
        document.text('name'),
        buttons,
        _deflections(document, 'walk', joy),
        _deflections(document, 'lean', joy),
        joy,
    )


def _deflections(document: Document, path: str, joy: JoyTable | None) -> dict[str, Deflection]:
    deflections = {}
    for way in document.keys(path):
        text = document.text(f'{path}.{way}')
        axis = text.removeprefix('-')
        if joy is not None and axis not in joy.axes:
            raise document.error(f'{path}.{way}', f'{axis} is missing in joy.axes: add its index')
        deflections[way] = Deflection(axis, -1.0 if text.startswith('-') else 1.0)
    return deflections


def _joy_table(document: Document, used: Mapping[Act, str]) -> JoyTable:
    lengths = (
        document.integer('joy.lengths.axes'),
        document.integer('joy.lengths.buttons'),
    )
    axes = {}
    for name in document.keys('joy.axes'):
        place = f'joy.axes.{name}'
        start, end = (float(str(document.value(f'{place}.{key}'))) for key in ('from', 'to'))
        if start == end:
            raise document.error(place, 'from and to must differ: they are the ends of the axis')
        axes[name] = AxisSlot(_index(document, f'{place}.index', lengths[0]), start, end)
    buttons = {}
    for name in document.keys('joy.buttons'):
        place = f'joy.buttons.{name}'
        if isinstance(document.value(place), int):
            buttons[name] = ButtonSlot(_index(document, place, lengths[1]))
        else:
            index = _index(document, f'{place}.axis', lengths[0])
            buttons[name] = ButtonSlot(index, float(str(document.value(f'{place}.at'))))
    for act, control in used.items():
        where = axes if control in TRIGGERS else buttons
        if control not in where:
            kind = 'axes' if control in TRIGGERS else 'buttons'
            raise document.error(
                f'buttons.{act}', f'{control} is missing in joy.{kind}: add its index'
            )
    return JoyTable(axes, buttons, lengths)


def _index(document: Document, path: str, length: int) -> int:
    """Read an index below a length."""
    index = document.integer(path)
    if index >= length:
        raise document.error(path, f'an index below {length}, by joy.lengths, was expected')
    return index
