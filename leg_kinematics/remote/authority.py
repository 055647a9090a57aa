# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Makes keys and revokes them: the authority whose signature the keys of a fleet bear.

Certificates follow RFC 5280; keys are of the curve P-256. They count from 1970 on, since small
computers start without knowing the time.
"""

import os
import secrets
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import yaml

from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.remote.keys import (
    AUTHORITY,
    CERTIFICATE,
    KEY,
    NAME,
    PRIVATE_KEY,
    REGISTER,
    Register,
    Role,
    read_register,
)
from leg_kinematics.robot import did_you_mean
from leg_kinematics.robot.text_file import read_text

FOLDER_MODE, PRIVATE_MODE, PUBLIC_MODE = 0o700, 0o600, 0o644

#: Key of the authority itself: whoever has it can make keys.
AUTHORITY_KEY = 'authority.key'

FROM, UNTIL = datetime(1970, 1, 1, tzinfo=UTC), datetime(2049, 12, 31, tzinfo=UTC)


def _x509() -> Any:  # noqa: ANN401  the modules of an extra
    try:
        from cryptography import x509  # noqa: PLC0415  an extra
    except ImportError as error:
        raise CommandError(
            f'making keys needs cryptography ({error}): install it by\n    pip install cryptography'
        ) from error
    return x509


class Authority:
    """A folder from which keys are made.

    Parameters
    ----------
    folder
        As `make` has made it.

    Raises
    ------
    DescriptionError
        It is none.

    """

    def __init__(self, folder: Path) -> None:
        """Read the register."""
        if not (folder / AUTHORITY_KEY).is_file():
            raise DescriptionError(
                f'no authority is here ({AUTHORITY_KEY} is missing): make one by\n'
                f'    leg-kinematics keys make --folder {folder}',
                file=folder,
            )
        self._folder = folder
        self.register = read_register(folder / REGISTER)

    @classmethod
    def make(cls, folder: Path) -> 'Authority':
        """Make an authority in a folder that is not there yet, or is empty.

        Raises
        ------
        DescriptionError
            Something is in the folder, or it cannot be written.
        CommandError
            The library is not installed.

        """
        x509 = _x509()
        from cryptography.hazmat.primitives.asymmetric import ec  # noqa: PLC0415  an extra

        _make_folder(folder)
        key = ec.generate_private_key(ec.SECP256R1())
        name = x509.Name(
            [x509.NameAttribute(x509.NameOID.COMMON_NAME, f'authority.{secrets.token_hex(4)}')]
        )
        usage = dict.fromkeys(
            (
                'digital_signature', 'content_commitment', 'key_encipherment', 'data_encipherment',
                'key_agreement', 'encipher_only', 'decipher_only',
            ),
            False,
        )  # fmt: skip
        certificate = (
            _builder(name, name, key.public_key())
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(
                x509.KeyUsage(**usage, key_cert_sign=True, crl_sign=False), critical=True
            )
        )
        _write(folder / AUTHORITY_KEY, _private_text(key), PRIVATE_MODE)
        _write(folder / AUTHORITY, _signed(certificate, key), PUBLIC_MODE)
        _write(folder / REGISTER, Register({}, {}).text(), PUBLIC_MODE)
        return cls(folder)

    def issue(self, role: Role, name: str) -> Path:
        """Make the key of a robot or driver; give its folder.

        Raises
        ------
        CommandError
            The name is none, or taken.
        DescriptionError
            A file cannot be written.

        """
        x509 = _x509()
        from cryptography.hazmat.primitives import serialization  # noqa: PLC0415  an extra
        from cryptography.hazmat.primitives.asymmetric import ec  # noqa: PLC0415  an extra

        if not NAME.fullmatch(name):
            raise CommandError(
                f'{name!r} is no name of a key: expected up to 31 small letters, digits, - and _, '
                'beginning with a letter'
            )
        if (taken := next(self._named(name), None)) is not None:
            raise CommandError(
                f'{name!r} is the name of a {taken} already: choose another, or revoke that key '
                f'first by\n    leg-kinematics keys revoke {name} --folder {self._folder}'
            )
        own = serialization.load_pem_private_key(
            read_text(self._folder / AUTHORITY_KEY).encode(), password=None
        )
        root = read_text(self._folder / AUTHORITY)
        issuer = x509.load_pem_x509_certificate(root.encode()).subject
        identity = f'{name}.{secrets.token_hex(4)}'
        key = ec.generate_private_key(ec.SECP256R1())
        oid = x509.ExtendedKeyUsageOID
        purpose = oid.SERVER_AUTH if role is Role.ROBOT else oid.CLIENT_AUTH
        subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, identity)])
        certificate = (
            _builder(subject, issuer, key.public_key())
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
            .add_extension(x509.SubjectAlternativeName([x509.DNSName(identity)]), critical=False)
        )
        folder = self._folder / name
        _make_folder(folder)
        _write(folder / PRIVATE_KEY, _private_text(key), PRIVATE_MODE)
        _write(folder / CERTIFICATE, _signed(certificate, own), PUBLIC_MODE)
        _write(folder / AUTHORITY, root, PUBLIC_MODE)
        whose = {'role': str(role), 'name': name, 'identity': identity}
        _write(folder / KEY, yaml.safe_dump(whose, sort_keys=False), PUBLIC_MODE)
        entries = {each: dict(self.register.of(each)) for each in Role}
        entries[role][name] = identity
        self._keep(Register(entries[Role.ROBOT], entries[Role.DRIVER]))
        return folder

    def revoke(self, name: str) -> str:
        """Take a key off the register, and its folder away; give its identity.

        It counts until each machine has the new register.

        Raises
        ------
        CommandError
            There is no such key.
        DescriptionError
            A file cannot be written.

        """
        role = next(self._named(name), None)
        if role is None:
            names = [each for role in Role for each in self.register.of(role)]
            raise CommandError(
                f'no key {name!r} is registered; there are: {", ".join(names) or "none"}'
                f'{did_you_mean(name, names)}'
            )
        entries = {each: dict(self.register.of(each)) for each in Role}
        identity = entries[role].pop(name)
        self._keep(Register(entries[Role.ROBOT], entries[Role.DRIVER]))
        folder = self._folder / name
        if folder.is_dir():
            shutil.rmtree(folder)
        return identity

    def _named(self, name: str) -> Iterator[Role]:
        return (role for role in Role if name in self.register.of(role))

    def _keep(self, register: Register) -> None:
        """Write the register here and into all folders of keys that are still here."""
        self.register = register
        names = [name for role in Role for name in register.of(role)]
        for folder in (self._folder, *(self._folder / name for name in names)):
            if folder.is_dir():
                _write(folder / REGISTER, register.text(), PUBLIC_MODE)


def _builder(subject: Any, issuer: Any, public: Any) -> Any:  # noqa: ANN401
    x509 = _x509()
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(FROM)
        .not_valid_after(UNTIL)
    )


def _signed(builder: Any, key: Any) -> str:  # noqa: ANN401
    from cryptography.hazmat.primitives import hashes, serialization  # noqa: PLC0415  an extra

    certificate = builder.sign(key, hashes.SHA256())
    return str(certificate.public_bytes(serialization.Encoding.PEM).decode())


def _private_text(key: Any) -> str:  # noqa: ANN401
    from cryptography.hazmat.primitives import serialization  # noqa: PLC0415  an extra

    text = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    return str(text.decode())


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
        folder.chmod(FOLDER_MODE)
        there = sorted(each.name for each in folder.iterdir())
    except OSError as error:
        raise DescriptionError(f'no folder can be made: {error.strerror}', file=folder) from error
    if there:
        raise DescriptionError(
            f'the folder is not empty ({", ".join(there[:3])}): name another', file=folder
        )


def _write(file: Path, text: str, mode: int) -> None:
    """Write a file whole or not at all; nobody else can read a private one at any instant."""
    fresh = file.with_name(f'{file.name}.new')
    try:
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), 'w') as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        fresh.replace(file)
    except OSError as error:
        raise DescriptionError(f'cannot be written: {error.strerror}', file=file) from error
