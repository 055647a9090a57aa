# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The network interfaces of this machine, and waiting until one of them is up.

Linux only, by the calls that netdevice(7) and rtnetlink(7) describe: files under `/sys` may belong
to another network namespace. Nothing here needs ROS.
"""

import fcntl
import socket
import struct
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import AddressValueError, IPv4Address

from leg_kinematics.errors import CommandError

# From <linux/sockios.h>, <linux/if.h> and <linux/rtnetlink.h>.
SIOCGIFFLAGS = 0x8913
SIOCGIFADDR = 0x8915
IFF_RUNNING = 0x40
RTMGRP_LINK = 0x1
RTMGRP_IPV4_IFADDR = 0x10

#: Longest name of an interface (IFNAMSIZ without its final zero).
LONGEST_NAME = 15


@dataclass(frozen=True)
class Interface:
    """A network interface.

    Attributes
    ----------
    name
        Such as `wlan0`.
    address
        Its first IPv4 address; empty where it has none.
    running
        Whether it has its link: the cable is in, the radio is connected.

    """

    name: str
    address: str
    running: bool

    @property
    def loopback(self) -> bool:
        """Whether it leads nowhere but to this machine."""
        return bool(self.address) and IPv4Address(self.address).is_loopback

    def __str__(self) -> str:
        """Say it for people."""
        link = '' if self.running else ', no link'
        return f'{self.name} ({self.address or "no IPv4 address"}{link})'


def interfaces() -> tuple[Interface, ...]:
    """List the interfaces of this machine, but for the loopback."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        for _, name in socket.if_nameindex():
            request = struct.pack('16s240x', name.encode())
            address, flags = '', 0
            # It has no address, or is gone since it was listed.
            with suppress(OSError):
                answer = fcntl.ioctl(any_socket, SIOCGIFADDR, request)
                address = socket.inet_ntoa(answer[20:24])
            with suppress(OSError):
                (flags,) = struct.unpack_from(
                    'H', fcntl.ioctl(any_socket, SIOCGIFFLAGS, request), 16
                )
            found.append(Interface(name, address, bool(flags & IFF_RUNNING)))
    return tuple(each for each in found if not each.loopback)


def address_of(network: str, tell: Callable[[str], None]) -> str:
    """Return the IPv4 address of a network that a person named, and wait until it is up.

    A node that starts before is never found from there.

    Parameters
    ----------
    network
        Address of this machine, or name of an interface.
    tell
        Takes what is waited for.

    Raises
    ------
    CommandError
        It can be neither.

    """
    named = _checked(network)
    told = ''
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, socket.NETLINK_ROUTE) as changes:
        changes.bind((0, RTMGRP_LINK | RTMGRP_IPV4_IFADDR))
        while True:
            there = interfaces()
            for each in there:
                if named in {each.name, each.address} and each.address and each.running:
                    return each.address
            others = ', '.join(map(str, there)) or 'none'
            words = f'waiting for the network {network} to be up; this machine has: {others}'
            if words != told:
                tell(words)
                told = words
            changes.recv(65536)


def _checked(network: str) -> str:
    """Return what was named if it can be an address of this machine or an interface."""
    expected = 'expected an IPv4 address of this machine or the name of an interface, such as wlan0'
    try:
        address = IPv4Address(network)
    except AddressValueError:
        letters = network.isascii() and network.isprintable() and not set(network) & set(' /:')
        if not letters or not 0 < len(network) <= LONGEST_NAME:
            raise CommandError(f'{network!r} is no network: {expected}') from None
        if network == 'lo':
            raise CommandError('lo is this machine, which is meant without the option') from None
        return network
    if address.is_loopback:
        raise CommandError(f'{network} is this machine, which is meant without the option')
    if address.is_unspecified or address.is_multicast or address == IPv4Address('255.255.255.255'):
        raise CommandError(f'{network} is no address of an interface: {expected}')
    return str(address)
