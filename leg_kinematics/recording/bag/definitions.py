# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a message type consists of, and its hash, from the files that ROS 2 installs beside it."""

import json
import os
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from leg_kinematics.errors import BagError

#: Between the definitions of two types in one text.
SEPARATOR = '=' * 80

#: Types that need no definition (ROS 2, "Interfaces").
PRIMITIVE = re.compile(r'(bool|byte|char|u?int(8|16|32|64)|float(32|64)|w?string(<=\d+)?)\b')

#: The type of a field: without what says how many there are.
FIELD = re.compile(r'\s*([A-Za-z][\w/]*)')


@cache
def definition_of(kind: str) -> str:
    """Give the definition of a message type with those of all types in it.

    Raises
    ------
    BagError
        A type is not installed.

    """
    texts = {kind: _text(kind)}
    pending = [kind]
    while pending:
        for inner in _types_in(texts[pending[0]], pending[0].split('/')[0]):
            if inner not in texts:
                texts[inner] = _text(inner)
                pending.append(inner)
        pending.pop(0)
    top = texts.pop(kind)
    return top + ''.join(
        f'\n{SEPARATOR}\nMSG: {each.replace("/msg/", "/")}\n{text}' for each, text in texts.items()
    )


@cache
def type_hash_of(kind: str) -> str:
    """Give the hash of a message type (REP 2016), such as `RIHS01_...`.

    Raises
    ------
    BagError
        The type is not installed.

    """
    package, folder, name = kind.split('/')
    file = _installed(package, f'{folder}/{name}.json')
    hashes = json.loads(file.read_text(encoding='utf-8'))['type_hashes']
    for each in hashes:
        if each['type_name'] == kind:
            return str(each['hash_string'])
    raise BagError(f'{file} has no hash of {kind}')


def _text(kind: str) -> str:
    """Give the text of one type."""
    package, folder, name = kind.split('/')
    return _installed(package, f'{folder}/{name}.msg').read_text(encoding='utf-8')


def _types_in(text: str, package: str) -> Iterator[str]:
    """Name the types of the fields of a type, but for those that need no definition."""
    for line in text.splitlines():
        field = FIELD.match(line.partition('#')[0])
        if field is None or PRIMITIVE.match(field[1]):
            continue
        of, _, name = field[1].rpartition('/')
        yield f'{of or package}/msg/{name}'


def _installed(package: str, file: str) -> Path:
    """Find a file of a package where ROS 2 is sourced, or in the environment of the wheels."""
    prefixes = [*os.environ.get('AMENT_PREFIX_PATH', '').split(os.pathsep), sys.prefix]
    for prefix in filter(None, prefixes):
        path = Path(prefix, 'share', package, file)
        if path.is_file():
            return path
    raise BagError(
        f'the definition {package}/{file} is not installed here: install the package {package}, '
        'or leave out the topic'
    )
