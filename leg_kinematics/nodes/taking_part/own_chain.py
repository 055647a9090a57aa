# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A chain of one's own, for as long as a command runs."""

import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Self

from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.taking_part.chain_processes import Chain, MockBoards

#: What moves feet without a gait.
NODES = ('kinematics', 'bridge')

#: So many lines of a node that has ended are repeated.
LAST_LINES = 4


class OwnChain:
    """Nodes as processes, from entering until leaving.

    Parameters
    ----------
    files
        Description and servo maps.
    namespace
        Of the nodes.
    needed
        Names of the boards that the maps name.
    boards
        Each as NAME=DRIVER:PORT; none for mocks.
    params_file
        Parameters of the nodes.
    nodes
        Which ones.

    Raises
    ------
    BoardError
        On entering: a mock did not start.

    """

    def __init__(
        self,
        files: tuple[Path, Path],
        namespace: str,
        *,
        needed: Sequence[str],
        boards: Sequence[str],
        params_file: Path,
        nodes: Sequence[str] = NODES,
    ) -> None:
        """Start nothing yet."""
        self._files = files
        self._namespace = namespace
        self._needed = needed
        self._boards = boards
        self._params_file = params_file
        self._nodes = nodes
        self._stack = ExitStack()
        self._chain: Chain | None = None

    @property
    def mocked(self) -> bool:
        """Whether its boards are mocks, which end with it."""
        return not self._boards

    def __enter__(self) -> Self:
        """Start them."""
        with ExitStack() as stack:
            folder = Path(
                stack.enter_context(tempfile.TemporaryDirectory(prefix='leg_kinematics-'))
            )
            boards = list(self._boards)
            if self.mocked:
                boards = stack.enter_context(MockBoards(self._needed, folder)).specs
            robot, servo_maps = (file.absolute() for file in self._files)
            self._chain = stack.enter_context(
                Chain(
                    robot,
                    servo_maps,
                    self._namespace,
                    folder,
                    params_file=self._params_file,
                    parameters={'bridge': {'boards': boards}},
                    at_once=self._nodes,
                )
            )
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End them; servos of a real board keep their pulses."""
        self._stack.close()

    def check(self) -> None:
        """Raise CommandError when a node has ended, with what it said last."""
        if self._chain is None:
            return
        for name, process in self._chain.nodes.items():
            if process.poll() is not None:
                lines = self._chain.log(name).read_text(encoding='utf-8').splitlines()
                raise CommandError(
                    f'{name} has ended with exit code {process.returncode}: '
                    f'{" ".join(lines[-LAST_LINES:])}'
                )
