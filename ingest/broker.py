"""The broker: its address, a client for it, and who may publish and read what."""

import os
import ssl
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import unquote, urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from ingest.errors import Problem
from ingest.messages import ALERT_ROOT, ROOT, SUBSCRIPTION

INGESTER: Final = "tallow-ingest"
ALERTER: Final = "tallow-alert"


def access_rules(names: Iterable[tuple[str, str]]) -> str:
    """A Mosquitto access list: ingesters read everything and write nothing, a vehicle writes below its own topic only, and who
    publishes alerts writes those only.

    A vehicle's account is FLEET.VEHICLE; a dot occurs in neither name.
    """
    rules = [f"user {INGESTER}\ntopic read {SUBSCRIPTION}\n", f"user {ALERTER}\ntopic write {ALERT_ROOT}/#\n"]
    rules += [f"user {fleet}.{vehicle}\ntopic write {ROOT}/{fleet}/{vehicle}/+\n" for fleet, vehicle in sorted(names)]
    return "\n".join(rules)


DEFAULT_BROKER: Final = "mqtt://localhost:1883"


SESSION_S: Final = 30 * 86_400  # the broker keeps what comes for so long while nobody listens


@dataclass(frozen=True)
class Broker:
    """Where the broker is and how to get in."""

    host: str
    port: int
    tls: bool
    user: str | None = None
    password: str | None = None
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None

    @property
    def shown(self) -> str:
        """The address as it may be printed: without user and password."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


def broker_of(address: str, environment: "os._Environ[str] | dict[str, str]") -> Broker:
    """Read `mqtt://[user:password@]host[:port]` or `mqtts://…`. Raises Problem.

    Certificates are named by TALLOW_CA_FILE, TALLOW_CERT_FILE and TALLOW_KEY_FILE; a password may stand in the file
    that TALLOW_PASSWORD_FILE names.
    """
    form = "write mqtt://[user:password@]host[:port] or mqtts://…"
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        raise Problem(f"broker address is not readable; {form}") from None
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or parts.path.strip("/") or port == 0:
        raise Problem(f"broker address is not readable; {form}")
    tls = parts.scheme == "mqtts"
    files = {name: environment.get(f"TALLOW_{name.upper()}") for name in ("ca_file", "cert_file", "key_file")}
    for name, path in files.items():
        if path and not os.access(path, os.R_OK):
            raise Problem(f"TALLOW_{name.upper()} names {path}, which cannot be read")
    password = unquote(parts.password) if parts.password is not None else None
    if environment.get("TALLOW_PASSWORD_FILE"):
        path = environment["TALLOW_PASSWORD_FILE"]
        try:
            with open(path, encoding="utf-8") as file:  # noqa: PTH123
                password = file.read().strip()
        except (OSError, UnicodeDecodeError):
            raise Problem(f"TALLOW_PASSWORD_FILE names {path}, which cannot be read") from None
    user = unquote(parts.username) if parts.username else None
    return Broker(parts.hostname, port or (8883 if tls else 1883), tls, user, password, **files)


def make_client(broker: Broker, client_id: str, version: MQTTProtocolVersion, **options: Any) -> mqtt.Client:
    """A client with the broker's credentials and certificates. Raises Problem for certificates that cannot be used."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=version, **options)
    if broker.user is not None:
        client.username_pw_set(broker.user, broker.password)
    if broker.tls:
        try:
            context = ssl.create_default_context(cafile=broker.ca_file)
            if broker.cert_file:
                context.load_cert_chain(broker.cert_file, broker.key_file)
        except (OSError, ssl.SSLError) as error:
            raise Problem(f"certificate for {broker.shown} cannot be used: {error}") from None
        client.tls_set_context(context)
    return client
