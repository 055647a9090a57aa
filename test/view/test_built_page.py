# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The page that is shipped is the one of the sources, and small."""

import gzip
import json
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from test.installed_page import BUILT, SOURCES, node_modules, run
else:
    from installed_page import BUILT, SOURCES, node_modules, run

#: What a browser loads before anything is seen, bytes, compressed.
MOST_ON_THE_WIRE = 200_000


def test_the_page_that_is_shipped_is_what_is_built(tmp_path: Path) -> None:
    """Building again gives the same files, byte for byte."""
    node_modules()
    run('node', 'build.mjs', str(tmp_path))
    built = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    shipped = {path.name: path.read_bytes() for path in BUILT.iterdir()}
    assert built.keys() == shipped.keys()
    assert [name for name in built if built[name] != shipped[name]] == []


def test_the_sources_are_typed() -> None:
    """The compiler, as strict as it gets, finds nothing."""
    node_modules()
    assert run('node_modules/.bin/tsc', '--noEmit') == ''


def test_the_page_is_small() -> None:
    """All files together, compressed, stay within what was promised."""
    total = sum(len(gzip.compress(path.read_bytes(), 9)) for path in BUILT.iterdir())
    assert total <= MOST_ON_THE_WIRE


def test_the_licence_of_what_is_bundled_is_shipped() -> None:
    """Its condition: the notice is in all copies (the MIT licence)."""
    dependencies = json.loads((SOURCES / 'package.json').read_text(encoding='utf-8'))
    text = (BUILT / 'licences.txt').read_text(encoding='utf-8')
    for name, version in dependencies['dependencies'].items():
        assert f'{name} {version}' in text
    assert 'The above copyright notice and this permission notice shall be included' in text
