"""A real broker (mosquitto) on a free loopback port, with password, TLS and access rules as a test asks for."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

# Debian puts daemons where a plain user's PATH does not look
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
OPENSSL = shutil.which("openssl")


def free_port() -> int:
    """A TCP port of the loopback interface that nobody uses now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Certificates:
    """An authority and what it signed; all in one folder."""

    folder: Path

    @classmethod
    def make(cls, folder: Path, authority: str = "Barn Authority") -> Certificates:
        """A fresh authority."""
        folder.mkdir(parents=True, exist_ok=True)
        made = cls(folder)
        made._openssl(
            "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
            "-subj", f"/CN={authority}", "-keyout", "ca.key", "-out", "ca.pem",
            "-addext", "keyUsage=critical,keyCertSign,cRLSign",
        )
        return made

    @property
    def ca(self) -> str:
        """The authority's certificate."""
        return str(self.folder / "ca.pem")

    def sign(self, name: str, subject_alternative: str = "IP:127.0.0.1", days: int = 2) -> tuple[str, str]:
        """A certificate and its key, signed by the authority; negative ``days`` make one that is no longer valid."""
        self._openssl(
            "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr",
        )
        extensions = self.folder / f"{name}.ext"
        extensions.write_text(
            f"subjectAltName={subject_alternative}\nbasicConstraints=CA:FALSE\n"
            "subjectKeyIdentifier=hash\nauthorityKeyIdentifier=keyid\n"
        )
        self._openssl(
            "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", str(days), "-extfile", extensions.name, "-out", f"{name}.pem",
        )
        return str(self.folder / f"{name}.pem"), str(self.folder / f"{name}.key")

    def _openssl(self, *arguments: str) -> None:
        assert OPENSSL is not None
        subprocess.run([OPENSSL, *arguments], cwd=self.folder, check=True, capture_output=True, timeout=90)


class Broker:
    """Started by ``start``, stopped by ``stop``; it keeps its port over restarts.

    ``password`` is a (user, password) pair; without one anybody may connect. ``tls`` is (ca, certificate, key).
    ``rules`` are lines of an access-control file, ``more`` further lines of the configuration.
    """

    def __init__(
        self,
        folder: Path,
        password: tuple[str, str] | None = None,
        tls: tuple[str, str, str] | None = None,
        wants_client_certificate: bool = False,
        rules: str | None = None,
        more: str = "",
    ) -> None:
        assert MOSQUITTO is not None
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.port = free_port()
        self.password = password
        self.tls = tls
        self._process: subprocess.Popen[bytes] | None = None
        self._log: IO[bytes] | None = None
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"allow_anonymous {'false' if password else 'true'}",
            "persistence false",
            "user root",  # without it a broker that root starts could not read the test's folder
        ]
        if password:
            file = folder / "passwords"
            file.write_text(f"{password[0]}:{password[1]}\n")
            tool = shutil.which("mosquitto_passwd")
            assert tool is not None
            subprocess.run([tool, "-U", str(file)], check=True, capture_output=True, timeout=90)
            lines.append(f"password_file {file}")
        if tls:
            lines += [f"cafile {tls[0]}", f"certfile {tls[1]}", f"keyfile {tls[2]}"]
            lines.append(f"require_certificate {'true' if wants_client_certificate else 'false'}")
        if rules is not None:
            (folder / "rules").write_text(rules)
            lines.append(f"acl_file {folder / 'rules'}")
        self._conf = folder / "broker.conf"
        self._conf.write_text("\n".join(lines) + "\n" + more)

    def start(self) -> None:
        """Start it and wait until it listens."""
        assert MOSQUITTO is not None
        self._log = (self.folder / "broker.log").open("ab")
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._conf)], stdout=self._log, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL
        )
        deadline = time.monotonic() + 90.0
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=90.0).close()
                return
            except OSError:
                if time.monotonic() > deadline or self._process.poll() is not None:
                    self.stop()
                    words = (self.folder / "broker.log").read_text(errors="replace")
                    raise AssertionError(f"the broker did not start:\n{words}") from None
                time.sleep(0.02)

    def stop(self) -> None:
        """Stop it; harmless if it does not run."""
        process, self._process = self._process, None
        if process is not None:
            process.terminate()
            try:
                process.wait(90.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(90.0)
        if self._log is not None:
            self._log.close()
            self._log = None

    def say(self, *messages: tuple[str, str | bytes] | tuple[str, str | bytes, bool]) -> None:
        """Publish (topic, payload) or (topic, payload, retain) in order, and wait until the broker has them."""
        client = paho.Client(CallbackAPIVersion.VERSION2)
        if self.password:
            client.username_pw_set(*self.password)
        if self.tls:
            client.tls_set(ca_certs=self.tls[0])
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        try:
            for topic, payload, *retain in messages:
                client.publish(topic, payload, qos=1, retain=bool(retain and retain[0])).wait_for_publish(60.0)
        finally:
            client.disconnect()
            client.loop_stop()
