"""The compose file's services as processes of this machine: the same commands in the same order with the same settings.

What a container has of its own is put in its place: hosts become ports of this machine, mounted folders folders of the test, and the
database's image a server of the tests.
"""

import os
import shutil
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as mqtt
import pytest
import yaml
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import create_engine, func, select, text

from ingest import broker, database, schema
from ingest.messages import topic
from simulators.fleet import write_registry
from simulators.scenario import load
from tests.conftest import SEARCH, free_port, program, wait_until
from tests.helpers.broker import EXAMPLE, Authority
from tests.helpers.messages import level
from tests.helpers.vehicles import END_H

FOLDER: Final = EXAMPLE.parent
HEALTHY_S: Final = 120.0
IN_PLACE: Final = {
    "tallow": [sys.executable, "-m", "dashboard"],
    "dask": [sys.executable, "-m", "dask"],
}


class Compose:
    """The services of the file, started here."""

    def __init__(self, folder: Path, postgresql: str) -> None:
        self.folder, self.running = folder, dict[str, subprocess.Popen[bytes]]()
        self.mqtt, dask = free_port(), free_port()
        self.authority = Authority(folder / "ca", "operator")
        self._fill_broker(folder / "broker")
        certificates = folder / "certificates"
        certificates.mkdir()
        shutil.copy(self.authority.ca, certificates / "ca.pem")
        for name in ("ingest-1", "ingest-2"):
            for made, end in zip(self.authority.issue(f"tallow-{name}"), ("pem", "key"), strict=True):
                shutil.copy(made, certificates / f"{name}.{end}")
        (folder / "data").mkdir()
        plugin = next(Path("/usr/lib").rglob("mosquitto_dynamic_security.so")).parent
        at = postgresql.removeprefix("postgresql://tallow@").removesuffix("/postgres")
        self.address = f"postgresql://tallow:secret@{at}/tallow"
        self._here = {
            "@database/": f"@{at}/", "broker:8883": f"localhost:{self.mqtt}", "tcp://dask-scheduler:8786": f"tcp://127.0.0.1:{dask}",
            "8786": str(dask), "/run/tallow": str(certificates), "/etc/mosquitto/tallow": str(folder / "broker"),
            "/mosquitto/data/": f"{folder}/data/", ":/usr/lib/:": f":{plugin}/:", "/tmp/m.conf": f"{folder}/m.conf", "0.0.0.0": "127.0.0.1",
        }  # fmt: skip
        host, port = at.split(":")
        self._ready = ["--host", host, "--port", port]
        settings = {"POSTGRES_PASSWORD": "secret", "TALLOW_SITE": "https://tallow.example", "TALLOW_PROXY": "127.0.0.1"}
        source = (FOLDER / "compose.yaml").read_text()
        for name, value in settings.items():
            source = source.replace(f"${{{name}}}", value)
        self.services: dict[str, dict[str, Any]] = yaml.safe_load(source)["services"]
        self._ports = {name: str(free_port()) for name in self.services}

    def _fill_broker(self, folder: Path) -> None:
        """What the operator puts into the folder that is mounted."""
        folder.mkdir()
        conf = EXAMPLE.read_text("utf-8").replace("listener 8883", f"listener {self.mqtt} 127.0.0.1")
        conf = conf.replace("/etc/mosquitto/tallow", str(folder)) + ("user root\n" if os.geteuid() == 0 else "")
        (folder / "mosquitto.conf").write_text(conf)
        server = self.authority.issue("localhost")
        for made, name in ((self.authority.ca, "ca.pem"), (server[0], "server.pem"), (server[1], "server.key"),
                           (self.authority.revoked(), "crl.pem")):  # fmt: skip
            shutil.copy(made, folder / name)
        rules = folder / "rules.json"
        rules.write_text(broker.access_rules([("f", "v1")], ["tallow-ingest-1", "tallow-ingest-2"]))
        rules.chmod(0o600)

    def _words(self, service: str, words: list[str]) -> list[str]:
        """A command's words as they are here."""
        own = {"9100": self._ports[service], "8050": self._ports[service]}
        for there, here in {**self._here, **own}.items():
            words = [word.replace(there, here) for word in words]
        return [*IN_PLACE.get(words[0], words[:1]), *words[1:]]

    def _environment(self, service: str) -> dict[str, str]:
        asked = {
            name: self._words(service, [value])[0]
            for name, value in self.services[service].get("environment", {}).items()
        }
        return os.environ | {"PATH": os.pathsep.join(SEARCH)} | asked

    def command(self, service: str, *instead: str) -> list[str]:
        """What its container runs; the image of the program begins with `tallow`, as its Dockerfile says."""
        one = self.services[service]
        begin = one.get("entrypoint", ["tallow"] if one["image"] == "tallow" else [])
        return self._words(service, [*begin, *(instead or one.get("command", []))])

    def run(self, service: str, *instead: str, **more: str) -> None:
        """As `docker compose run --rm`."""
        environment = self._environment(service) | more
        subprocess.run(self.command(service, *instead), env=environment, check=True, capture_output=True, timeout=120)

    def is_healthy(self, service: str) -> bool:
        """Whether what asks the container finds it well."""
        words = self._words(service, self.services[service]["healthcheck"]["test"][1:])
        if words[0] == "pg_isready":
            words = [program("pg_isready"), *words[1:], *self._ready]
        return subprocess.run(words, env=self._environment(service), capture_output=True).returncode == 0

    def start(self) -> None:
        """Each once those that it waits for are as it asks."""
        left = list(self.services)
        while left:
            name = next(one for one in left if not set(self.services[one].get("depends_on", ())) & set(left))
            waits = self.services[name].get("depends_on", {})
            for other in waits if isinstance(waits, dict) else ():
                if waits[other]["condition"] == "service_healthy":
                    wait_until(lambda: self.is_healthy(other), HEALTHY_S)  # noqa: B023
            if name != "database":  # a server of the tests
                log = (self.folder / f"{name}.log").open("wb")
                self.running[name] = subprocess.Popen(
                    self.command(name), env=self._environment(name), stdout=log, stderr=log
                )
                log.close()
            left.remove(name)

    def stop(self) -> dict[str, float]:
        """End all in the opposite order; the seconds that each took."""
        took = {}
        for name, process in reversed(self.running.items()):
            began = time.monotonic()
            process.terminate()
            process.wait(60)  # stop_grace_period
            took[name] = time.monotonic() - began
        return took

    def said(self, name: str) -> str:
        """What a service wrote."""
        return (self.folder / f"{name}.log").read_text("utf-8", "replace")


@pytest.fixture
def compose(tmp_path: Path, postgres_server: str) -> Iterator[Compose]:
    """The services, ready to be started; gone afterwards."""
    program("mosquitto")
    admin = create_engine(postgres_server.replace("://", "+psycopg://"), isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.execute(text("CREATE DATABASE tallow"))
    made = Compose(tmp_path, postgres_server)
    yield made
    for process in made.running.values():
        if process.poll() is None:
            process.kill()
            process.wait(10)
    with admin.connect() as connection:
        connection.execute(text("DROP DATABASE tallow WITH (FORCE)"))
    admin.dispose()


@pytest.mark.long
def test_all_services_come_up_in_their_order_and_a_message_reaches_the_results(
    compose: Compose, tmp_path: Path
) -> None:
    """As the file's head says: start, add a person, register; a vehicle speaks, and is analysed by the cluster."""
    compose.start()
    password = tmp_path / "password"
    password.write_text("a long and lasting phrase of seven words\n")
    compose.run("dashboard-1", "person", "add", "lead", "--role", "lead", TALLOW_PERSON_PASSWORD_FILE=str(password))
    story = load("demo")
    registry = tmp_path / "registry"
    registry.mkdir()
    machines = (replace(story.machines[0], vehicle="v1"),)
    write_registry(replace(story, fleet="f", machines=machines), END_H, registry)
    compose.run("dashboard-1", "register", str(registry))
    for name, one in compose.services.items():
        if "healthcheck" in one:
            wait_until(lambda: compose.is_healthy(name), HEALTHY_S)  # noqa: B023
    assert {name: process.poll() for name, process in compose.running.items()} == dict.fromkeys(compose.running)

    publish(compose, range(200))
    engine = database.connect(compose.address)
    vehicle, analysis = schema.vehicle, schema.analysis

    def recorded() -> dict[str, int]:
        with engine.connect() as connection:
            table = schema.recorder_stats
            return dict(connection.execute(select(table.c.recorder, table.c.recorded)).all())

    def analysed() -> bool:
        with engine.connect() as connection:
            seen = select(analysis.c.vehicle_id).join(vehicle, vehicle.c.id == analysis.c.vehicle_id)
            return connection.execute(seen.where(analysis.c.revision == vehicle.c.revision)).first() is not None

    wait_until(lambda: sum(recorded().values()) == 200, 60)
    assert set(recorded()) == {"tallow-ingest-1", "tallow-ingest-2"}
    wait_until(analysed, HEALTHY_S)
    with engine.connect() as connection:
        assert connection.scalar(select(func.count()).select_from(schema.quarantine)) == 0
    engine.dispose()
    assert "Receive client connection" in compose.said("dask-scheduler")  # that of watch: the cluster analysed
    assert max(compose.stop().values()) < 60


def publish(compose: Compose, numbers: range) -> None:
    """Messages of the vehicle, which shows its certificate."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="f.v1", protocol=mqtt.MQTTv5)
    context = ssl.create_default_context(cafile=str(compose.authority.ca))
    context.load_cert_chain(*compose.authority.issue("f.v1"))
    client.tls_set_context(context)
    client.connect("localhost", compose.mqtt)
    client.loop_start()
    for n in numbers:
        sent = client.publish(topic("f", "v1", "level"), level(n).payload, qos=1)
    sent.wait_for_publish(20)
    client.disconnect()
    client.loop_stop()
