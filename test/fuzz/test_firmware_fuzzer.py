# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The firmware's C code under libFuzzer, with address and undefined behaviour sanitizers."""

import shutil
import subprocess
from collections.abc import Callable, Iterable, Iterator
from importlib.resources import as_file, files
from pathlib import Path

import pytest

HERE = Path(__file__).parent
FLAGS = (
    *('-g', '-O1', '-std=gnu11', '-Wall', '-Wextra', '-Werror', f'-I{HERE}'),
    *('-fsanitize=address,undefined', '-fno-sanitize-recover=undefined'),
)
RUNS, MANY_RUNS = 5_000, 3_000_000
"""The faults planted below are found within the first hundred."""
INPUT_SIZE = 1024

Build = Callable[..., Path]


@pytest.fixture(scope='session')
def build_fuzzer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Build]:
    """Build the fuzzer of the firmware, or of one that differs in a line of one file."""
    clang = shutil.which('clang')
    if clang is None:
        pytest.skip("Debian's clang and libclang-rt-dev are absent")

    def compile_all(folder: Path, sources: Iterable[Path], *options: str) -> None:
        command = [clang, *FLAGS, '-fsanitize=fuzzer-no-link', *options, '-c']
        subprocess.run([*command, *map(str, sources)], check=True, cwd=folder)

    with as_file(files('leg_kinematics.board.framed') / 'firmware') as firmware:
        memory = ('-include', 'firmware_memory.h', '-Dmain=firmware_main', f'-I{firmware}')
        whole = tmp_path_factory.mktemp('firmware')
        compile_all(whole, firmware.glob('*.c'), *memory)
        compile_all(whole, HERE.glob('*.c'))

        def build(file: str = '', line: str = '', instead: str = '') -> Path:
            folder = tmp_path_factory.mktemp('fuzzer')
            objects = {part.name: part for part in whole.glob('*.o')}
            if file:
                text = (firmware / file).read_text(encoding='utf-8')
                assert text.count(line) == 1, f'{line!r} in {file}'
                changed = folder / file
                changed.write_text(text.replace(line, instead), encoding='utf-8')
                compile_all(folder, [changed], *memory)
                objects[f'{changed.stem}.o'] = changed.with_suffix('.o')
            command = [clang, *FLAGS, '-fsanitize=fuzzer', '-o', 'fuzzer']
            subprocess.run([*command, *map(str, objects.values())], check=True, cwd=folder)
            return folder / 'fuzzer'

        yield build


def fuzz(program: Path, corpus: Path, runs: int) -> subprocess.CompletedProcess[str]:
    """Let the fuzzer run, from the same random numbers every time."""
    options = [
        f'-runs={runs}',
        f'-max_len={INPUT_SIZE}',
        '-seed=1',
        '-timeout=60',
        '-use_value_profile=1',
    ]
    return subprocess.run(
        [program, *options, f'-artifact_prefix={corpus.parent}/', corpus],
        capture_output=True,
        text=True,
        check=False,
    )


def check_sound(program: Path, corpus: Path, runs: int) -> None:
    """Fuzz and print what was reached; nothing must be found."""
    done = fuzz(program, corpus, runs)
    assert done.returncode == 0, done.stderr[-5000:]
    reached = [line for line in done.stderr.splitlines() if 'DONE' in line]
    print(f'\n{reached}')  # noqa: T201
    assert reached


def test_no_input_breaks_the_firmware(build_fuzzer: Build, seeds: Path) -> None:
    """Whatever is heard: whole answers, only pulses commanded, and the next frames are obeyed."""
    check_sound(build_fuzzer(), seeds, RUNS)


@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_no_input_of_millions_breaks_the_firmware(build_fuzzer: Build, seeds: Path) -> None:
    """The same over three million inputs."""
    check_sound(build_fuzzer(), seeds, MANY_RUNS)


@pytest.mark.parametrize(
    ('change', 'found'),
    [
        (('frames.c', ' && crc == 0', ''), 'nobody asked for'),
        (('frames.c', 'code - 1 > run - position', '0'), 'out of bounds'),
        (('board.c', ' || pulse > settings.highest[channel]', ''), 'a pose was accepted'),
        (('board.c', '(on & 1) && left_out == NO_CHANNEL', '0'), 'was not obeyed'),
        (('board.c', 'sizeof pulses);\n  pulses_stop();', 'sizeof pulses);'), 'after the release'),
        (('board.c', 'stored >> channel & 1', '0'), 'were overruled'),
        (('board.c', 'settings.reaction == RELEASING', '0'), 'in spite of the silence'),
        (('memory.c', 'image.crc != checksum()', '0'), 'the settings tell 65535'),
        (('pulses.c', 'level &= ~pins[i];', 'level &= ~pins[count - 1 - i];'), 'does not follow'),
    ],
)
def test_a_fault_of_the_firmware_is_found(
    build_fuzzer: Build, seeds: Path, change: tuple[str, str, str], found: str
) -> None:
    """A check left out or a wrong order in the firmware does not escape the fuzzer."""
    done = fuzz(build_fuzzer(*change), seeds, RUNS)
    assert done.returncode != 0
    assert found in done.stderr
