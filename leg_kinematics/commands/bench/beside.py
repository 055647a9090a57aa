# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What was noted is worked out beside the bench, which must be stepped all the time."""

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from leg_kinematics.calibration.foot_readings import FootEntry
from leg_kinematics.identification.surveyed import Surveyed

#: What is asked: of which legs, by what was noted.
_Asked = tuple[tuple[str, ...], tuple[FootEntry, ...]]


@dataclass(frozen=True)
class _Answer:
    """What came of something that was asked."""

    asked: _Asked
    found: Surveyed | str


class Beside:
    """Works out one thing after another in a thread of its own: the latest that was asked.

    Parameters
    ----------
    work_out
        How.

    """

    def __init__(
        self, work_out: Callable[[tuple[str, ...], tuple[FootEntry, ...]], Surveyed | str]
    ) -> None:
        """Start nothing yet."""
        self._work_out = work_out
        self._pool = ThreadPoolExecutor(1, thread_name_prefix='survey')
        self._future: Future[_Answer] | None = None
        # The last answer for each legs.
        self._known: dict[tuple[str, ...], _Answer] = {}

    def __enter__(self) -> Self:
        """Be ready."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Finish what is being worked out."""
        self._pool.shutdown(cancel_futures=True)

    def surveyed(
        self, legs: tuple[str, ...], noted: tuple[FootEntry, ...]
    ) -> Surveyed | str | None:
        """Give the answer if it is there; otherwise have it worked out."""
        if self._future is not None and self._future.done():
            answer = self._future.result()
            self._known[answer.asked[0]] = answer
            self._future = None
        known = self._known.get(legs)
        if known is not None and known.asked == (legs, noted):
            return known.found
        if self._future is None:
            self._future = self._pool.submit(self._answer, legs, noted)
        return None

    def _answer(self, legs: tuple[str, ...], noted: tuple[FootEntry, ...]) -> _Answer:
        return _Answer((legs, noted), self._work_out(legs, noted))
