"""Where alerts must not go: to this machine or its link, unless a setting allows that. Whoever may add a route could else reach what only
this machine can. And how to reach an address that was looked at, so that a second look-up leads nowhere else."""

import ipaddress
from collections.abc import Iterable
from typing import Any

from ingest.environment import ALERT_LOCAL
from ingest.errors import Problem

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def meant(address: str) -> Address:
    """An address as a look-up gives it; an IPv4 address that is written as an IPv6 one (RFC 4291, 2.5.5.2) is what it stands for."""
    one = ipaddress.ip_address(address.partition("%")[0])
    return getattr(one, "ipv4_mapped", None) or one


def check_elsewhere(host: str, addresses: Iterable[str]) -> None:
    """Raises Problem for a server on this machine or this link."""
    for one in map(meant, addresses):
        if one.is_loopback or one.is_link_local or one.is_unspecified:
            raise Problem(f"{host} is this machine or its link; allow that with {ALERT_LOCAL.name}=yes")


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
