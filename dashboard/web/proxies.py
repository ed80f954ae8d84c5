"""Who asks, where another server hands requests on: what it says is believed if it is one of those that a setting names."""

from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import TYPE_CHECKING, Any

from ingest.environment import PROXY
from ingest.errors import Problem

if TYPE_CHECKING:
    from wsgiref.types import WSGIApplication

_SAID_BY_PROXIES = ("FOR", "PROTO", "HOST", "PORT", "PREFIX", "BY", "SERVER")


def networks(text: str) -> list[IPv4Network | IPv6Network]:
    """Addresses and networks, by commas. Raises Problem."""
    try:
        return [ip_network(one.strip()) for one in text.split(",") if one.strip()]
    except ValueError:
        raise Problem(
            f"{PROXY.name} is {text!r}; write addresses or networks, such as 127.0.0.1,192.0.2.0/28"
        ) from None


def behind(application: "WSGIApplication", named: Iterable[IPv4Network | IPv6Network]) -> "WSGIApplication":
    """The application, told who asks: by the headers of the `named` servers; of all others, and where none are named, they are
    struck out."""
    trusted = list(named)

    def is_named(address: str) -> bool:
        found = _address(address)
        return found is not None and any(found in network for network in trusted if network.version == found.version)

    def answer(environment: Any, start: Any) -> Iterable[bytes]:
        said = {name: environment.pop(f"HTTP_X_FORWARDED_{name}", "") for name in _SAID_BY_PROXIES}
        environment.pop("HTTP_FORWARDED", None)
        if is_named(environment.get("REMOTE_ADDR", "")):
            # The nearest server wrote the last one; what a client made up stands before what they wrote.
            for hop in reversed(said["FOR"].split(",")):
                client = _address(hop.strip())
                if client is None:
                    break
                environment["REMOTE_ADDR"] = str(client)
                if not is_named(str(client)):
                    break
            if said["PROTO"] in ("http", "https"):
                environment["wsgi.url_scheme"] = said["PROTO"]
        return application(environment, start)

    return answer


def _address(text: str) -> IPv4Address | IPv6Address | None:
    try:
        found = ip_address(text)
    except ValueError:
        return None
    mapped = found.ipv4_mapped if isinstance(found, IPv6Address) else None
    return mapped or found
