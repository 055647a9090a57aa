# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The Python codec and the reference board under atheris."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import leg_kinematics

PROGRAM = Path(__file__).with_name('codec_fuzzer.py')
PACKAGE = Path(leg_kinematics.__file__).parent
RUNS, MANY_RUNS = 1_000, 300_000
"""The faults planted below are found within the first hundred."""
INPUT_SIZE = 1024


def fuzz(corpus: Path, runs: int, site: Path = PACKAGE.parent) -> subprocess.CompletedProcess[str]:
    """Let the fuzzer run, from the same random numbers every time, on the package found there."""
    pytest.importorskip('atheris', reason='atheris has wheels for Linux on x86_64 only')
    options = [f'-runs={runs}', f'-max_len={INPUT_SIZE}', '-seed=1', '-timeout=60']
    # A sourced ROS 2 has its packages there too.
    path = os.pathsep.join((str(site), os.environ.get('PYTHONPATH', '')))
    return subprocess.run(
        [sys.executable, PROGRAM, *options, f'-artifact_prefix={corpus.parent}/', corpus],
        env=os.environ | {'PYTHONPATH': path},
        capture_output=True,
        text=True,
        check=False,
    )


def check_sound(corpus: Path, runs: int) -> None:
    """Fuzz and print what was reached; nothing must be found."""
    done = fuzz(corpus, runs)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    reached = [line for line in done.stderr.splitlines() if 'DONE' in line]
    print(f'\n{reached}')  # noqa: T201
    assert reached


def test_no_input_breaks_the_codec(seeds: Path) -> None:
    """Whatever is heard: whole answers, only pulses commanded, and the next frames are obeyed."""
    check_sound(seeds, RUNS)


@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_no_input_of_many_breaks_the_codec(seeds: Path) -> None:
    """The same over 300 000 inputs."""
    check_sound(seeds, MANY_RUNS)


@pytest.mark.parametrize(
    ('file', 'line', 'instead', 'found'),
    [
        (
            'framed/frames.py',
            'if crc16(content) != 0:',
            'if False:',
            'out of a run that is no frame',
        ),
        ('framed/frames.py', 'if kind is None:', 'if False:', 'AttributeError'),
        (
            'simulated/board.py',
            'if not lowest <= pulse <= highest:',
            'if False:',
            'accepted 2400.5',
        ),
    ],
)
def test_a_fault_of_the_codec_is_found(
    *, seeds: Path, tmp_path: Path, file: str, line: str, instead: str, found: str
) -> None:
    """A check left out of the codec or the board does not escape the fuzzer."""
    site = tmp_path / 'site'
    shutil.copytree(PACKAGE, site / PACKAGE.name)
    source = site / PACKAGE.name / 'board' / file
    text = source.read_text(encoding='utf-8')
    assert text.count(line) == 1, f'{line!r} in {file}'
    source.write_text(text.replace(line, instead), encoding='utf-8')
    done = fuzz(seeds, RUNS, site)
    assert done.returncode != 0
    assert found in done.stdout + done.stderr
