# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What runs beside a demo, each in a process of its own: who records it, and who shows it."""

import json
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from leg_kinematics.errors import BagError
from leg_kinematics.nodes.taking_part.chain_processes import end

COMMAND = (sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()')


class DemoRecorder:
    """Records a chain, from entering until it is ended.

    Parameters
    ----------
    namespace
        Of the chain.
    folder
        Where the recording comes to lie, as `recording`; an older one of that name goes.

    """

    def __init__(self, namespace: str, folder: Path) -> None:
        """Start nothing yet."""
        self._options = ('record', '--namespace', namespace, '--output', str(folder), '--json')
        self._place = folder / 'recording'
        self._log = folder / 'record.log'

    def __enter__(self) -> Self:
        """Begin to record."""
        with self._log.open('wb') as log:
            self._process = subprocess.Popen(  # noqa: S603  our own command
                [*COMMAND, *self._options],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=log,
                start_new_session=True,
                text=True,
            )
        return self

    def __exit__(self, *_: object) -> None:
        """End it, if nobody has."""
        if self._process.poll() is None:
            end(self._process)

    def end(self) -> Path:
        """End the recording; give its folder.

        Raises
        ------
        BagError
            There is none.

        """
        self._process.send_signal(signal.SIGINT)
        told, _ = self._process.communicate()
        if self._process.returncode:
            why = self._log.read_text(errors='replace').strip().removeprefix('Error: ')
            raise BagError(f'no recording was made: {why}')
        if self._place.exists():
            shutil.rmtree(self._place)
        return Path(json.loads(told)['recordings'][0]).rename(self._place)


@contextmanager
def shown_live(namespace: str) -> Iterator[None]:
    """Show a chain in the browser of this computer; the address is printed as well."""
    process = subprocess.Popen(  # noqa: S603  our own command
        [*COMMAND, 'view', '--browser', '--port', '0', '--namespace', namespace],
        stdin=subprocess.DEVNULL,
        stdout=sys.stderr,
        start_new_session=True,
        text=True,
    )
    try:
        yield
    finally:
        end(process)
