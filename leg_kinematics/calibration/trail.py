# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The steps of a dialogue, so that they can be taken back: in the file of readings as well."""

from dataclasses import dataclass
from typing import Generic, TypeVar

from leg_kinematics.calibration.entry_lines import Entry
from leg_kinematics.calibration.readings_file import ReadingsFile

Place = TypeVar('Place')


@dataclass(frozen=True)
class _Step(Generic[Place]):
    """Where a step began, and how many entries it wrote."""

    before: Place
    entries: int


class Trail(Generic[Place]):
    """The steps of this session.

    Parameters
    ----------
    file
        That every step writes to.

    """

    def __init__(self, file: ReadingsFile) -> None:
        """Begin without a step."""
        self._file = file
        self._steps: list[_Step[Place]] = []

    def step(self, before: Place, *entries: Entry) -> None:
        """Note a step from a place, and write what was found out on the way.

        Raises
        ------
        DescriptionError
            The file cannot be written; then there was no step.

        """
        for entry in entries:
            self._file.add(entry)
        self._steps.append(_Step(before, len(entries)))

    def back(self) -> Place | None:
        """Take the last step back, with what it wrote; give where it began, None without a step.

        Raises
        ------
        DescriptionError
            The file cannot be written.

        """
        if not self._steps:
            return None
        step = self._steps[-1]
        for _ in range(step.entries):
            self._file.take_back()
        return self._steps.pop().before
