# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Naming boards and finding their drivers."""

import pytest

from leg_kinematics.board.driver import BoardSpec, Traffic, find_driver
from leg_kinematics.board.framed.driver import FramedDriver
from leg_kinematics.errors import BoardError


@pytest.mark.parametrize(
    ('text', 'spec'),
    [
        ('main=framed:/dev/ttyUSB0', BoardSpec('main', 'framed', '/dev/ttyUSB0')),
        (
            'rear=framed:/dev/serial/by-id/a=b:c',
            BoardSpec('rear', 'framed', '/dev/serial/by-id/a=b:c'),
        ),
    ],
)
def test_a_board_is_named_as_users_write_it(text: str, spec: BoardSpec) -> None:
    """The port may hold colons and equal signs; writing it gives the text back."""
    assert BoardSpec.parse(text) == spec
    assert str(spec) == text


@pytest.mark.parametrize(
    'text', ['', 'main', 'main=framed', 'framed:/dev/x', '=framed:/x', 'a=:/x', 'a=b:']
)
def test_an_incomplete_board_says_how_to_write_it(text: str) -> None:
    """The message holds the text and an example."""
    with pytest.raises(BoardError, match=r'NAME=DRIVER:PORT.*main=framed:/dev/ttyUSB0'):
        BoardSpec.parse(text)


def test_our_driver_is_found_by_name() -> None:
    """The entry point group offers the framed driver."""
    assert find_driver('framed') is FramedDriver


def test_an_unknown_driver_names_the_known_ones() -> None:
    """The message tells what is installed."""
    with pytest.raises(BoardError, match=r"'telepathic'.*framed"):
        find_driver('telepathic')


def test_traffic_adds_up() -> None:
    """Counts of two conversations are summed field by field."""
    assert Traffic(5, 3, 1, 1, 2) + Traffic(10, 9, 0, 1, 0) == Traffic(15, 12, 1, 2, 2)
