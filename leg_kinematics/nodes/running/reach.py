# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Who can reach the nodes of this process: seen by its sockets, whatever was set and by whom."""

import os
import socket
import struct
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address
from pathlib import Path

from rclpy.node import Node
from rclpy.utilities import get_rmw_implementation_identifier

from leg_kinematics.nodes.running.interfaces import interfaces
from leg_kinematics.nodes.running.network import CYCLONE_DDS, CYCLONE_THIS_MACHINE

TCP_LISTENS = '0A'

#: What a stranger can do without DDS security.
OPEN = 'without a key anybody there can hear it, move it, release it and rearm it'


@dataclass(frozen=True)
class Reach:
    """Who can reach the nodes of a process.

    Attributes
    ----------
    networks
        Interfaces of this machine, with their addresses, on which others find it.
    domain
        The ROS domain, which others must be in; no secret.
    secured
        Whether DDS security is enforced.
    connected
        Whether this machine is on any network.

    """

    networks: tuple[str, ...]
    domain: int
    secured: bool
    connected: bool = True

    @property
    def open(self) -> bool:
        """Whether strangers on a network can drive the robot."""
        return bool(self.networks) and not self.secured

    def __str__(self) -> str:
        """Say it for people."""
        if not self.networks:
            words = f'programs of this machine alone, in ROS domain {self.domain}'
            if not self.connected:
                words += '; it is on no network, and from one that comes later it is not found'
            return words
        who = f'other machines by {", ".join(self.networks)}, in ROS domain {self.domain}'
        return f'{who}, with keys of DDS security' if self.secured else f'{who}; {OPEN}'


def reach_of_this_process(domain: int) -> Reach:
    """Look at the sockets that are open by now.

    Parameters
    ----------
    domain
        The ROS domain of the nodes.

    """
    there = interfaces()
    bound = _bound_addresses()
    kept = os.environ.get(CYCLONE_DDS) == CYCLONE_THIS_MACHINE
    if kept and get_rmw_implementation_identifier() == 'rmw_cyclonedds_cpp':
        bound = set()
    everywhere = any(each.is_unspecified or each.is_multicast for each in bound)
    return Reach(
        tuple(
            str(each)
            for each in there
            if each.address and (everywhere or IPv4Address(each.address) in bound)
        ),
        domain,
        secured=os.environ.get('ROS_SECURITY_ENABLE') == 'true'
        and os.environ.get('ROS_SECURITY_STRATEGY') == 'Enforce',
        connected=not everywhere or any(each.address and each.running for each in there),
    )


def tell_reach(node: Node) -> Reach:
    """Log who can reach a node, as a warning where anybody on a network can."""
    reach = reach_of_this_process(node.context.get_domain_id())
    # Each severity from a line of its own: rclpy ties a severity to the calling line.
    if reach.open:
        node.get_logger().warning(
            f'who can reach this robot: {reach}. In config/security/README.md is how to close it'
        )
    else:
        node.get_logger().info(f'who can reach this robot: {reach}')
    return reach


def _bound_addresses() -> set[IPv4Address | IPv6Address]:
    """Return the addresses at which this process can be spoken to."""
    own = set()
    for descriptor in Path('/proc/self/fd').iterdir():
        # It may be closed since it was listed, such as that of the listing itself.
        with suppress(OSError):
            target = str(descriptor.readlink())
            if target.startswith('socket:['):
                own.add(target[len('socket:[') : -1])
    found: set[IPv4Address | IPv6Address] = set()
    for kind in ('udp', 'udp6', 'tcp', 'tcp6'):
        table = Path('/proc/self/net', kind)
        if not table.exists():
            continue
        for line in table.read_text(encoding='ascii').splitlines()[1:]:
            fields = line.split()
            if fields[9] in own and (kind.startswith('udp') or fields[3] == TCP_LISTENS):
                address = _address(fields[1].partition(':')[0])
                if not address.is_loopback:
                    found.add(address)
    return found


def _address(digits: str) -> IPv4Address | IPv6Address:
    """Read an address as the kernel prints it: words of 32 bits in the order of the machine."""
    words = [int(digits[i : i + 8], 16) for i in range(0, len(digits), 8)]
    packed = struct.pack(f'={len(words)}I', *words)
    if len(words) == 1:
        return IPv4Address(socket.inet_ntoa(packed))
    return IPv6Address(packed)
