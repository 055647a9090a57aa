# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The chain as processes: mock boards and the three nodes, started, watched and ended."""

import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from leg_kinematics.errors import BoardError

#: Nodes end within this time after an interrupt, s.
END_TIMEOUT = 10.0

NODES = ('kinematics', 'gait', 'bridge')


class MockProcess:
    """The mock board as a process.

    Parameters
    ----------
    link
        Symbolic link to keep at its pty.
    log
        File for everything that it is told.
    options
        More options of `mock_board`.

    """

    def __init__(self, link: Path, log: Path, options: Sequence[str] = ()) -> None:
        """Start it and wait until its port can be opened."""
        self._link = link
        self.process = subprocess.Popen(  # noqa: S603  our own module
            [
                sys.executable,
                '-m',
                'leg_kinematics.board.simulated.mock',
                '--link',
                str(link),
                '--log',
                str(log),
                *options,
            ],
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        output = self.process.stdout
        if output is None or not output.readline().startswith('ready'):
            raise BoardError(f'the mock board did not start; its log would be {log}')

    def end(self) -> int:
        """Interrupt it and wait; returns its exit code."""
        return end(self.process)

    def kill(self) -> None:
        """End it as a power cut would.

        The link goes first, as the system takes the name of an adapter away: it would lead
        whoever looks for this board to the next terminal of the same number, whosever that is.
        """
        self._link.unlink(missing_ok=True)
        self.process.kill()
        self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


class MockBoards:
    """A mock board for every board that servo maps name, from entering to leaving.

    Parameters
    ----------
    names
        Of the boards.
    folder
        Where what they are told is logged.
    options
        More options of `mock_board`, by name of the board.

    Attributes
    ----------
    specs
        The boards as the bridge takes them.
    logs
        By name.
    exit_codes
        By name, once they have ended.

    """

    def __init__(
        self,
        names: Sequence[str],
        folder: Path,
        options: Mapping[str, Sequence[str]] | None = None,
    ) -> None:
        """Start nothing yet."""
        self._options = options or {}
        self._temporary = tempfile.TemporaryDirectory(prefix='mock-boards-')
        links = {name: Path(self._temporary.name) / name for name in names}
        self._links = links
        self._mocks: dict[str, MockProcess] = {}
        self.specs = [f'{name}=framed:{link}' for name, link in links.items()]
        self.logs = {name: folder / f'pulses-{name}.jsonl' for name in names}
        self.exit_codes: dict[str, int] = {}

    def __enter__(self) -> Self:
        """Start them."""
        try:
            for name, link in self._links.items():
                self.logs[name].unlink(missing_ok=True)
                options = self._options.get(name, ())
                self._mocks[name] = MockProcess(link, self.logs[name], options)
        except BoardError:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End them; `exit_codes` tells how each ended."""
        self.exit_codes = {f'board {name}': mock.end() for name, mock in self._mocks.items()}
        self._temporary.cleanup()


def end(
    process: 'subprocess.Popen[str] | subprocess.Popen[bytes]', number: int = signal.SIGINT
) -> int:
    """Signal a process, continue it if it is stopped, and wait for its exit code."""
    process.send_signal(number)
    process.send_signal(signal.SIGCONT)
    try:
        code = process.wait(END_TIMEOUT)
    except subprocess.TimeoutExpired:
        process.kill()
        code = process.wait()
    if process.stdout is not None:
        process.stdout.close()
    return code


class Chain:
    """The mock board and the three nodes, each a process, in a namespace of their own.

    Parameters
    ----------
    robot, servo_maps
        Files.
    namespace
        Of the nodes, such as `/demo`.
    folder
        Where the logs go.
    params_file
        Parameters of the nodes.
    parameters
        More parameters of each node, by node name.
    mock_options
        More options of the mock board.
    at_once
        What is started on entering, in this order; the rest is left to whoever entered.

    """

    def __init__(
        self,
        robot: Path,
        servo_maps: Path,
        namespace: str,
        folder: Path,
        *,
        params_file: Path | None = None,
        parameters: Mapping[str, Mapping[str, object]] | None = None,
        mock_options: Sequence[str] = (),
        at_once: Sequence[str] = ('mock', *NODES),
    ) -> None:
        """Start nothing yet."""
        self._files = (robot, servo_maps)
        self._namespace = namespace
        self._folder = folder
        self._params_file = params_file
        self._parameters = parameters or {}
        self._mock_options = mock_options
        self._at_once = at_once
        self._temporary = tempfile.TemporaryDirectory(prefix='leg_kinematics-')
        self._outputs: list[IO[str]] = []
        self.link = Path(self._temporary.name) / 'board'
        self.pulse_log = folder / 'pulses.jsonl'
        self.mock: MockProcess | None = None
        self.nodes: dict[str, subprocess.Popen[str]] = {}
        self.exit_codes: dict[str, int] = {}

    def __enter__(self) -> Self:
        """Start what shall be started at once."""
        self._folder.mkdir(parents=True, exist_ok=True)
        for log in (self.pulse_log, *map(self.log, NODES)):
            log.unlink(missing_ok=True)
        for name in self._at_once:
            if name == 'mock':
                self.start_mock()
            else:
                self.start(name)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End everything; `exit_codes` tells how each ended."""
        for name, process in self.nodes.items():
            self.exit_codes[name] = end(process)
        if self.mock is not None:
            self.exit_codes['mock'] = self.mock.end()
        for output in self._outputs:
            output.close()
        self._temporary.cleanup()

    def log(self, name: str) -> Path:
        """Return where a node's log is."""
        return self._folder / f'{name}.log'

    def start_mock(self) -> None:
        """Start the mock board, again if need be; its log goes on."""
        self.mock = MockProcess(self.link, self.pulse_log, self._mock_options)

    def stop(self, name: str, number: int = signal.SIGINT) -> int:
        """Signal one node, wait until it has ended and forget it; returns its exit code."""
        return end(self.nodes.pop(name), number)

    def start(self, name: str, parameters: Mapping[str, object] | None = None) -> None:
        """Start one node, again if need be; what it prints is added to its log.

        The log has debug messages as well, such as when ticks were missed.

        Parameters
        ----------
        name
            Of the node.
        parameters
            Still more parameters, for this time.

        """
        robot, servo_maps = self._files
        given: dict[str, object] = {'robot': robot, 'servo_maps': servo_maps}
        if name == 'bridge':
            given['boards'] = f"['main=framed:{self.link}']"
        given |= {**self._parameters.get(name, {}), **(parameters or {})}
        logger = f'{self._namespace.strip("/").replace("/", ".")}.{name}'
        arguments = ['--ros-args', '-r', f'__ns:={self._namespace}']
        arguments += ['--log-level', f'{logger}:=debug']
        if self._params_file is not None:
            arguments += ['--params-file', str(self._params_file)]
        for key, value in given.items():
            arguments += ['-p', f'{key}:={value}']
        output = self.log(name).open('a', encoding='utf-8')
        self._outputs.append(output)
        self.nodes[name] = subprocess.Popen(  # noqa: S603  our own module
            [sys.executable, '-m', f'leg_kinematics.nodes.{name}_node', *arguments],
            stderr=output,
            text=True,
            start_new_session=True,
        )
