# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A board that writes down what it is told: its port is a file, one JSON object a line.

As small as a driver can be, made from the public interface alone.
"""

import json
import threading
from collections.abc import Iterable, Mapping
from concurrent.futures import Future
from pathlib import Path
from typing import ClassVar

from leg_kinematics.board import BoardIdentity, BoardStatus, SilenceAction


class NotebookDriver:
    """Implements ``leg_kinematics.board.BoardDriver``."""

    shortcomings: ClassVar[tuple[str, ...]] = ('no servo: paper does not move',)

    def __init__(self, port: str) -> None:
        """Name the file."""
        self._file = Path(port)
        self._lock = threading.Lock()
        self._connected = False
        self._enabled: frozenset[int] = frozenset()

    def _note(self, **what: object) -> None:
        with self._file.open('a', encoding='utf-8') as file:
            file.write(json.dumps({**what, 'enabled': sorted(self._enabled)}) + '\n')

    def open(self) -> BoardIdentity:
        """Begin a page."""
        with self._lock:
            self._connected = True
            self._note(event='open')
        return BoardIdentity(
            firmware='paper',
            channels=18,
            boots=1,
            boot_reason='unknown',
            pulses_us={},
            limits={},
            silence=None,
        )

    def configure(
        self,
        limits: Mapping[int, tuple[float, float]],
        silence: SilenceAction,
        *,
        store: bool = False,
    ) -> None:
        """Write down the settings."""
        with self._lock:
            self._note(event='configure', limits=limits, silence=silence.timeout, store=store)

    def enable(self, channels: Iterable[int]) -> None:
        """Count channels as on."""
        with self._lock:
            self._enabled |= frozenset(channels)
            self._note(event='enable')

    def set_pulses(self, pulses_us: Mapping[int, float]) -> None:
        """Write down a pose."""
        with self._lock:
            self._note(event='pose', pulses_us=pulses_us)

    def release(self) -> Future[None]:
        """Count all channels as off, which is confirmed at once."""
        with self._lock:
            self._enabled = frozenset()
            self._note(event='release')
        confirmed: Future[None] = Future()
        confirmed.set_result(None)
        return confirmed

    def status(self) -> BoardStatus:
        """Tell that all is well."""
        with self._lock:
            return BoardStatus(connected=self._connected, enabled=self._enabled)

    def close(self) -> None:
        """End the page."""
        with self._lock:
            self._connected = False
            self._note(event='close')
