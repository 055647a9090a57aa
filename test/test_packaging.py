# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What pip, colcon and ROS 2 must agree on."""

import ast
import subprocess
from importlib.metadata import distribution
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

ROOT = Path(__file__).parents[1]

LICENCE = 'SPDX-License-Identifier: Apache-2.0'
"""As the SPDX Specification 2.3 has it in its annex E, from memory."""
WITHOUT_A_LINE = {
    'LICENSE',
    'NOTICE',
    'board.hex',
    'walk.webp',
    'leg_kinematics',
    'package-lock.json',
    'py.typed',
}
"""Licences themselves, what a machine writes, and files that are there to be empty."""


def files_of_the_package() -> list[Path]:
    """Files that git keeps, or would keep."""
    if not (ROOT / '.git').exists():
        pytest.skip('not in a clone: git does not know which files there are')
    command = ['git', 'ls-files', '-z', '--cached', '--others', '--exclude-standard']
    listed = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True)
    paths = [ROOT / name for name in listed.stdout.split('\0') if name]
    return [path for path in paths if path.is_file() and not path.is_symlink()]


def test_every_console_script_is_where_ros_looks() -> None:
    """Each console script has its way from lib/leg_kinematics to bin, and there is no other."""
    scripts = distribution('leg_kinematics').entry_points.select(group='console_scripts')
    ways = list((ROOT / 'resource' / 'executables').iterdir())
    assert {way.name for way in ways} == set(scripts.names)
    assert {way.resolve() for way in ways} == {ROOT / 'resource' / 'executable'}


def test_every_entry_point_can_be_loaded() -> None:
    """Each console script and each board driver names something that exists."""
    points = distribution('leg_kinematics').entry_points
    assert points.select(group='leg_kinematics.boards').names == {'framed', 'firmata'}
    for point in points:
        assert callable(point.load())


def test_one_version() -> None:
    """package.xml and setup.py tell the same version and licence."""
    package = ET.parse(ROOT / 'package.xml')
    metadata = distribution('leg_kinematics').metadata
    assert package.findtext('version') == metadata['Version']
    assert package.findtext('license') == metadata['License']


def test_every_file_names_its_licence() -> None:
    """Each file that can carry the line has it near its beginning."""
    without = {
        path.relative_to(ROOT)
        for path in files_of_the_package()
        if LICENCE not in path.read_text(encoding='utf-8', errors='replace')[:400]
    }
    assert {path.name for path in without} <= WITHOUT_A_LINE, without


def test_the_notice_is_shipped_beside_the_firmware() -> None:
    """What the linker adds to the firmware has its licence beside it, wherever that goes."""
    notice = ROOT / 'leg_kinematics' / 'board' / 'framed' / 'firmware' / 'NOTICE'
    text = notice.read_text(encoding='utf-8')
    # The second condition of the licence of avr-libc: with binaries goes all of its text.
    assert 'Redistributions in binary form must reproduce the above copyright' in text
    assert text.index('Regents') < text.index('Redistributions') < text.index('POSSIBILITY OF SUCH')
    assert 'GCC Runtime Library Exception' in text
    assert "'NOTICE'" in (ROOT / 'setup.py').read_text(encoding='utf-8')


def test_every_ros_package_that_is_imported_is_asked_for() -> None:
    """What rosdep installs is what the code imports of ROS 2, as far as names tell it."""
    imported = {
        name.partition('.')[0]
        for folder in ('leg_kinematics', 'launch')
        for path in (ROOT / folder).rglob('*.py')
        for node in ast.walk(ast.parse(path.read_text(encoding='utf-8')))
        for name in imports(node)
    }
    of_ros = {name for name in imported if name.endswith(('_msgs', '_srvs', '_interfaces'))}
    asked = {each.text for each in ET.parse(ROOT / 'package.xml').iter('exec_depend')}
    assert {'builtin_interfaces', 'sensor_msgs', 'std_srvs'} <= of_ros
    assert of_ros <= asked


def imports(node: ast.AST) -> list[str]:
    """Modules that a statement imports."""
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    return [node.module or ''] if isinstance(node, ast.ImportFrom) else []
