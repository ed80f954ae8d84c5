"""Where alerts must not go: to this machine or its link, unless a setting allows that. Whoever may add a route could else reach what only
this machine can. And how to reach an address that was looked at, so that a second look-up leads nowhere else."""

import ipaddress
import socket
import sys
from collections.abc import Iterable
from typing import Any, Final

from ingest.environment import ALERT_LOCAL
from ingest.errors import Problem

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


# RFC 4291, 2.5.5.1, and RFC 6052, 2.1: the last 32 bits of these are an IPv4 address.
_OF_IPV4: Final = ipaddress.ip_network("::/96"), ipaddress.ip_network("64:ff9b::/96")


def meant(address: str) -> Address:
    """An address as a look-up gives it; an IPv4 address that is written as an IPv6 one, also as RFC 3056 does, is what it stands for."""
    one = ipaddress.ip_address(address.partition("%")[0])
    if not isinstance(one, ipaddress.IPv6Address) or one.is_loopback or one.is_unspecified:
        return one
    if any(one in network for network in _OF_IPV4):
        return ipaddress.IPv4Address(int(one) & 0xFFFFFFFF)
    return one.ipv4_mapped or one.sixtofour or one


def check_elsewhere(host: str, addresses: Iterable[str]) -> None:
    """Raises Problem for a server on this machine or this link."""
    for one in map(meant, addresses):
        if one.is_loopback or one.is_link_local or one.is_unspecified or _is_own(one):
            raise Problem(f"{host} is this machine or its link; allow that with {ALERT_LOCAL.name}=yes")


def _is_own(address: Address) -> bool:
    """Whether this machine would reach itself there, since it would speak from that very address; nothing is sent."""
    with socket.socket(socket.AF_INET if address.version == 4 else socket.AF_INET6, socket.SOCK_DGRAM) as one:
        try:
            one.connect((str(address), 9))
        except OSError:  # no way leads there
            return False
        return meant(str(one.getsockname()[0])) == address


def stay_elsewhere() -> list[Problem]:
    """From now on this process connects to no server on this machine or its link, whatever a library looks up once more: the address is
    looked at where it is connected to. Gives where what was refused is noted. Cannot be taken back."""
    refused = list[Problem]()

    def look(event: str, about: tuple[Any, ...]) -> None:
        if event != "socket.connect" or about[0].type != socket.SOCK_STREAM or not isinstance(about[1], tuple):
            return
        host = str(about[1][0])
        # A library's pair of sockets, by which its threads wake each other, waits for nothing; who asks a server does.
        if host != "127.0.0.1" or about[0].gettimeout() != 0:
            try:
                check_elsewhere(host, [str(info[4][0]) for info in socket.getaddrinfo(host, None)])
            except Problem as problem:
                refused.append(problem)
                raise

    sys.addaudithook(look)
    return refused


def pool(address: str, port: int, host: str, wait_s: float, ca_file: str = "", *, secure: bool = True) -> Any:
    """Connects to an address; who is there shows a certificate of the host's, by the system's authorities and those of a file."""
    import urllib3  # here, since it takes long to load

    if not secure:
        return urllib3.HTTPConnectionPool(address, port, timeout=wait_s, retries=False)
    import ssl

    context = ssl.create_default_context()
    if ca_file:
        context.load_verify_locations(ca_file)
    return urllib3.HTTPSConnectionPool(
        address, port, timeout=wait_s, retries=False, ssl_context=context, server_hostname=host, assert_hostname=host
    )
