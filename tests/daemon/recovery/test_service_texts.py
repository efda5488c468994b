"""The systemd unit and the Containerfile, and the daemon under what they ask for: readiness, watchdog, hardening."""

from __future__ import annotations

import ctypes
import re
import shutil
import signal
import socket
import subprocess
import threading
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.__main__ import app
from daemon.config.load import load, parse
from daemon.deploy import STATE, containerfile, unit
from daemon.errors import (
    EXIT_CODES,
    NO_FILE,
    NOT_DONE,
    AlreadyRunning,
    ConfigError,
    DuctwardenError,
    OutletError,
    SourceError,
    StoreError,
)
from daemon.service import Service
from daemon.supervision import Supervisor
from tests.support.broker import free_port
from tests.support.daemon_process import BARN, DaemonProcess, shop_file
from tests.support.waiting import eventually

ANALYZE = shutil.which("systemd-analyze")
SERIAL = '[[source]]\nkind = "serial"\nname = "unit"\ndevice = "/dev/serial/by-id/usb-unit"'


def value(text: str, key: str) -> str | None:
    """The last value of a key of a unit file."""
    found = re.findall(rf"^{key}=(.*)$", text, re.MULTILINE)
    return found[-1] if found else None


def test_the_unit_restarts_after_failure_but_not_after_what_only_the_owner_can_heal() -> None:
    text = unit(load(BARN), Path("/opt/ductwarden/bin/ductwarden"))
    assert value(text, "Restart") == "on-failure"
    assert value(text, "RestartPreventExitStatus") == "2 5"
    assert value(text, "Type") == "notify"
    assert value(text, "ExecStart") == f"/opt/ductwarden/bin/ductwarden run {BARN.absolute()} --log-format text"
    assert value(text, "User") == "ductwarden"
    assert value(text, "StateDirectory") == "ductwarden"
    assert value(text, "PrivateDevices") == "yes"
    assert "# NOTE: the store lies in" in text


def test_a_serial_port_is_let_through_and_nothing_else(tmp_path: Path) -> None:
    path = shop_file(tmp_path, SERIAL, port=8765)
    text = unit(load(path), Path("/usr/bin/ductwarden"))
    assert value(text, "SupplementaryGroups") == "dialout"
    assert value(text, "DevicePolicy") == "closed"
    assert value(text, "PrivateDevices") is None


def test_a_store_in_its_usual_place_needs_no_further_path(tmp_path: Path) -> None:
    config = parse(BARN.read_text().replace('"demo.db"', f'"{STATE}/shop.db"'), Path("/etc/ductwarden/shop.toml"))
    text = unit(config, Path("/usr/bin/ductwarden"))
    assert value(text, "ReadWritePaths") is None
    assert "NOTE" not in text


@pytest.mark.skipif(ANALYZE is None, reason="needs systemd-analyze, which comes with systemd")
@pytest.mark.parametrize("source", ["", SERIAL])
@pytest.mark.parametrize("name", ["shop.toml", "my shop 100%.toml"])
def test_systemd_understands_the_unit_and_finds_little_to_reproach(tmp_path: Path, source: str, name: str) -> None:
    assert ANALYZE is not None
    folder = tmp_path / "etc"
    folder.mkdir()
    path = shop_file(folder, source, port=8765) if source else folder / "shop.toml"
    if not source:
        path.write_text(BARN.read_text())
    path = path.rename(folder / name)
    program = tmp_path / "ductwarden"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    file = tmp_path / "ductwarden.service"
    file.write_text(unit(load(path), program, user="root"))
    checked = subprocess.run([ANALYZE, "verify", "--man=no", str(file)], capture_output=True, text=True, timeout=60)
    assert checked.returncode == 0, checked.stderr
    assert "ductwarden.service" not in checked.stderr
    judged = subprocess.run(
        [ANALYZE, "security", "--offline=yes", "--no-pager", "--threshold=25", str(file)],
        capture_output=True, text=True, timeout=60,
    )
    assert judged.returncode == 0, judged.stdout[-300:]


def test_the_containerfile_names_the_port_and_warns_of_pages_that_nobody_will_see() -> None:
    text = containerfile(load(BARN))
    assert "EXPOSE 8765" in text
    assert "USER ductwarden" in text
    assert '# NOTE: [dashboard] host is "127.0.0.1"' in text
    assert 'CMD ["run", "/shop/chair-barn.toml"' in text


def test_the_container_is_made_of_what_is_in_the_folder_of_the_program() -> None:
    copied = [word for line in containerfile(load(BARN)).splitlines() if line.startswith("COPY ") for word in line.split()[1:-1]]
    assert {"pyproject.toml", "constraints.txt", "analysis", "daemon", "dashboard"} <= set(copied)
    assert all(Path(word).exists() for word in copied)
    assert "." not in copied, "neither a virtual environment nor a store belongs into it"


def test_the_command_prints_both() -> None:
    runner = CliRunner()
    assert "[Service]" in runner.invoke(app, ["service", str(BARN)]).output
    assert runner.invoke(app, ["service", str(BARN), "--container"]).output.startswith("# Build in the folder")


def test_every_exit_code_has_its_words_and_every_error_its_code() -> None:
    kinds = {error.exit_code for error in (DuctwardenError, ConfigError, SourceError, OutletError, StoreError, AlreadyRunning)}
    assert set(EXIT_CODES) == {0, NOT_DONE, NO_FILE} | kinds
    assert len(kinds | {NOT_DONE, NO_FILE}) == 6, "each means one thing"
    readme = Path("README.md").read_text()
    assert all(f"| {code} | {words} |" in readme for code, words in EXIT_CODES.items())


class Listener:
    """What systemd is: a datagram socket that hears."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.settimeout(0.05)
        self.heard: list[str] = []

    def hear(self) -> list[str]:
        """Everything said so far."""
        while True:
            try:
                self.heard += self._socket.recv(4096).decode().splitlines()
            except TimeoutError:
                return self.heard

    def close(self) -> None:
        self._socket.close()


def test_without_a_supervisor_nothing_is_said_and_nothing_loaded() -> None:
    supervisor = Supervisor({})
    supervisor.ready()
    supervisor.turn()
    supervisor.status("words")
    supervisor.stopping()


def test_the_watchdog_is_fed_twice_in_its_time_and_only_its_own_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    listener = Listener(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", str(listener.path))
    now = [0.0]
    environment = {"NOTIFY_SOCKET": str(listener.path), "WATCHDOG_USEC": "60000000"}
    supervisor = Supervisor(environment, lambda: now[0])
    for _ in range(1200):
        now[0] += 0.25
        supervisor.turn()
    assert listener.hear() == ["WATCHDOG=1"] * 10
    other = Supervisor({**environment, "WATCHDOG_PID": "1"}, lambda: now[0])
    other.turn()
    assert listener.hear() == ["WATCHDOG=1"] * 10
    supervisor.close()
    other.close()
    listener.close()


@pytest.mark.long
@pytest.mark.slow
def test_the_daemon_is_ready_feeds_the_watchdog_and_says_that_it_stops_under_the_hardening_that_can_be_had_here(
    tmp_path: Path,
) -> None:
    listener = Listener(tmp_path / "notify")
    port = free_port()
    config = shop_file(tmp_path, SERIAL, port=port)
    daemon = DaemonProcess(config, port)
    # No memory may become executable: what MemoryDenyWriteExecute= asks for (prctl(2), PR_SET_MDWE, since Linux 6.3).
    def deny() -> None:
        ctypes.CDLL(None).prctl(65, 1, 0, 0, 0)

    daemon.start(preexec=deny, NOTIFY_SOCKET=str(listener.path), WATCHDOG_USEC="1000000")
    try:
        eventually(lambda: listener.hear().count("WATCHDOG=1") >= 3, what="the watchdog is fed")
        assert "READY=1" in listener.heard
        assert "STOPPING=1" not in listener.heard
        assert daemon.end(signal.SIGTERM) == 0
        eventually(lambda: "STOPPING=1" in listener.hear())
    finally:
        daemon.end(signal.SIGKILL)
        listener.close()


def test_only_the_loop_itself_feeds_the_watchdog_so_one_that_hangs_starves_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fed: list[threading.Thread] = []
    monkeypatch.setattr(Supervisor, "turn", lambda _: fed.append(threading.current_thread()))
    service = Service(load(shop_file(tmp_path, SERIAL, port=0)))
    loop = threading.Thread(target=service.run)
    loop.start()
    eventually(lambda: len(fed) > 3, what="the loop turns")
    service.stop()
    loop.join(90.0)
    assert set(fed) == {loop}
