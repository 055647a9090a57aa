# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a person is asked at the bench, and who asks it."""

import enum
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True)
class Choice:
    """A key, and what it does."""

    key: str
    words: str


@dataclass(frozen=True)
class Typed:
    """Something that can be typed, and is taken when Enter is pressed.

    Attributes
    ----------
    prompt
        What, with its unit.
    characters
        That it is made of; a key that is none of them is a choice.
    longest
        Nobody types more characters.

    """

    prompt: str
    characters: frozenset[str]
    longest: int


@dataclass(frozen=True)
class Question:
    """What a person is asked.

    Attributes
    ----------
    title
        What it is about.
    text
        What to do or to look at.
    choices
        The keys that mean something now.
    typed
        What can be typed as well; None where nothing is to be.

    """

    title: str
    text: str
    choices: tuple[Choice, ...]
    typed: Typed | None = None


UNDO = Choice('u', 'undo the last step')
OFF = Choice('x', 'pulses off now')
LEAVE = Choice('q', 'leave')


class Finish(enum.Enum):
    """How a dialogue ended."""

    LEFT = enum.auto()
    """Nothing is to be written."""
    WRITE = enum.auto()
    """What was found out is to be written."""


class Asking(Protocol):
    """Asks one question after another, and is stepped all the time.

    Attributes
    ----------
    words
        What the last answer has led to, or what has happened since; empty where the question says
        it all.

    """

    words: str

    @property
    def ended(self) -> bool:
        """Whether nothing is asked any more."""

    def question(self) -> Question:
        """Say what a person is asked now."""

    def choose(self, key: str) -> None:
        """Take a key; one that the question does not name changes nothing."""

    def enter(self, text: str) -> None:
        """Take what was typed."""

    def step(self) -> None:
        """Go on with what was ordered."""
