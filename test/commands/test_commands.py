# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The command line: help with examples, listings for scripts, and what counts as a bad run."""

import json
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click
import pytest
import yaml
from click.testing import CliRunner
from rclpy.exceptions import InvalidNamespaceException
from rclpy.validate_namespace import validate_namespace

from leg_kinematics.commands.demo import Summary
from leg_kinematics.commands.main import main
from leg_kinematics.commands.options import files
from leg_kinematics.commands.options.chain_options import NAMESPACE
from leg_kinematics.commands.options.files import config_folder
from leg_kinematics.nodes.running.catalogue import NODES
from leg_kinematics.nodes.taking_part.operator import Operator

#: The console script, wherever it is installed.
LEG_KINEMATICS = [sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()']

GOOD = Summary(
    robot='bracken',
    planned_distance_m=2.1,
    commanded_distance_m=2.0,
    walked_distance_m=2.009,
    odometry_difference_m=0.001,
    gait_ticks=3500,
    gait_missed_ticks=3,
    poses=3800,
    frames_refused=0,
    frames_bad=1,
    worst_foot_error_mm=0.49,
    allowed_foot_error_mm=0.5,
    latency_median_ms=8.0,
    latency_p99_ms=20.0,
    pose_period_p50_ms=10.0,
    pose_period_p99_ms=12.0,
    pose_period_max_ms=30.0,
    smallest_support_margin_mm=15.0,
    exit_codes={'kinematics': 0, 'gait': 0, 'bridge': 0, 'mock': 0},
)


@pytest.fixture
def two_boards(tmp_path: Path) -> Path:
    """Return servo maps of bracken with the right legs on a board of their own."""
    source = config_folder() / 'servo_maps' / 'bracken.yaml'
    content = yaml.safe_load(source.read_text(encoding='utf-8'))
    for joint, entry in content['joints'].items():
        entry['board'] = joint.partition('_')[0]
    file = tmp_path / 'two_boards.yaml'
    file.write_text(yaml.safe_dump(content, sort_keys=False), encoding='utf-8')
    return file


def commands(group: click.Group, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Walk through a group and all that is in it."""
    yield path
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from commands(command, (*path, name))
        else:
            yield (*path, name)


@pytest.mark.parametrize('path', list(commands(main)), ids=' '.join)
def test_every_command_has_help_with_an_example(path: tuple[str, ...]) -> None:
    """The help says what it does, shows how to call it, and ends well."""
    done = CliRunner().invoke(main, [*path, '--help'])
    assert done.exit_code == 0
    assert done.stderr == ''
    words = ' '.join(done.stdout.split())
    assert re.search(f'Examples?: leg-kinematics {" ".join(path)}', words)


@pytest.mark.parametrize('path', list(commands(main)), ids=' '.join)
def test_an_unknown_option_is_refused(path: tuple[str, ...]) -> None:
    """Exit code 2 and its name, on stderr."""
    done = CliRunner().invoke(main, [*path, '--spede'])
    assert done.exit_code == 2
    assert '--spede' in done.stderr
    assert done.stdout == ''


def test_help_does_not_wait_for_ros_or_pictures() -> None:
    """Neither is loaded before a command needs it."""
    script = (
        'import sys\n'
        'import leg_kinematics.commands.main\n'
        "print([name for name in ('rclpy', 'matplotlib', 'mujoco') if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, '-c', script], capture_output=True, text=True, check=True
    )
    assert done.stdout == '[]\n'


def test_the_parameters_are_listed_for_scripts() -> None:
    """The listing is JSON with all that is declared of every parameter of every node."""
    done = CliRunner().invoke(main, ['parameters', '--json'])
    assert done.exit_code == 0
    listing = json.loads(done.stdout)
    assert list(listing) == [
        'kinematics',
        'gait',
        'bridge',
        'player',
        'teleop',
        'arbiter',
        'remote',
    ]
    for node, declared in NODES.items():
        assert [each['name'] for each in listing[node]] == [each.name for each in declared]
    (lift,) = (each for each in listing['gait'] if each['name'] == 'lift')
    assert lift == {
        'default': 0.03,
        'meaning': 'Height to which a swing lifts a foot',
        'name': 'lift',
        'unit': 'm',
        'lowest': 0.001,
        'highest': 0.5,
        'choices': [],
        'required': False,
    }


@pytest.mark.parametrize('columns', ['60', '80', '200', None])
def test_the_parameters_are_listed_for_people(columns: str | None) -> None:
    """Node by node with unit, bounds and meaning; every word is there at any width."""
    done = CliRunner().invoke(main, ['parameters'], env={'COLUMNS': columns})
    assert done.exit_code == 0
    told = ' '.join(done.stdout.split())
    for node, declared in NODES.items():
        assert f' {node} ' in f' {told} '
        for each in declared:
            assert f' {each.name} ' in told
            assert each.meaning in told
    assert '(10 to 500)' in told
    assert '(TwistStamped or Twist)' in told
    if columns:
        assert max(map(len, done.stdout.splitlines())) <= int(columns)


def test_the_example_configuration_is_found() -> None:
    """Robot, servo maps and node parameters are where `config_folder` says."""
    folder = config_folder()
    for name in ('robots/bracken.yaml', 'servo_maps/bracken.yaml', 'nodes.yaml'):
        assert (folder / name).is_file()


def test_a_missing_example_configuration_is_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The error names every place that was looked at, and what to do."""
    places = (tmp_path / 'here', tmp_path / 'there')
    monkeypatch.setattr(files, 'PLACES', places)
    with pytest.raises(FileNotFoundError, match='install the package again') as caught:
        config_folder()
    for place in places:
        assert str(place) in str(caught.value)


def test_the_places_are_those_of_a_source_tree_and_of_an_installation(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """By hand: PREFIX/lib/python3.11/site-packages and PREFIX/share/leg_kinematics/config."""
    source = Path(__file__).parents[2] / 'config'
    assert files.PLACES[0] == source
    packages = tmp_path / 'lib' / 'python3.11' / 'site-packages'
    share = tmp_path / 'share' / 'leg_kinematics' / 'config'
    packages.mkdir(parents=True)
    (share / 'robots').mkdir(parents=True)
    installed = files.PLACES[1].relative_to(files.ROOT)
    monkeypatch.setattr(files, 'PLACES', (packages / 'config', packages / installed))
    assert config_folder().resolve() == share.resolve()


def test_a_good_run_has_no_faults() -> None:
    """Missed ticks and a broken frame are the machine's or the line's, not the chain's."""
    assert GOOD.faults() == []


@pytest.mark.parametrize(
    ('run', 'words'),
    [
        (replace(GOOD, worst_foot_error_mm=0.51), 'a foot was 0.51 mm from its target'),
        (replace(GOOD, walked_distance_m=2.011), 'distance differ by 11.0 mm'),
        (replace(GOOD, walked_distance_m=1.989), 'distance differ by 11.0 mm'),
        (replace(GOOD, planned_distance_m=3.4), 'walked 2.009 m only, of 3.400 m'),
        (replace(GOOD, frames_refused=2), 'the board refused 2 frames'),
        (replace(GOOD, smallest_support_margin_mm=0.0), 'left the support polygon'),
        (replace(GOOD, exit_codes={'gait': 0, 'bridge': -9}), 'bridge ended with exit code -9'),
    ],
)
def test_each_fault_is_told(run: Summary, words: str) -> None:
    """One sentence with the value."""
    (fault,) = run.faults()
    assert words in fault


def test_a_busy_machine_is_told_beside_the_foot_error() -> None:
    """Poses more than three ticks apart are named, with what to do."""
    (fault,) = replace(GOOD, worst_foot_error_mm=0.59, pose_period_max_ms=51.0).faults()
    assert 'poses came up to 51 ms apart instead of 10 ms' in fault
    assert 'run it again' in fault
    (fault,) = replace(GOOD, worst_foot_error_mm=0.59, pose_period_max_ms=29.0).faults()
    assert 'apart' not in fault


def test_urdf_refuses_a_wrong_file(tmp_path: Path) -> None:
    """Exit code 2 as for every wrong file, the place on stderr, nothing on stdout."""
    done = CliRunner().invoke(main, ['urdf', str(tmp_path / 'nowhere.yaml')])
    assert done.exit_code == 2
    assert 'nowhere.yaml: cannot be read: No such file or directory' in done.stderr
    assert done.stdout == ''


def test_all_faults_are_told_at_once() -> None:
    """Not only the first."""
    bad = replace(
        GOOD,
        worst_foot_error_mm=3.0,
        walked_distance_m=1.0,
        frames_refused=1,
        smallest_support_margin_mm=-1.0,
        exit_codes={'mock': 1, 'gait': 2},
    )
    assert len(bad.faults()) == 7


def test_the_list_of_commands_is_not_cut_off() -> None:
    """What each does stands there in full, in 80 columns."""
    done = CliRunner().invoke(main, ['--help'], terminal_width=80)
    assert '...' not in done.stdout.replace('[ARGS]...', '')


def test_run_refuses_a_board_that_is_none() -> None:
    """A message instead of a traceback, exit code 2."""
    done = CliRunner().invoke(main, ['run', '--board', 'nonsense'])
    assert done.exit_code == 2
    assert 'nonsense' in done.stderr
    assert 'NAME=DRIVER:PORT' in done.stderr


def test_run_shows_the_cautions_before_it_looks_for_boards() -> None:
    """Here for one whose driver is none: a message, exit code 2, no node left."""
    done = subprocess.run(
        [*LEG_KINEMATICS, 'run', '--board', 'main=nonsense:/dev/null'],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert 'nonsense' in done.stderr
    caution = ' '.join(done.stderr[: done.stderr.index('nonsense')].split())
    for words in ('full speed', 'Ctrl-C ends this program, not the pulses', 'licensed people'):
        assert words in caution
    assert 'Traceback' not in done.stderr


def test_run_tells_which_board_is_missing(two_boards: Path) -> None:
    """Exit code 2 with the boards of the servo maps and the option to add."""
    done = subprocess.run(
        [
            *LEG_KINEMATICS, 'run', '--servo-maps', two_boards,
            '--board', 'left=framed:/dev/null',
        ],
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 2
    words = ' '.join(done.stderr.split())
    assert 'the servo maps name the boards left, right, but right is not given (got left=' in words
    assert '--board right=DRIVER:PORT' in words


def test_demo_refuses_a_robot_with_too_few_legs(tmp_path: Path) -> None:
    """Exit code 2 with the reason, before anything is started or written."""
    config = config_folder()
    robot = yaml.safe_load((config / 'robots' / 'bracken.yaml').read_text(encoding='utf-8'))
    maps = yaml.safe_load((config / 'servo_maps' / 'bracken.yaml').read_text(encoding='utf-8'))
    robot['legs'] = {leg: robot['legs'][leg] for leg in ('left_front', 'right_front')}
    maps['joints'] = {joint: entry for joint, entry in maps['joints'].items() if '_front_' in joint}
    for name, content in (('robot', robot), ('maps', maps)):
        text = yaml.safe_dump(content, sort_keys=False)
        (tmp_path / f'{name}.yaml').write_text(text, encoding='utf-8')
    files = ['--robot', str(tmp_path / 'robot.yaml'), '--servo-maps', str(tmp_path / 'maps.yaml')]
    done = CliRunner().invoke(main, ['demo', *files, '--output', str(tmp_path / 'output')])
    assert done.exit_code == 2
    assert 'bracken has 2 legs' in done.stderr
    assert not (tmp_path / 'output').exists()


@pytest.mark.parametrize('name', ['/', '/bracken', '/garden/bracken_2', '/_a', '/A__b'])
def test_run_takes_what_ros_takes_as_a_namespace(name: str) -> None:
    """With the slash in front or without it."""
    assert validate_namespace(name)
    assert NAMESPACE.fullmatch(name)
    assert name == '/' or NAMESPACE.fullmatch(name[1:])


@pytest.mark.parametrize(
    'name', ['', 'my robot', '/2nd', '/a//b', '/a/', '/a-b', '/ä', '//', '/a/2', '/a\n']
)
def test_run_refuses_what_is_no_namespace(name: str) -> None:
    """Exit code 2 with the option and an example, before anything starts."""
    with pytest.raises(InvalidNamespaceException):
        validate_namespace(name)
    done = CliRunner().invoke(main, ['run', '--namespace', name])
    assert done.exit_code == 2
    assert '--namespace' in done.stderr
    assert 'such as /bracken' in done.stderr


@pytest.mark.parametrize('number', [signal.SIGINT, signal.SIGTERM])
def test_run_is_the_whole_chain_in_one_process(number: signal.Signals, two_boards: Path) -> None:
    """Enabled, with a mock for each board, it can stand up; an interrupt ends all of it well."""
    namespace = f'/one_process_{number.name.lower()}'
    command = [*LEG_KINEMATICS, 'run', '--enable', '--servo-maps', str(two_boards)]
    with subprocess.Popen(
        [*command, '--namespace', namespace[1:]], stderr=subprocess.PIPE
    ) as process:
        try:
            operator = Operator(namespace)
            try:
                operator.wait_for('bridge', 'active', 60.0)
                operator.wait_for('gait', 'waiting for gait/stand', 60.0)
                operator.wait_for_graph()
                operator.stand()
            finally:
                operator.close()
            process.send_signal(number)
            _, errors = process.communicate(timeout=60.0)
            assert process.returncode == 0, errors.decode()
            assert b'Traceback' not in errors
        finally:
            process.kill()
