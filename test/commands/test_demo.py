# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What `demo` makes of a walk, where something that it can do without is not installed."""

import json
import os
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.commands.demo import _end_recording
from leg_kinematics.commands.watched_demo import DemoRecorder

if TYPE_CHECKING:
    from test.terminal import LEG_KINEMATICS
else:
    from terminal import LEG_KINEMATICS

WORDS = (
    'The walk cannot be seen again: no recording was made: recordings need the packages mcap, '
    "zstandard and lz4: pip install 'leg_kinematics[bag]'"
)


@pytest.fixture
def without_bag(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hide a package of the extra `bag` from every process that is started."""
    hidden = tmp_path / 'hidden' / 'mcap'
    hidden.mkdir(parents=True)
    (hidden / '__init__.py').write_text("raise ImportError('hidden')\n", encoding='utf-8')
    path = [str(hidden.parent), *os.environ.get('PYTHONPATH', '').split(os.pathsep)]
    monkeypatch.setenv('PYTHONPATH', os.pathsep.join(filter(None, path)))


@pytest.mark.usefixtures('without_bag')
def test_without_the_extra_it_is_told_what_is_missing(tmp_path: Path) -> None:
    """The walk itself goes on."""
    with DemoRecorder('/nowhere', tmp_path) as recorder:
        recorder._process.wait(60.0)  # noqa: SLF001  it takes less than any walk
        assert _end_recording(recorder) == (WORDS,)


@pytest.mark.soak
@pytest.mark.usefixtures('without_bag')
def test_a_walk_that_is_not_recorded_is_a_walk(tmp_path: Path) -> None:
    """Exit code 0, and the words at the end. Not for a machine that is busy elsewhere."""
    command = [*LEG_KINEMATICS, 'demo', '--output', str(tmp_path / 'output')]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert WORDS in done.stdout
    summary = json.loads((tmp_path / 'output' / 'summary.json').read_text(encoding='utf-8'))
    assert summary['walked_distance_m'] > 0.5
    assert not (tmp_path / 'output' / 'recording').exists()
