# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A file by mistake or by malice is refused in plain words, at once and without growing memory.

All are read by one process, which the system ends as soon as one of them takes five seconds of
computing or 30 MB more than is used already. The most that any takes here is 0.2 s.
"""

import json
import os
import re
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

CONFIG = Path(__file__).parents[2] / 'config'
BRACKEN = CONFIG / 'robots' / 'bracken.yaml'
MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

READ = """
import json, resource, sys
from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import load_robot

robot_file, maps_file, *hostile = sys.argv[1:]
robot = load_robot(robot_file)
load_servo_maps(maps_file, robot)


def used():
    now = resource.getrusage(resource.RUSAGE_SELF)
    return now.ru_utime + now.ru_stime


with open('/proc/self/statm') as statm:
    size = int(statm.read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (size + 30_000_000,) * 2)
for file in hostile:
    for kind in ('robot', 'maps'):
        seconds = used()
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 6, resource.RLIM_INFINITY))
        try:
            load_robot(file) if kind == 'robot' else load_servo_maps(file, robot)
        except DescriptionError as error:
            print(
                json.dumps([kind, file, error.line or 0, str(error), used() - seconds]), flush=True
            )
"""


def bomb(levels: int, width: int) -> str:
    """Write a list whose every level holds many aliases of the one below."""
    lines = ['a0: &a0 [x, x]']
    for level in range(1, levels):
        aliases = ', '.join(width * [f'*a{level - 1}'])
        lines.append(f'a{level}: &a{level} [{aliases}]')
    return '\n'.join(lines) + '\n'


#: Content, the line that is named (0: none) and what is said.
CONTENTS: dict[str, tuple[str | bytes, int, str]] = {
    'alias bomb': (bomb(9, 10), 5, 'aliases up to here stand for too much; .* write out'),
    'wide alias bomb': (bomb(3, 3000), 3, 'aliases up to here stand for too much'),
    'bomb of long keys': (
        'a: &a {' + ', '.join(f'{"k" * 95}{n}: 1' for n in range(900)) + '}\n'
        + 'b: [' + ', '.join(200 * ['*a']) + ']\n', 2, 'stand for too much'),
    'deep aliases': (
        'a: &a 1\n' + ''.join(f'{chr(97 + n)}: &{chr(97 + n)} [*{chr(96 + n)}]\n'
                              for n in range(1, 20)), 12, 'stand for too much'),
    'alias of itself': ('a: &x\n  b: *x\n', 2, 'inside its own anchor'),
    'number of 5000 digits': ('name: ' + 5000 * '9', 1, 'has 5000 characters; .* at most 2000'),
    'number of 2000 digits': (2000 * '9', 1, "'9{59}… does not fit"),
    'fraction of 5000 digits': ('body: {mass: 0.' + 5000 * '9' + ' kg}', 1, 'has 5005 characters'),
    'exponent without end': ('1e' + 1000 * '9', 1, "'1e9{57}… does not fit"),
    'long key': (5000 * 'k' + ': 1\n', 1, 'a key must be a plain name of 100|has 5000 characters'),
    '5 MB of comment': ('#' + 5_000_000 * 'x' + '\nname: a\n', 0, 'larger than 128 kB'),
    '5 MB of comments': (1_000_000 * '# x\n', 0, 'larger than 128 kB, .* the right file'),
    'a comment as long as may be': ('#' + 130_000 * 'x' + '\nA\n', 2, "'A' does not fit"),
    'blank lines': (130_000 * '\n' + 'A\n', 130_001, "'A' does not fit"),
    'deep brackets': ('a:\n' + 40_000 * ' [\n', 13, 'too much for such a file: .* 12 deep'),
    'deep brackets in a line': ('a:\n' + 120_000 * '[', 2, 'not valid YAML: .* is closed'),
    'deep braces in a line': ('a:\n' + 120_000 * '{', 2, 'not valid YAML: .* is closed'),
    'deep dashes': ('a:\n' + 60_000 * '- ', 2, '12 deep'),
    'deep indentation': (''.join(f'{n * " "}a:\n' for n in range(300)), 12, '12 deep'),
    'many values': ('a:\n' + 30_000 * '- 1\n', 9_999, 'at most 10000 values'),
    'many keys': (''.join(f'k{n}: 1\n' for n in range(12_000)), 5_000, 'at most 10000 values'),
    'many unknown keys': (''.join(f'k{n}: 1\n' for n in range(4_900)), 1, "unknown key 'k0'"),
    'directives': (40_000 * '%a\n', 40_001, 'not valid YAML'),
    'documents': ('a: 1\n' + 30_000 * '---\n', 2, 'another document'),
    'binary': (bytes(range(256)) * 40, 2, 'not a UTF-8 text .* save it with the encoding UTF-8'),
    'zeros': (1000 * b'\0', 1, 'special characters are not allowed: is it the right file'),
    'picture': (b'\x89PNG\r\n\x1a\n' + 1000 * b'\0', 1, 'not a UTF-8 text'),
    'UTF-16': ('name: bracken\n'.encode('utf-16'), 1, 'this is UTF-16'),
    'UTF-16 without mark': ('name: a\n'.encode('utf-16-le'), 1, 'special characters'),
    'Latin-1': ('name: a\n# 4 µs\n'.encode('latin-1'), 2, 'not a UTF-8 text'),
    'tag of code': ('!!python/object/apply:os.system [exit]', 1, 'a mapping that'),
}  # fmt: skip


def make_pipe(path: Path) -> None:
    """Make a pipe that nobody writes to."""
    os.mkfifo(path)


def make_socket(path: Path) -> None:
    """Make a socket that nobody listens to."""
    with socket.socket(socket.AF_UNIX) as line:
        line.bind(str(path))


def make_sparse_file(path: Path) -> None:
    """Make a file of a terabyte that takes no room."""
    path.touch()
    os.truncate(path, 1 << 40)


#: What is made instead of a file, and what is said of it.
PLACES: dict[str, tuple[Callable[[Path], object], str]] = {
    'pipe': (make_pipe, 'this is a pipe: write its content to a file first'),
    'folder': (Path.mkdir, 'this is a folder: name a file in it'),
    'device': (lambda path: path.symlink_to('/dev/zero'), 'this is a device: name a text file'),
    'terminal': (lambda path: path.symlink_to('/dev/ptmx'), 'this is a device'),
    'socket': (make_socket, 'this is a socket: name a text file'),
    'link to nothing': (lambda path: path.symlink_to('nothing'), 'cannot be read: No such file'),
    'link to itself': (lambda path: path.symlink_to(path), 'cannot be read: Too many levels'),
    'endless file': (make_sparse_file, 'larger than 128 kB'),
}


@pytest.fixture(scope='module')
def refusals(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], tuple[int, str]]:
    """Return line and message by kind of file and case."""
    folder = tmp_path_factory.mktemp('hostile')
    for name, (content, _, _) in CONTENTS.items():
        (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)
    for name, (make, _) in PLACES.items():
        make(folder / name)
    files = [str(folder / name) for name in CONTENTS | PLACES]
    done = subprocess.run(
        [sys.executable, '-c', READ, BRACKEN, MAPS, *files],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    refused = {}
    for text in done.stdout.splitlines():
        kind, file, line, message, cost = json.loads(text)
        print(f'{cost:.2f} s {kind:6} {Path(file).name}')  # noqa: T201 - for who asks what it costs
        refused[kind, Path(file).name] = (line, message.removeprefix(file))
    assert done.returncode == 0, (done.stderr, list(refused)[-1:])
    return refused


@pytest.mark.parametrize('kind', ['robot', 'maps'])
@pytest.mark.parametrize('name', CONTENTS)
def test_hostile_content_is_refused_with_its_line(
    refusals: dict[tuple[str, str], tuple[int, str]], kind: str, name: str
) -> None:
    """File, line and what to do, and nothing of it longer than some lines."""
    _, line, expected = CONTENTS[name]
    named, message = refusals[kind, name]
    assert named == line
    assert message.startswith(f':{line}: ' if line else ': ')
    assert re.search(expected, message, re.DOTALL), message
    assert len(message) < 1500


@pytest.mark.parametrize('kind', ['robot', 'maps'])
@pytest.mark.parametrize('name', PLACES)
def test_what_is_no_ordinary_file_is_refused_unopened(
    refusals: dict[tuple[str, str], tuple[int, str]], kind: str, name: str
) -> None:
    """A pipe would keep the reader waiting, a device might act on being opened."""
    _, message = refusals[kind, name]
    assert message.startswith(f': {PLACES[name][1]}'), message
