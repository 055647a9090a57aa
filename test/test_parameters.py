# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Values that a user may set: declared by a field, validated together, read into their class."""

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, nan

import pytest

from leg_kinematics.errors import BoardError, CommandError
from leg_kinematics.parameters import (
    Parameter,
    Settings,
    choice,
    count,
    flag,
    number,
    parameters_of,
    text,
    texts,
    validate,
)


class Reaction(enum.Enum):
    """An enumeration of texts."""

    HOLD = 'hold'
    RELEASE = 'release'


def lengths(written: Sequence[str]) -> tuple[int, ...]:
    """Read texts, but not all texts."""
    if 'unreadable' in written:
        raise BoardError('boards: unreadable')
    return tuple(map(len, written))


@dataclass(frozen=True)
class PumpParameters:
    """One field of every kind."""

    rate: float = number(100.0, 'Hz', 10.0, 500.0, 'Ticks')
    pins: int = count(12, '', 1, 18, 'How many')
    mode: Reaction = choice(Reaction.HOLD, 'What to do')
    powered: bool = flag(default=False, meaning='Whether')
    file: str = text('Some file')
    frame: str = text('Some frame', 'bed')
    boards: tuple[int, ...] = texts(lengths, 'Some boards', required=True)
    beds: tuple[int, ...] = texts(lengths, 'Some beds')


DECLARED = parameters_of(PumpParameters)

GIVEN: Mapping[str, object] = {'file': 'a.yaml', 'boards': ['main=framed:/dev/ttyUSB0']}


def test_a_field_says_all_there_is_to_say() -> None:
    """Name, default, unit, bounds and meaning come from it."""
    rate, _, mode, *_ = DECLARED
    assert (rate.name, rate.default, rate.unit) == ('rate', 100.0, 'Hz')
    assert (rate.lowest, rate.highest, rate.meaning) == (10.0, 500.0, 'Ticks')
    assert (mode.name, mode.default, mode.choices) == ('mode', 'hold', ('hold', 'release'))


def test_a_class_has_its_defaults_without_any_settings() -> None:
    """It is an ordinary dataclass."""
    assert PumpParameters() == PumpParameters(100.0, 12, Reaction.HOLD, False, '', 'bed', (), ())  # noqa: FBT003


def test_what_is_not_given_has_its_default() -> None:
    """Every declared parameter gets a value, the given ones theirs, as in YAML."""
    assert validate(DECLARED, GIVEN) == {
        'rate': 100.0,
        'pins': 12,
        'mode': 'hold',
        'powered': False,
        'frame': 'bed',
        'beds': [],
        **GIVEN,
    }


def test_a_class_is_made_of_the_values_that_are_its_own() -> None:
    """Texts become what they mean; what others declare is left to them."""
    values = validate(DECLARED, {**GIVEN, 'rate': 50.0, 'mode': 'release', 'beds': ['a', 'bc']})
    made = Settings({**values, 'of_others': 1}).of(PumpParameters)
    assert made == PumpParameters(50.0, 12, Reaction.RELEASE, False, 'a.yaml', 'bed', (24,), (1, 2))  # noqa: FBT003


def test_a_whole_number_serves_as_a_number() -> None:
    """YAML reads 50 as an integer; it is meant as 50.0."""
    rate = validate(DECLARED, {**GIVEN, 'rate': 50})['rate']
    assert rate == 50.0
    assert isinstance(rate, float)


def test_a_list_of_nothing_is_empty() -> None:
    """YAML cannot tell what an empty list is a list of."""
    assert validate(DECLARED, {**GIVEN, 'beds': None})['beds'] == []
    assert validate(DECLARED, {**GIVEN, 'beds': ()})['beds'] == []


@pytest.mark.parametrize(
    ('name', 'value', 'words'),
    [
        ('rat', 100.0, "unknown parameter 'rat'; did you mean rate"),
        ('ports', 1, "'ports'; known are beds, boards, file, frame, mode, pins, powered, rate"),
        ('rate', 'fast', "'rate' must be a number in [10, 500] Hz (got 'fast')"),
        ('rate', True, "'rate' must be a number in [10, 500] Hz (got True)"),
        ('rate', None, "'rate' must be a number in [10, 500] Hz (got None)"),
        ('rate', [1.0], "'rate' must be a number in [10, 500] Hz (got [1.0])"),
        ('rate', 9.999, "'rate' must be a number in [10, 500] Hz (got 9.999)"),
        ('rate', 501, "'rate' must be a number in [10, 500] Hz (got 501.0)"),
        ('rate', nan, "'rate' must be a number in [10, 500] Hz (got nan)"),
        ('rate', -inf, "'rate' must be a number in [10, 500] Hz (got -inf)"),
        ('mode', 'drop', "'mode' must be one of hold, release (got 'drop')"),
        ('mode', 1, "'mode' must be one of hold, release (got 1)"),
        ('pins', 1.0, "'pins' must be a whole number in [1, 18] (got 1.0)"),
        ('pins', True, "'pins' must be a whole number in [1, 18] (got True)"),
        ('pins', 0, "'pins' must be a whole number in [1, 18] (got 0)"),
        ('powered', 1, "'powered' must be true or false (got 1)"),
        ('powered', 'true', "'powered' must be true or false (got 'true')"),
        ('file', '', "'file' must be set: Some file"),
        ('frame', '', "'frame' must be set: Some frame"),
        ('file', 1000.0, "'file' must be a text (got 1000.0)"),
        ('boards', None, "'boards' must be set: Some boards"),
        ('boards', 'main', "'boards' must be a list of texts (got 'main')"),
        ('boards', [1, 2], "'boards' must be a list of texts (got [1, 2])"),
        ('boards', ['unreadable'], 'boards: unreadable'),
    ],
)
def test_a_wrong_value_is_refused_with_what_was_expected(
    name: str, value: object, words: str
) -> None:
    """The message says what is wrong, what was given, and what was expected in which unit."""
    with pytest.raises(CommandError) as caught:
        validate(DECLARED, {**GIVEN, name: value})
    assert words in str(caught.value)


def test_all_that_is_wrong_is_told_together() -> None:
    """Each on a line of its own."""
    with pytest.raises(CommandError) as caught:
        validate(DECLARED, {'rate': 5.0, 'pinz': 3, 'boards': ['unreadable']})
    assert str(caught.value).splitlines() == [
        "unknown parameter 'pinz'; did you mean pins?",
        "'rate' must be a number in [10, 500] Hz (got 5.0)",
        "'file' must be set: Some file",
        'boards: unreadable',
    ]


@pytest.mark.parametrize('bound', [10.0, 500.0])
def test_the_bounds_are_allowed(bound: float) -> None:
    """Both ends belong to the range."""
    assert validate(DECLARED, {**GIVEN, 'rate': bound})['rate'] == bound


@pytest.mark.parametrize('parameter', DECLARED, ids=lambda parameter: parameter.name)
def test_validation_does_not_change_a_valid_value(parameter: Parameter) -> None:
    """What was validated may be validated again."""
    values = validate(DECLARED, {**GIVEN, 'rate': 20})
    assert validate(DECLARED, values)[parameter.name] == values[parameter.name]
