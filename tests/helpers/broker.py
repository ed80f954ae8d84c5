"""A broker that was set up by the shipped example, with certificates of an authority of the test's own."""

import os
import ssl
import subprocess
from collections.abc import Collection
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest import broker
from tests.conftest import free_port, program, wait_for_port

EXAMPLE = Path(broker.__file__).with_name("deploy") / "mosquitto.conf"


class Authority:
    """A certificate authority in a folder."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder, self.openssl = folder, program("openssl")
        folder.mkdir()
        self.ca = folder / "ca.pem"
        self._run("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}",
                  "-keyout", str(folder / "ca.key"), "-out", str(self.ca))  # fmt: skip

    def _run(self, *arguments: str) -> None:
        subprocess.run([self.openssl, *arguments], check=True, capture_output=True)

    def revoke(self, certificate: str) -> None:
        """Put a certificate on the list of those that are no longer good."""
        self._run("ca", "-config", str(self._database()), "-revoke", certificate)
        self.revoked()

    def revoked(self) -> Path:
        """The list, as the broker reads it."""
        path = self.folder / "crl.pem"
        self._run("ca", "-config", str(self._database()), "-gencrl", "-out", str(path))
        return path

    def _database(self) -> Path:
        path, index = self.folder / "ca.cnf", self.folder / "index.txt"
        if not index.exists():
            index.touch()
            (self.folder / "crlnumber").write_text("01\n")
            path.write_text(
                f"[ca]\ndefault_ca=own\n[own]\ndatabase={index}\ncrlnumber={self.folder}/crlnumber\ncertificate={self.ca}\n"
                f"private_key={self.folder}/ca.key\ndefault_md=sha256\ndefault_crl_days=2\n"
            )
        return path

    def issue(self, name: str) -> tuple[str, str]:
        """(certificate, key) for somebody."""
        key, request, certificate = (self.folder / f"{name}.{end}" for end in ("key", "csr", "pem"))
        self._run(
            "req", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}", "-keyout", str(key), "-out", str(request)
        )
        names = self.folder / f"{name}.ext"
        names.write_text("subjectAltName=DNS:localhost\n")
        self._run("x509", "-req", "-in", str(request), "-CA", str(self.ca), "-CAkey", str(self.folder / "ca.key"),
                  "-CAcreateserial", "-days", "2", "-extfile", str(names), "-out", str(certificate))  # fmt: skip
        return str(certificate), str(key)


class Fleet:
    """The example broker on a free port, which knows these ingesters and the vehicles v1 and v2 of the fleet f."""

    def __init__(self, folder: Path, ingesters: Collection[str] = (broker.INGESTER,)) -> None:
        self.port = free_port()
        self.authority = Authority(folder / "ca", "operator")
        server = self.authority.issue("localhost")
        rules = folder / "rules.json"
        rules.write_text(broker.access_rules([("f", "v1"), ("f", "v2")], ingesters))
        rules.chmod(0o600)
        text = EXAMPLE.read_text("utf-8")
        for written, here in (
            ("listener 8883", f"listener {self.port} 127.0.0.1"),
            ("/etc/mosquitto/tallow/ca.pem", str(self.authority.ca)),
            ("/etc/mosquitto/tallow/server.pem", server[0]),
            ("/etc/mosquitto/tallow/server.key", server[1]),
            ("/etc/mosquitto/tallow/crl.pem", str(self.authority.revoked())),
            ("plugin_opt_config_file /etc/mosquitto/tallow/rules.json", f"plugin_opt_config_file {rules}"),
            ("/var/lib/mosquitto/", f"{folder}/"),
        ):
            assert written in text
            text = text.replace(written, here)
        config = folder / "mosquitto.conf"
        config.write_text(text + ("user root\n" if os.geteuid() == 0 else ""))
        self.config = config
        self.start()

    def start(self) -> None:
        """Start it, and wait until it answers."""
        self.process = subprocess.Popen([program("mosquitto"), "-c", str(self.config)], stderr=subprocess.DEVNULL)
        wait_for_port(self.port)

    def stop(self) -> None:
        """Stop it."""
        self.process.terminate()
        self.process.wait(10)

    def client(self, name: str, certificate: tuple[str, str] | None) -> mqtt.Client:
        """Somebody who trusts the broker and shows this certificate."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
        context = ssl.create_default_context(cafile=str(self.authority.ca))
        if certificate:
            context.load_cert_chain(*certificate)
        client.tls_set_context(context)
        return client
