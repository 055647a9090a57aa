# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whom the nodes of a command can reach: this machine alone, unless a person named the network.

The middleware of ROS 2 takes this from its environment when a node is made, and so do the processes
that the command starts. Whoever has set the environment himself has his way.
"""

import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from rclpy import subscription
from rclpy.utilities import get_rmw_implementation_identifier

from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.running.interfaces import address_of

#: In place of a network: whatever ROS 2's environment says, as for every other node.
ENVIRONMENT = 'environment'

#: Fast DDS as it is in ROS 2 Jazzy reads the first; later ones read the second, and warn of the
#: first. What tells one from the other is a class that rclpy has had since then.
FAST_DDS_PROFILES = ('FASTRTPS_DEFAULT_PROFILES_FILE', 'FASTDDS_DEFAULT_PROFILES_FILE')
PROFILES_HERE = FAST_DDS_PROFILES[hasattr(subscription, 'MessageInfo')]
CYCLONE_DDS = 'CYCLONEDDS_URI'

#: Variables by which somebody tells ROS 2 itself whom to reach.
OF_ROS = ('ROS_AUTOMATIC_DISCOVERY_RANGE', 'ROS_LOCALHOST_ONLY', 'ROS_STATIC_PEERS')

#: Other machines that are to be spoken to, beyond those that the network itself shows: these go
#: well with a network that was named.
BESIDE_A_NETWORK = {'ROS_STATIC_PEERS': None, 'ROS_AUTOMATIC_DISCOVERY_RANGE': 'SUBNET'}

#: Values with which a variable says nothing.
SILENT = {'ROS_LOCALHOST_ONLY': '0', 'ROS_AUTOMATIC_DISCOVERY_RANGE': 'SYSTEM_DEFAULT'}

#: Cyclone DDS takes its configuration as text as well. Its sockets are open to all addresses even
#: so, but it neither looks for other machines nor answers them.
CYCLONE_THIS_MACHINE = (
    '<CycloneDDS><Domain><General><AllowMulticast>false</AllowMulticast><Interfaces>'
    '<NetworkInterface address="127.0.0.1"/></Interfaces></General><Discovery>'
    '<ParticipantIndex>auto</ParticipantIndex><MaxAutoParticipantIndex>32</MaxAutoParticipantIndex>'
    '<Peers><Peer address="127.0.0.1"/></Peers></Discovery></Domain></CycloneDDS>'
)
CYCLONE_NETWORK = (
    '<CycloneDDS><Domain><General><Interfaces><NetworkInterface address="{address}"/></Interfaces>'
    '</General></Domain></CycloneDDS>'
)

#: The processes of this machine go on hearing each other when the network is gone.
FAST_DDS_NETWORK = """<?xml version="1.0" encoding="UTF-8"?>
<dds xmlns="http://www.eprosima.com"><profiles>
  <transport_descriptors><transport_descriptor>
    <transport_id>network</transport_id>
    <type>UDPv4</type>
    <interfaceWhiteList>
      <address>127.0.0.1</address>
      <address>{address}</address>
    </interfaceWhiteList>
  </transport_descriptor></transport_descriptors>
  <participant profile_name="network" is_default_profile="true"><rtps>
    <userTransports><transport_id>network</transport_id></userTransports>
    <useBuiltinTransports>false</useBuiltinTransports>
  </rtps></participant>
</profiles></dds>
"""


@contextmanager
def reaching(
    network: str | None, this_machine: Path, tell: Callable[[str], None]
) -> Iterator[None]:
    """Have every node that is made meanwhile, here or by a child process, reach what is meant.

    Parameters
    ----------
    network
        Address or interface of this machine, which is waited for; `ENVIRONMENT` for what the
        environment says; None for this machine alone, unless the environment says otherwise.
    this_machine
        Profile of Fast DDS for this machine alone.
    tell
        Takes what a person has to know.

    Raises
    ------
    CommandError
        The network cannot be one, the environment contradicts it, or the middleware cannot be
        told.

    """
    middleware = get_rmw_implementation_identifier()
    chosen = _chosen(middleware, this_machine)
    if network == ENVIRONMENT:
        yield
        return
    if network is None and chosen:
        tell(f'Whom ROS 2 reaches was chosen by {_in_words(chosen)}; it is left so.')
        yield
        return
    contrary = {
        name: value
        for name, value in chosen.items()
        if name not in BESIDE_A_NETWORK or BESIDE_A_NETWORK[name] not in {None, value}
    }
    if contrary:
        raise CommandError(
            f'{_in_words(contrary)} says whom ROS 2 reaches: unset it to have the network '
            f'{network}, or go by it with --network {ENVIRONMENT}'
        )
    with tempfile.TemporaryDirectory(prefix='leg_kinematics-network-') as folder:
        address = None if network is None else address_of(network, tell)
        with _environment(_settings(middleware, address, this_machine, Path(folder))):
            yield


def _chosen(middleware: str, this_machine: Path) -> dict[str, str]:
    """Return what somebody else has set, by name; our own settings are nobody else's."""
    names = list(OF_ROS)
    if middleware.startswith('rmw_fastrtps'):
        names += ['ROS_DISCOVERY_SERVER', *FAST_DDS_PROFILES]
    elif middleware == 'rmw_cyclonedds_cpp':
        names.append(CYCLONE_DDS)
    ours = {str(this_machine), CYCLONE_THIS_MACHINE}
    values = {name: os.environ.get(name, '') for name in names}
    return {
        name: value
        for name, value in values.items()
        if value and value not in ours and SILENT.get(name) != value
    }


def _in_words(variables: Mapping[str, str]) -> str:
    return ' and '.join(f'{name}={value}' for name, value in variables.items())


def _settings(
    middleware: str, address: str | None, this_machine: Path, folder: Path
) -> dict[str, str]:
    """Return the environment with which the middleware keeps to an address or to this machine."""
    if middleware == 'rmw_cyclonedds_cpp':
        text = CYCLONE_NETWORK.format(address=address) if address else CYCLONE_THIS_MACHINE
        return {CYCLONE_DDS: text}
    if not middleware.startswith('rmw_fastrtps'):
        raise CommandError(
            f'{middleware} cannot be kept to {address or "this machine"} from here, only Fast DDS '
            f'and Cyclone DDS can: choose one of them by RMW_IMPLEMENTATION, or go by what '
            f'{middleware} itself is set to with --network {ENVIRONMENT}'
        )
    profile = this_machine
    if address:
        profile = folder / 'network.xml'
        profile.write_text(FAST_DDS_NETWORK.format(address=address), encoding='utf-8')
    # A file of profiles that happens to lie in the working folder would be read as well.
    return {PROFILES_HERE: str(profile), 'SKIP_DEFAULT_XML_FILE': '1'}


@contextmanager
def _environment(settings: Mapping[str, str]) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in settings}
    os.environ.update(settings)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
