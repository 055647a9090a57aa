# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Keys are made, kept to their owners, and revoked.

What their certificates are good for is asked of OpenSSL, in Python's `ssl`: both ends of a
connection in memory.
"""

import ssl
import stat
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from leg_kinematics.commands.main import main
from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.remote.authority import AUTHORITY_KEY, Authority
from leg_kinematics.remote.keys import (
    AUTHORITY,
    CERTIFICATE,
    KEY,
    PRIVATE_KEY,
    REGISTER,
    KeyFolder,
    Role,
    identity_of,
    read_register,
)

if TYPE_CHECKING:
    from test.fleet import Fleet
else:
    from fleet import Fleet


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    """Make the keys of two robots and two drivers."""
    return Fleet(tmp_path / 'keys', ('bracken', 'fern'), ('anna', 'bert'))


def common_name(listener: Path, caller: Path) -> tuple[str, str]:
    """Have two keys meet; give the names that the listener and the caller see of each other.

    Raises
    ------
    ssl.SSLError
        One does not take the other.

    """
    ends = []
    for folder, purpose in ((listener, ssl.PROTOCOL_TLS_SERVER), (caller, ssl.PROTOCOL_TLS_CLIENT)):
        context = ssl.SSLContext(purpose)
        context.minimum_version = ssl.TLSVersion.TLSv1_3
        context.check_hostname = False
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(folder / AUTHORITY)
        context.load_cert_chain(folder / CERTIFICATE, folder / PRIVATE_KEY)
        ends.append(context)
    up, down = ssl.MemoryBIO(), ssl.MemoryBIO()
    server = ends[0].wrap_bio(up, down, server_side=True)
    client = ends[1].wrap_bio(down, up)
    waiting = [client, server]
    while waiting:
        for end in tuple(waiting):
            try:
                end.do_handshake()
                waiting.remove(end)
            except ssl.SSLWantReadError:
                pass
    names = []
    for end in (server, client):
        certificate = end.getpeercert()
        assert certificate
        subject: Any = certificate['subject']
        names.append(dict(each[0] for each in subject)['commonName'])
    return names[0], names[1]


def test_a_robot_and_a_driver_know_each_other(fleet: Fleet) -> None:
    """By the identities that the register has."""
    register = read_register(fleet.folder / REGISTER)
    seen = common_name(fleet.folder / 'bracken', fleet.folder / 'anna')
    assert seen == (register.drivers['anna'], register.robots['bracken'])


@pytest.mark.parametrize(('listener', 'caller'), [('bracken', 'fern'), ('anna', 'bert')])
def test_a_key_is_good_for_its_role_alone(fleet: Fleet, listener: str, caller: str) -> None:
    """No robot drives another, and no driver takes himself for a robot."""
    with pytest.raises(ssl.SSLError, match=r'(?i)(unsuitable|unsupported) certificate'):
        common_name(fleet.folder / listener, fleet.folder / caller)


def test_a_key_of_another_authority_is_a_stranger(fleet: Fleet, tmp_path: Path) -> None:
    """Though it has the same name."""
    other = Fleet(tmp_path / 'others', (), ('anna',))
    with pytest.raises(ssl.SSLError):
        common_name(fleet.folder / 'bracken', other.folder / 'anna')


def test_files_are_kept_to_their_owner(fleet: Fleet) -> None:
    """Private keys are, and the folders; what is public may be read."""
    private = [fleet.folder / AUTHORITY_KEY, *fleet.folder.glob(f'*/{PRIVATE_KEY}')]
    assert len(private) == 5
    assert {stat.S_IMODE(each.stat().st_mode) for each in private} == {0o600}
    folders = [fleet.folder, *(each for each in fleet.folder.iterdir() if each.is_dir())]
    assert {stat.S_IMODE(each.stat().st_mode) for each in folders} == {0o700}
    opened = fleet.folder / 'anna' / PRIVATE_KEY
    opened.chmod(0o644)
    with pytest.raises(DescriptionError, match=r'others .* \(mode 644\): chmod 600'):
        fleet.driver('anna')


def test_a_revoked_key_does_not_come_back_under_its_name(fleet: Fleet) -> None:
    """Whoever has the former folder still has a key that no register lists."""
    former = fleet.driver('anna')
    kept = {each.name: each.read_bytes() for each in former.folder.iterdir()}
    assert fleet.authority.revoke('anna') == former.identity
    assert not former.folder.exists()
    fleet.authority.issue(Role.DRIVER, 'anna')
    robot = fleet.robot().register()
    assert robot.drivers['anna'] != former.identity
    assert former.identity not in robot.drivers.values()
    for name in (CERTIFICATE, KEY):
        (former.folder / name).write_bytes(kept[name])
    with pytest.raises(DescriptionError, match='it was revoked, or the register is older'):
        fleet.driver('anna').register()


def test_every_folder_has_the_register(fleet: Fleet) -> None:
    """The newest, whenever its key was made."""
    texts = {each.read_text() for each in fleet.folder.glob(f'**/{REGISTER}')}
    assert len(texts) == 1
    assert set(read_register(fleet.folder / REGISTER).drivers) == {'anna', 'bert'}


@pytest.mark.parametrize('name', ['', 'Anna', 'anna/..', '9anna', 'a' * 32, '*', 'änna', 'a.b'])
def test_a_name_that_is_none_is_refused(fleet: Fleet, name: str) -> None:
    """It becomes a folder, and a part of a key expression."""
    with pytest.raises(CommandError, match='is no name of a key'):
        fleet.authority.issue(Role.DRIVER, name)


def test_a_taken_name_is_refused(fleet: Fleet) -> None:
    """With what to do."""
    with pytest.raises(CommandError, match="'fern' is the name of a robot already") as caught:
        fleet.authority.issue(Role.DRIVER, 'fern')
    assert 'keys revoke fern --folder' in str(caught.value)


def test_wrong_folders_say_what_is_wrong(fleet: Fleet, tmp_path: Path) -> None:
    """Of each file, with what to do."""
    with pytest.raises(DescriptionError, match='no folder of a key'):
        KeyFolder.load(tmp_path / 'nowhere', Role.DRIVER)
    with pytest.raises(DescriptionError, match='the key of a robot, and that of a driver is'):
        KeyFolder.load(fleet.folder / 'bracken', Role.DRIVER)
    with pytest.raises(DescriptionError, match='no authority is here'):
        Authority(fleet.folder / 'anna')
    with pytest.raises(DescriptionError, match='the folder is not empty'):
        Authority.make(fleet.folder)
    with pytest.raises(DescriptionError, match=r"no robot 'braken' is registered.*mean 'bracken'"):
        identity_of(read_register(fleet.folder / REGISTER), 'braken', fleet.folder / REGISTER)
    for text, words in (
        ('robots: {}', 'expected robots and drivers'),
        ('robots: {}\ndrivers: []', "'drivers' must map names to identities"),
        ('robots: {}\ndrivers: {anna: bert.00000001}', 'drivers must map a name to it'),
        ('robots: {}\ndrivers: {anna: "anna.*"}', 'drivers must map a name to it'),
        ('robots: [', 'no YAML'),
    ):
        (fleet.folder / 'anna' / REGISTER).write_text(text)
        with pytest.raises(DescriptionError, match=words):
            fleet.driver('anna').register()
    (fleet.folder / 'anna' / PRIVATE_KEY).unlink()
    with pytest.raises(DescriptionError, match=f'{PRIVATE_KEY}: cannot be read'):
        fleet.driver('anna')


def test_by_commands(tmp_path: Path) -> None:
    """From an empty folder to a revoked key, each step told with the next one."""

    def keys(*arguments: str, code: int = 0) -> str:
        done = CliRunner().invoke(main, ['keys', *arguments, '--folder', str(tmp_path / 'keys')])
        assert done.exit_code == code, done.output
        return ' '.join(done.output.split())

    assert 'make one by leg-kinematics keys make' in keys('robot', 'bracken', code=2)
    assert 'keep the folder on this computer' in keys('make')
    assert f'Copy {tmp_path}/keys/bracken to the robot' in keys('robot', 'bracken')
    assert 'Copy' in keys('driver', 'anna')
    listed = keys('list')
    register = read_register(tmp_path / 'keys' / REGISTER)
    assert listed == (
        f'robot bracken {register.robots["bracken"]} driver anna {register.drivers["anna"]}'
    )
    assert register.drivers['anna'] in keys('list', '--json')
    assert 'IT STILL COUNTS on each machine until' in keys('revoke', 'anna')
    assert "no key 'anna' is registered; there are: bracken" in keys('revoke', 'anna', code=1)
    assert 'is no name of a key' in keys('driver', 'Anna', code=1)
