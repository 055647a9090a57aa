# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Values that a user may set: a field of a dataclass is all that is said about each of them.

A class that has such values declares them by `number`, `count`, `flag`, `choice`, `text` and
`texts`, with default, unit, bounds and meaning. Listings, validation and what ROS is told are read
from the fields::

    @dataclass(frozen=True)
    class PumpParameters:
        flow: float = number(0.5, 'l/min', 0.1, 4.0, 'Water that each bed gets')


    values = validate(parameters_of(PumpParameters), {'flow': 2})
    Settings(values).of(PumpParameters)
"""

import enum
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from difflib import get_close_matches
from math import isfinite
from typing import Any, TypeVar

from leg_kinematics.errors import CommandError, LegKinematicsError

Value = str | float | int | bool | list[str]
"""A value as it stands in YAML."""

T = TypeVar('T')
Choice = TypeVar('Choice', bound=enum.Enum)

_KEY = 'parameter'

#: What a user calls the types.
_TYPES: Mapping[type, str] = {
    float: 'a number',
    int: 'a whole number',
    bool: 'true or false',
    str: 'a text',
    list: 'a list of texts',
}


@dataclass(frozen=True)
class Parameter:
    """All that is said about a value that a user may set.

    Attributes
    ----------
    default
        As in YAML; its type is the type of the parameter.
    meaning
        One line for the documentation.
    name
        Of the field, and as in YAML.
    unit
        Empty where there is none.
    lowest, highest
        Bounds of a number, inclusive.
    choices
        The allowed texts, when only a few are.
    required
        Whether an empty text or list is no value.
    read
        Makes of the YAML value what the field holds; raises `LegKinematicsError`.

    """

    default: Value
    meaning: str
    name: str = ''
    unit: str = ''
    lowest: float | None = None
    highest: float | None = None
    choices: tuple[str, ...] = ()
    required: bool = False
    read: Callable[[Any], object] = lambda value: value

    @property
    def expected(self) -> str:
        """Say in words what values are allowed."""
        words = _TYPES[type(self.default)]
        if self.choices:
            words = f'one of {", ".join(self.choices)}'
        if self.lowest is not None and self.highest is not None:
            words += f' in [{self.lowest:g}, {self.highest:g}]'
        return f'{words} {self.unit}'.rstrip()


def number(default: float, unit: str, lowest: float, highest: float, meaning: str) -> float:
    """Declare a field that holds a number."""
    parameter = Parameter(default, meaning, unit=unit, lowest=lowest, highest=highest)
    return field(default=default, metadata={_KEY: parameter})


def count(default: int, unit: str, lowest: int, highest: int, meaning: str) -> int:
    """Declare a field that holds a whole number."""
    parameter = Parameter(default, meaning, unit=unit, lowest=lowest, highest=highest)
    return field(default=default, metadata={_KEY: parameter})


def flag(default: bool, meaning: str) -> bool:  # noqa: FBT001
    """Declare a field that is true or false."""
    return field(default=default, metadata={_KEY: Parameter(default, meaning)})


def choice(default: Choice, meaning: str) -> Choice:
    """Declare a field that holds a member of an enumeration of texts."""
    kind = type(default)
    parameter = Parameter(
        default.value, meaning, choices=tuple(each.value for each in kind), read=kind
    )
    return field(default=default, metadata={_KEY: parameter})


def text(meaning: str, default: str = '', read: Callable[[str], str] = lambda value: value) -> str:
    """Declare a field that holds a text; without a default the user has to set it."""
    parameter = Parameter(default, meaning, required=True, read=read)
    return field(default=default, metadata={_KEY: parameter})


def texts(read: Callable[[list[str]], T], meaning: str, *, required: bool = False) -> T:
    """Declare a field that holds what is read from a list of texts, by default an empty one."""
    parameter = Parameter([], meaning, required=required, read=read)
    return field(default_factory=lambda: read([]), metadata={_KEY: parameter})


def parameters_of(*owners: type) -> tuple[Parameter, ...]:
    """List what dataclasses declare, in their order."""
    return tuple(
        replace(each.metadata[_KEY], name=each.name) for owner in owners for each in fields(owner)
    )


@dataclass(frozen=True)
class Settings:
    """Validated values by name, as in YAML."""

    values: Mapping[str, Value]

    def of(self, owner: type[T]) -> T:
        """Make a dataclass of those values that it declares."""
        declared = parameters_of(owner)
        return owner(**{each.name: each.read(self.values[each.name]) for each in declared})


def validate(parameters: Sequence[Parameter], values: Mapping[str, object]) -> dict[str, Value]:
    """Check values against their declarations and complete them by the defaults.

    Parameters
    ----------
    parameters
        The declarations.
    values
        By name. None stands for a list that is empty, since YAML does not tell of what it is a
        list.

    Returns
    -------
    dict
        A value for every declared parameter; whole numbers given for numbers become floats.

    Raises
    ------
    CommandError
        Unknown names, wrong types, numbers not finite or out of bounds, required values missing;
        the message tells all of them, with what was expected.

    """
    known = {parameter.name: parameter for parameter in parameters}
    wrong = [_unknown(name, known) for name in values if name not in known]
    valid: dict[str, Value] = {}
    for name, parameter in known.items():
        try:
            valid[name] = _check(parameter, values.get(name, parameter.default))
            parameter.read(valid[name])
        except LegKinematicsError as error:
            wrong.append(str(error))
    if wrong:
        raise CommandError('\n'.join(wrong))
    return valid


def _unknown(name: str, known: Mapping[str, Parameter]) -> str:
    """Say that nothing has this name, and what was perhaps meant."""
    near = get_close_matches(name, known)
    if near:
        return f"unknown parameter '{name}'; did you mean {' or '.join(near)}?"
    return f"unknown parameter '{name}'; known are {', '.join(sorted(known))}"


def _check(parameter: Parameter, value: object) -> Value:
    """Give the value with the type of its parameter, or raise CommandError."""
    kind = type(parameter.default)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    elif kind is list and value is None:
        value = []
    elif not isinstance(value, str) and isinstance(value, Sequence):
        value = list(value)
    if not (isinstance(value, str | float | int | list) and _fits(parameter, kind, value)):
        raise CommandError(f"'{parameter.name}' must be {parameter.expected} (got {value!r})")
    if parameter.required and value in ('', []):
        raise CommandError(f"'{parameter.name}' must be set: {parameter.meaning}")
    return value


def _fits(parameter: Parameter, kind: type, value: Value) -> bool:
    """Tell whether a value has the right type and is within its bounds."""
    if type(value) is not kind:
        return False
    if isinstance(value, list):
        return all(isinstance(item, str) for item in value)
    if isinstance(value, str):
        return not parameter.choices or value in parameter.choices
    low = -float('inf') if parameter.lowest is None else parameter.lowest
    high = float('inf') if parameter.highest is None else parameter.highest
    return isfinite(value) and low <= value <= high
