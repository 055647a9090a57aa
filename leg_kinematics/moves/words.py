# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Steps in words, with the units in which people think of them."""

from collections.abc import Iterable, Iterator, Mapping
from math import degrees

from leg_kinematics.moves.places import Place
from leg_kinematics.moves.steps import (
    BodyStep,
    CircleStep,
    FeetStep,
    PostureStep,
    Step,
    WaitStep,
)

#: Of the components of an offset: name, what one is in the unit, and the unit.
COMPONENTS = (
    ('x', 1e3, 'mm'),
    ('y', 1e3, 'mm'),
    ('z', 1e3, 'mm'),
    ('roll', degrees(1.0), 'deg'),
    ('pitch', degrees(1.0), 'deg'),
    ('yaw', degrees(1.0), 'deg'),
)


def step_in_words(step: Step) -> str:
    """Say what a step does, such as ``left_front to x 40 mm, z -20 mm (resting)``.

    Legs that go to the same place are named together. How long it may take is not said.
    """
    match step:
        case FeetStep():
            return '; '.join(
                f'{", ".join(legs)} {_place_in_words(place)}' for place, legs in _alike(step.places)
            )
        case CircleStep():
            return '; '.join(
                f'{", ".join(legs)} round {", ".join(_components((place.x, place.y, place.z)))} '
                f'({place.frame}) by {degrees(step.turn):.0f} deg'
                for place, legs in _alike(step.centres)
            )
        case BodyStep():
            said = ', '.join(_components(step.offset))
            return f'body to {said}' if said else 'body stays'
        case PostureStep():
            return f'all legs to the {step.posture} posture'
        case WaitStep():
            return f'wait {step.time:g} s'


def _alike(places: Mapping[str, Place]) -> Iterable[tuple[Place, list[str]]]:
    """Put the legs of each place together."""
    groups: dict[Place, list[str]] = {}
    for leg, place in places.items():
        groups.setdefault(place, []).append(leg)
    return groups.items()


def _place_in_words(place: Place) -> str:
    said = ', '.join(_components((place.x, place.y, place.z)))
    return f'to {said} ({place.frame})' if said else 'stay'


def _components(values: tuple[float | None, ...]) -> Iterator[str]:
    """Say those that are given; rounded to tenths, and never as a zero below zero."""
    for value, (name, factor, unit) in zip(values, COMPONENTS, strict=False):
        if value is not None:
            yield f'{name} {round(factor * value, 1) + 0.0:g} {unit}'
