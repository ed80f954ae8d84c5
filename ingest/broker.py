"""The broker: its address, a client for it, and who may publish and read what."""

import json
import os
import ssl
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import unquote, urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from ingest.environment import CA_FILE, CERT_FILE, KEY_FILE, PASSWORD_FILE
from ingest.errors import Problem
from ingest.messages import ALERT_ROOT, ROOT, SHARE, SUBSCRIPTION

INGESTER: Final = "tallow-ingest"
ALERTER: Final = "tallow-alert"


def access_rules(
    vehicles: Iterable[tuple[str, str]], ingesters: Iterable[str] = (INGESTER,), alerters: Iterable[str] = (ALERTER,),
    share: str = SHARE,
) -> str:  # fmt: skip
    """Who may do what, for Mosquitto's own dynamic security plugin, as JSON: ingesters read everything, shared or not, and write
    nothing; a vehicle writes below its own topic only and subscribes to nothing; who publishes alerts writes those only.

    An access file cannot say so: it lets everybody subscribe, and a vehicle in the ingesters' shared subscription would be
    handed its part of everybody's messages, which nobody then gets. A vehicle's account is FLEET.VEHICLE; a dot occurs in
    neither name.
    """
    reading = [_allow("subscribeLiteral", SUBSCRIPTION), _allow("subscribeLiteral", f"$share/{share}/{SUBSCRIPTION}"),
               _allow("publishClientReceive", SUBSCRIPTION)]  # fmt: skip
    rights = dict.fromkeys(sorted(ingesters), reading)
    rights |= {name: [_allow("publishClientSend", f"{ALERT_ROOT}/#")] for name in sorted(alerters)}
    rights |= {
        f"{fleet}.{vehicle}": [_allow("publishClientSend", f"{ROOT}/{fleet}/{vehicle}/+")]
        for fleet, vehicle in sorted(vehicles)
    }
    rules = {
        "defaultACLAccess": {
            "publishClientSend": False, "publishClientReceive": False, "subscribe": False, "unsubscribe": True
        },
        "clients": [{"username": name, "roles": [{"rolename": name}]} for name in rights],
        "groups": [],
        "roles": [{"rolename": name, "acls": acls} for name, acls in rights.items()],
    }  # fmt: skip
    return json.dumps(rules, indent=1) + "\n"


def _allow(what: str, where: str) -> dict[str, object]:
    return {"acltype": what, "topic": where, "allow": True}


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


def broker_of(address: str, files: Mapping[str, str]) -> Broker:
    """Read `mqtt://[user:password@]host[:port]` or `mqtts://…`. Raises Problem.

    Files with certificates and the password are named by settings (`environment.broker_files`).
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
    ca_file, cert_file, key_file = certificates = [files.get(one.name) for one in (CA_FILE, CERT_FILE, KEY_FILE)]
    for setting, path in zip((CA_FILE, CERT_FILE, KEY_FILE), certificates, strict=True):
        if path and not os.access(path, os.R_OK):
            raise Problem(f"{setting.name} names {path}, which cannot be read")
    password = unquote(parts.password) if parts.password is not None else None
    if path := files.get(PASSWORD_FILE.name):
        try:
            with open(path, encoding="utf-8") as file:  # noqa: PTH123
                password = file.read().strip()
        except (OSError, UnicodeDecodeError):
            raise Problem(f"{PASSWORD_FILE.name} names {path}, which cannot be read") from None
    user = unquote(parts.username) if parts.username else None
    return Broker(parts.hostname, port or (8883 if tls else 1883), tls, user, password, ca_file, cert_file, key_file)


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
