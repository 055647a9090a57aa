# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Tests of whole chains wait in two lines, so that no more than two chains run at a time.

Each is half a dozen processes that must be heard in time, which on a busy machine three chains are
not. Whoever else tests, file by file, has the processors that are left.
"""

from typing import Any

import pytest
from xdist.remote import Producer
from xdist.scheduler import LoadFileScheduling

#: Folders whose tests start chains.
CHAINS = ('test/chain/', 'test/network/')


class TwoLines(LoadFileScheduling):  # type: ignore[misc]
    """Hands out files, and those with chains as two long ones."""

    def __init__(self, config: pytest.Config, log: Producer) -> None:
        """Hand out nothing yet."""
        super().__init__(config, log)
        self._lines: dict[str, str] = {}

    def _split_scope(self, nodeid: str) -> str:
        """Say which tests are done by the same worker, one after another."""
        file = str(super()._split_scope(nodeid))
        if not file.startswith(CHAINS):
            return file
        return self._lines.setdefault(file, f'line {len(self._lines) % 2}')


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> Any:  # noqa: ANN401
    """Take the place of `--dist loadfile`."""
    return TwoLines(config, log) if config.getvalue('dist') == 'loadfile' else None
