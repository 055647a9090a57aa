# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A page without a browser, which keeps what it is told."""

import json
from typing import Any

from leg_kinematics.view.server import Page


class ToldPage(Page):
    """Keeps what it is told.

    Attributes
    ----------
    frame
        The latest.

    """

    frame: dict[str, Any]

    def __init__(self, number: int) -> None:
        """Know nothing."""
        super().__init__(number)
        self._told: list[dict[str, Any]] = []

    def say_text(self, text: str) -> None:
        """Keep a message."""
        self._told.append(json.loads(text))

    def show(self, frame: str) -> None:
        """Keep a frame."""
        self.frame = json.loads(frame)
        self._told.append(self.frame)

    def told(self) -> list[dict[str, Any]]:
        """Give what was told since the last time."""
        told, self._told = self._told, []
        return told
