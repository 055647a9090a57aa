# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Folders of keys: who may open the link to a robot, and what a folder must hold.

Every robot and every driver has a folder with a key of its own, signed by one authority, and with
the register, which lists the keys that count. Both ends of the link let nobody in whom their
register does not list. A key that is made anew under a name has another identity, so that the one
before it, revoked, does not count again.
"""

import enum
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import yaml

from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import did_you_mean
from leg_kinematics.robot.text_file import read_text

#: What lies in the folder of a key.
AUTHORITY, CERTIFICATE, PRIVATE_KEY = 'authority.pem', 'certificate.pem', 'private.key'
KEY, REGISTER = 'key.yaml', 'register.yaml'

NAME = re.compile(r'[a-z][a-z0-9_-]{0,30}')

#: A name, and what tells this key from others under that name.
IDENTITY = re.compile(rf'({NAME.pattern})\.[0-9a-f]{{8}}')


class Role(enum.StrEnum):
    """What a key is for."""

    ROBOT = 'robot'
    DRIVER = 'driver'


@dataclass(frozen=True, slots=True)
class Register:
    """The keys that count.

    Attributes
    ----------
    robots, drivers
        Identity by name.

    """

    robots: Mapping[str, str]
    drivers: Mapping[str, str]

    def of(self, role: Role) -> Mapping[str, str]:
        """Identities of a role, by name."""
        return self.robots if role is Role.ROBOT else self.drivers

    def text(self) -> str:
        """Write it for its file."""
        roles = {f'{role}s': dict(sorted(self.of(role).items())) for role in Role}
        return (
            '# The keys that count: a key that is not listed here reaches nothing.\n'
            '# Written by `leg-kinematics keys`.\n' + yaml.safe_dump(roles, sort_keys=False)
        )


@dataclass(frozen=True, slots=True)
class KeyFolder:
    """The folder of a robot or a driver.

    Attributes
    ----------
    folder
        Where it is.
    role, name, identity
        Whose key it is; the identity is the common name in its certificate.

    """

    folder: Path
    role: Role
    name: str
    identity: str

    @classmethod
    def load(cls, folder: Path, role: Role) -> 'KeyFolder':
        """Look whether a folder holds a key of a role, and keeps it to its owner.

        Raises
        ------
        DescriptionError
            A file is missing or wrong, others may read the key, or it is one of the other role.

        """
        if not folder.is_dir():
            raise DescriptionError(
                'no folder of a key: make one by leg-kinematics keys, and copy it here', file=folder
            )
        found = _mapping(folder / KEY, ('role', 'name', 'identity'))
        if found['role'] != role:
            raise DescriptionError(
                f'this is the key of a {found["role"]}, and that of a {role} is needed', file=folder
            )
        match = IDENTITY.fullmatch(found['identity'])
        if match is None or match[1] != found['name']:
            raise DescriptionError(
                f"'identity' must be the name, a point and eight hexadecimal digits "
                f'(got {found["identity"]!r} of {found["name"]!r}): copy the folder again',
                file=folder / KEY,
            )
        for name in (AUTHORITY, CERTIFICATE, PRIVATE_KEY):
            read_text(folder / name)
        private = folder / PRIVATE_KEY
        mode = stat.S_IMODE(private.stat().st_mode)
        if mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise DescriptionError(
                f'others than its owner may open this key (mode {mode:03o}): chmod 600 {private}; '
                'if somebody may have copied it, revoke it and make another',
                file=private,
            )
        return cls(folder, role, found['name'], found['identity'])

    def register(self) -> Register:
        """Read the register as it is now.

        Raises
        ------
        DescriptionError
            It is wrong, or does not list this key.

        """
        file = self.folder / REGISTER
        register = read_register(file)
        if register.of(self.role).get(self.name) != self.identity:
            raise DescriptionError(
                f'the register does not list the key {self.identity}: it was revoked, or the '
                'register is older than the key',
                file=file,
            )
        return register


def identity_of(register: Register, robot: str, file: Path) -> str:
    """Find the identity of a robot.

    Raises
    ------
    DescriptionError
        The register lists no such robot.

    """
    if robot not in register.robots:
        known = ', '.join(register.robots) or 'none'
        raise DescriptionError(
            f'no robot {robot!r} is registered; there are: {known}'
            f'{did_you_mean(robot, list(register.robots))}',
            file=file,
        )
    return register.robots[robot]


def read_register(file: Path) -> Register:
    """Read a register.

    Raises
    ------
    DescriptionError
        It is none.

    """
    content = _load(file)
    roles = [f'{role}s' for role in Role]
    if not isinstance(content, dict) or set(content) != set(roles):
        raise DescriptionError(f'no register: expected {" and ".join(roles)}', file=file)
    for role, entries in content.items():
        if not isinstance(entries, dict):
            raise DescriptionError(f'{role!r} must map names to identities', file=file)
        for name, identity in entries.items():
            match = IDENTITY.fullmatch(identity) if isinstance(identity, str) else None
            if match is None or match[1] != name:
                raise DescriptionError(
                    f'{role} must map a name to it, a point and eight hexadecimal digits '
                    f'(got {name!r}: {identity!r})',
                    file=file,
                )
    return Register(content['robots'], content['drivers'])


def _mapping(file: Path, names: tuple[str, ...]) -> dict[str, str]:
    content = _load(file)
    if (
        not isinstance(content, dict)
        or set(content) != set(names)
        or not all(isinstance(value, str) for value in content.values())
    ):
        raise DescriptionError(
            f'expected {", ".join(names)}, as leg-kinematics keys writes them: copy the folder '
            'again',
            file=file,
        )
    return content


def _load(file: Path) -> object:
    try:
        return yaml.safe_load(read_text(file))
    except (yaml.YAMLError, RecursionError) as error:
        raise DescriptionError('no YAML: copy the file again', file=file) from error
