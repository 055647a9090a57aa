# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From the file of a sequence to its steps, and from a step to the lines of such a file."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from math import tau
from pathlib import Path

from leg_kinematics.errors import DescriptionError
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.plan import StepError
from leg_kinematics.moves.steps import (
    BodyStep,
    CircleStep,
    FeetStep,
    Haste,
    Posture,
    PostureStep,
    Step,
    WaitStep,
)
from leg_kinematics.robot import Dimension, Document

#: A sequence has no more steps when its repeats are written out (our own).
MOST_STEPS = 2000

POSTURES = {'stand': Posture.STANDING, 'crouch': Posture.RESTING}

#: Of an offset of the body, in their order.
COMPONENTS: Mapping[str, Dimension] = {
    'x': 'length',
    'y': 'length',
    'z': 'length',
    'roll': 'angle',
    'pitch': 'angle',
    'yaw': 'angle',
}


@dataclass(frozen=True)
class Sequence:
    """A file of steps.

    Attributes
    ----------
    name
        For people.
    steps
        In their order, with all that is repeated written out; each says where it stands.
    document
        The file.

    """

    name: str
    steps: tuple[Step, ...]
    document: Document

    def error(self, error: StepError) -> DescriptionError:
        """Say with file, line and place which step cannot be done."""
        where = error.step.where
        if error.leg:
            verb = 'circle' if isinstance(error.step, CircleStep) else 'feet'
            where = f'{where}.{verb}.{error.leg}'
        return self.document.error(where, error.reason)


def load_sequence(path: Path | str) -> Sequence:
    """Read the file of a sequence.

    Parameters
    ----------
    path
        The YAML file, in the layout of ``sequence.schema.json``.

    Returns
    -------
    Sequence
        In SI. Whether a robot can do it, only `Planner.plan` tells.

    Raises
    ------
    DescriptionError
        When the file is wrong; the message names file, line and place.

    """
    document = Document(path, files('leg_kinematics.moves') / 'sequence.schema.json')
    _count(document, 'steps')
    return Sequence(document.text('name'), tuple(_Reader(document).steps('steps')), document)


def _count(document: Document, path: str) -> int:
    """Count the steps of a list with its repeats written out, and refuse too many."""
    count = 0
    for index in range(document.length(path)):
        step, each = f'{path}[{index}]', 1
        if isinstance(document.value(step), dict) and 'repeat' in document.keys(step):
            each = document.integer(f'{step}.repeat') * _count(document, f'{step}.steps')
        count += each
        if count > MOST_STEPS:
            raise document.error(
                step,
                f'up to here these are {count} steps when all that is repeated is written out, '
                f'and a sequence has at most {MOST_STEPS}: repeat less often, or play the '
                'sequence in a loop',
            )
    return count


class _Reader:
    """Reads steps in the order in which they are done, for a speed holds from its step on."""

    def __init__(self, document: Document) -> None:
        self._document = document
        keys = document.keys('')
        self._frame = Frame(document.text('frame')) if 'frame' in keys else Frame.RESTING
        self._haste = Haste()

    def steps(self, path: str) -> Iterator[Step]:
        """Give the steps of a list, repeats written out."""
        document = self._document
        for index in range(document.length(path)):
            step = f'{path}[{index}]'
            word = document.value(step)
            if isinstance(word, str):
                yield PostureStep(POSTURES[word], self._haste, step)
                continue
            keys = document.keys(step)
            if 'repeat' in keys:
                for _ in range(document.integer(f'{step}.repeat')):
                    yield from self.steps(f'{step}.steps')
            elif 'wait' in keys:
                yield WaitStep(document.quantity(f'{step}.wait', 'time'), step)
            elif 'feet' in keys:
                yield FeetStep(self._places(step, 'feet'), self._haste_of(step), step)
            elif 'circle' in keys:
                turn = document.quantity(f'{step}.turn', 'angle') if 'turn' in keys else tau
                yield CircleStep(self._places(step, 'circle'), turn, self._haste_of(step), step)
            elif 'body' in keys:
                offset = tuple(
                    self._given(f'{step}.body', key, dimension)
                    for key, dimension in COMPONENTS.items()
                )
                yield BodyStep(offset, self._haste_of(step), step)
            else:
                self._haste = Haste(speed=document.quantity(f'{step}.speed', 'speed'))

    def _places(self, step: str, verb: str) -> dict[str, Place]:
        document, frame = self._document, self._frame
        if 'frame' in document.keys(step):
            frame = Frame(document.text(f'{step}.frame'))
        legs = {leg: f'{step}.{verb}.{leg}' for leg in document.keys(f'{step}.{verb}')}
        return {
            leg: Place(frame, *(self._given(path, key, 'length') for key in 'xyz'))
            for leg, path in legs.items()
        }

    def _haste_of(self, step: str) -> Haste:
        time = self._given(step, 'time', 'time')
        speed = self._given(step, 'speed', 'speed')
        if time is not None and speed is not None:
            raise self._document.error(
                f'{step}.speed',
                'time and speed stand in one step, and each says how fast: leave out one of them',
            )
        if time is not None:
            return Haste(time=time)
        return self._haste if speed is None else Haste(speed=speed)

    def _given(self, path: str, key: str, dimension: Dimension) -> float | None:
        """Read a quantity that may be left out."""
        if key not in self._document.keys(path):
            return None
        return self._document.quantity(f'{path}.{key}', dimension)


def step_text(step: FeetStep) -> str:
    """Write a step as it stands in the list ``steps`` of a file, to the micrometre.

    Raises
    ------
    ValueError
        Its places are in different frames, or none is given.

    """
    frames = {place.frame for place in step.places.values()}
    if len(frames) != 1:
        raise ValueError(f'a step has places in one frame, got {sorted(frames)}')
    places = ', '.join(
        f'{leg}: {{{", ".join(_coordinates(place))}}}' for leg, place in step.places.items()
    )
    haste = step.haste
    how = (
        f'speed: {_short(haste.speed * 1e3)} mm/s'
        if haste.time is None
        else f'time: {_short(haste.time)} s'
    )
    return f'  - feet: {{{places}}}\n    frame: {frames.pop()}\n    {how}\n'


def _coordinates(place: Place) -> Iterator[str]:
    for key, value in zip('xyz', (place.x, place.y, place.z), strict=True):
        if value is not None:
            yield f'{key}: {_short(value * 1e3)} mm'


def _short(value: float) -> str:
    """Write a number with three decimals, and none that say nothing."""
    text = f'{value:.3f}'.rstrip('0').rstrip('.')
    return '0' if text == '-0' else text
