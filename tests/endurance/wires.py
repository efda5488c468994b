"""What sensors, wires and brokers do to a running daemon in years, in minutes.

    python -m tests.endurance.wires --times 50

A device on a pseudo-terminal is unplugged and plugged in, changes its node, sends half lines, the wrong speed's garbage,
a byte at a time, nothing, and ten thousand lines a second. A broker is stopped and started, changes its password and its
certificate, and hands out rubbish under hostile topics. After each the daemon must take readings again by itself, tell on
its health page how it goes, and have neither lost files nor gained memory.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.support.broker import Broker, Certificates, free_port
from tests.support.daemon_process import DaemonProcess, shop_file
from tests.support.fake_device import FakeDevice
from tests.support.waiting import eventually

AGAIN_S = 20.0
"""On a computer with time to spare readings come again this soon after a trouble: the longest pause there can be, and some
more. Later is said; that it never happens is the problem."""
LINE = '{{"inlet_pa": {:.1f}, "filter_pa": {:.1f}, "motor_a": {:.3f}}}'


@dataclass
class Watched:
    """A running daemon and what was found to be wrong with it."""

    daemon: DaemonProcess
    problems: list[str] = field(default_factory=list)
    say: bool = False
    rng: random.Random = field(default_factory=lambda: random.Random(1))

    def line(self) -> str:
        """A reading as a device would send it."""
        gauss = self.rng.gauss
        return LINE.format(gauss(-2000.0, 20.0), gauss(250.0, 4.0), gauss(9.0, 0.05))

    def source(self) -> dict[str, Any]:
        """The source as the health page tells it."""
        health = self.daemon.get("/api/v1/health")
        return {} if not health or not health["sources"] else health["sources"][0]

    def refused(self) -> int:
        """How much was refused so far."""
        return sum(row["count"] for row in self.source().get("refused", []))

    def wait(self, true: Callable[[], object], words: str) -> None:
        """Wait for something; note it as a problem where it does not come."""
        began = time.monotonic()
        try:
            eventually(true, what=words)
        except AssertionError as error:
            self.problems.append(f"{error}; source: {self.source()}")
        took = time.monotonic() - began
        if self.say:
            print(f"{words}: after {took:.1f} s{', late' if took > AGAIN_S else ''}", flush=True)

    def reads_again(self, send: Callable[[str], None], words: str) -> None:
        """Readings arrive: the count of samples grows while lines are sent."""
        before = self.source().get("samples", 0)

        def grows() -> bool:
            nonlocal before
            send(self.line())
            count = self.source().get("samples", 0)
            before = min(before, count)  # just after a start the page may still show the counts of the life before
            return bool(count > before)

        self.wait(grows, f"readings again after {words}")

    def files(self) -> int:
        """Open files of the daemon (Linux)."""
        return len(os.listdir(f"/proc/{self.daemon.pid}/fd"))

    def memory_mib(self) -> float:
        """Resident memory of the daemon (Linux)."""
        pages = int(Path(f"/proc/{self.daemon.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20

    def threads(self) -> int:
        """Threads of the daemon (Linux)."""
        return len(os.listdir(f"/proc/{self.daemon.pid}/task"))


def serial_abuse(folder: Path, times: int, say: bool = False) -> list[str]:
    """All that happens to a serial line; returns what went wrong."""
    wire = FakeDevice(folder / "by-id-feed-room")
    port = free_port()
    source = (
        f'[[source]]\nkind = "serial"\nname = "feed room"\ndevice = "{wire.path}"\nsilent_after = "1 s"'
    )
    daemon = DaemonProcess(shop_file(folder, source, port=port), port)
    watched = Watched(daemon, say=say)
    problems = watched.problems

    def send(text: str) -> None:
        try:
            wire.line(text)
        except AssertionError:
            time.sleep(0.1)  # nobody has opened it yet

    daemon.start()
    try:
        watched.reads_again(send, "the start")
        steady(send, watched, 6.0)
        files, memory, threads = watched.files(), watched.memory_mib(), watched.threads()
        for number in range(times):
            wire.unplug(link_stays=number % 3 == 2)
            watched.wait(lambda: watched.source().get("tone") != "ok", f"unplugged {number + 1}: told")
            wire.plug_in()
            watched.reads_again(send, f"plugging in {number + 1}")
            steady(send, watched, 5.5)
        second = FakeDevice(folder / "another-node")
        wire.path.unlink()
        wire.path.symlink_to(os.ttyname(second.theirs))  # the same device came back under another name
        watched.reads_again(lambda text: second.line(text), "the link leads to another node")
        steady(second.line, watched, 5.5)
        wire.path.unlink()
        wire.path.symlink_to(os.ttyname(wire.theirs))
        steady(send, watched, 3.0)  # it takes a second of silence until the path is looked at
        watched.reads_again(send, "the link leads back")
        before = watched.refused()
        for text in (b'{"inlet_pa": -20', b"inlet_pa=-2000 filter", b'\r\n"filter_pa": 3}\r\n', b"inlet_pa=-5*00\r\n", b"}\r\n"):
            wire.send(text + (b"\r\n" if text.startswith(b"{") else b""))
        watched.wait(lambda: watched.refused() >= before + 3, "half lines are counted")
        garbage = bytes(watched.rng.choice(b"\xff\xfe\xc0\x80\x00\xaa\xf8\x0a") for _ in range(4000))
        for at in range(0, len(garbage), 100):
            wire.send(garbage[at : at + 100])
            time.sleep(0.03)
        watched.wait(lambda: "check baud" in watched.source().get("state", ""), "the wrong speed is told")
        watched.reads_again(send, "the wrong speed")
        for byte in (watched.line() + "\r\n").encode():
            wire.send(bytes([byte]))
            time.sleep(0.02)
        watched.wait(lambda: watched.source().get("state") == "receiving", "a slow line is heard")
        watched.wait(lambda: "silent" in watched.source().get("state", ""), "silence is told")
        watched.reads_again(send, "silence")
        flood(wire, watched, 5.0)
        watched.reads_again(send, "the flood")
        steady(send, watched, 2.0)
        if watched.files() > files + 2 or watched.threads() > threads + 1:
            problems.append(f"files {files} -> {watched.files()}, threads {threads} -> {watched.threads()}")
        if watched.memory_mib() > memory + 30.0:
            problems.append(f"memory {memory:.1f} -> {watched.memory_mib():.1f} MiB")
        if say:
            print(f"files {files} -> {watched.files()}, threads {threads} -> {watched.threads()}, memory {memory:.1f} -> "
                  f"{watched.memory_mib():.1f} MiB, source {watched.source()}", flush=True)
        second.close()
        if daemon.end(signal.SIGTERM) != 0 or "Traceback" in daemon.words():
            problems.append(f"it did not end well: {daemon.words()[-2000:]}")
    finally:
        daemon.end(signal.SIGKILL)
        wire.close()
    return problems


def steady(send: Callable[[str], None], watched: Watched, seconds: float) -> None:
    """A line each tenth of a second for a while: the connection holds long enough to count as steady."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        send(watched.line())
        time.sleep(0.1)


def flood(wire: FakeDevice, watched: Watched, seconds: float) -> None:
    """Ten thousand lines a second: the pages must still answer."""
    over = threading.Event()
    sent = [0]

    def pour() -> None:
        lot = "".join(watched.line() + "\n" for _ in range(100)).encode()
        began = time.monotonic()
        while not over.is_set():
            behind = sent[0] / 10_000.0 - (time.monotonic() - began)
            if behind > 0.0:
                over.wait(behind)
            try:
                wire.send(lot, within_s=1.0)
            except AssertionError:
                continue
            sent[0] += 100

    thread = threading.Thread(target=pour, daemon=True)
    thread.start()
    slowest, end = 0.0, time.monotonic() + seconds
    while time.monotonic() < end:
        began = time.monotonic()
        if watched.daemon.get("/api/v1/now") is None:
            watched.problems.append("no answer in the flood")
        slowest = max(slowest, time.monotonic() - began)
        time.sleep(0.1)
    over.set()
    thread.join(5.0)
    if watched.say:
        print(f"flood: {sent[0] / seconds:.0f} lines/s taken, slowest page {slowest:.2f} s", flush=True)


HOSTILE = ("{1}{2}", "..\u202egnp", "$SYS/broker", "a" * 2000, "\u00e9\u0301/%s%n", "x;DROP TABLE frames", "<script>", "inlet_pa")
RUBBISH: tuple[bytes, ...] = (
    b"", b"\xff\xfe\x00", b"NaN", b"1e999", b"{", b"[[[[" * 200, b'{"inlet_pa": "x"}', b"9" * 5000, b"true",
    b'{"inlet_pa": -2000, "t": "0001-01-01"}', b'{"<script>": 1}', b'{"inlet_pa": {"inlet_pa": 1}}',
)


def broker_abuse(folder: Path, times: int, say: bool = False) -> list[str]:
    """All that happens between a daemon and a broker; returns what went wrong."""
    certificates = Certificates.make(folder / "good")
    certificate, key = certificates.sign("localhost")
    others = Certificates.make(folder / "other", "Another Authority")
    broker = Broker(folder / "broker", ("unit", "right"), (certificates.ca, certificate, key))
    password = folder / "password"
    password.write_text("right\n")
    port = free_port()
    trusted = folder / "trusted.pem"
    trusted.write_bytes(Path(certificates.ca).read_bytes())
    source = (
        f'[[source]]\nkind = "mqtt"\nname = "barn"\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "unit"\n'
        f'password_file = "{password}"\ntls = {{ ca_file = "{trusted}" }}\n'
        'topics = { "barn/unit" = "json", "barn/any/#" = "json" }'
    )
    daemon = DaemonProcess(shop_file(folder, source, port=port), port)
    watched = Watched(daemon, say=say)
    problems = watched.problems

    def send(text: str) -> None:
        broker.say(("barn/unit", text))
        time.sleep(0.1)

    broker.start()
    daemon.start()
    try:
        watched.reads_again(send, "the start")
        steady(send, watched, 6.0)
        files, memory, threads = watched.files(), watched.memory_mib(), watched.threads()
        for number in range(times):
            broker.stop()
            watched.wait(lambda: watched.source().get("tone") != "ok", f"broker stopped {number + 1}: told")
            broker.start()
            watched.reads_again(send, f"broker restart {number + 1}")
            steady(send, watched, 5.5)
        password.write_text("wrong\n")
        broker.stop()
        broker.start()
        watched.wait(lambda: "password" in watched.source().get("state", ""), "a wrong password is told")
        password.write_text("right\n")
        watched.reads_again(send, "the password was put right")
        steady(send, watched, 5.5)
        trusted.write_bytes(Path(others.ca).read_bytes())
        broker.stop()
        broker.start()
        watched.wait(lambda: "certificate" in watched.source().get("state", ""), "a certificate of a stranger is told")
        trusted.write_bytes(Path(certificates.ca).read_bytes())
        watched.reads_again(send, "the right authority is trusted")
        before = watched.refused()
        for rubbish in RUBBISH:
            broker.say(("barn/unit", rubbish), ("barn/any/retained", rubbish, True))
            broker.say(*(("barn/any/" + topic, rubbish) for topic in HOSTILE))
        watched.wait(lambda: watched.refused() >= before + 5 * len(RUBBISH), "rubbish is counted")
        watched.reads_again(send, "rubbish under hostile topics")
        if watched.files() > files + 3 or watched.threads() > threads + 2:
            problems.append(f"files {files} -> {watched.files()}, threads {threads} -> {watched.threads()}")
        if watched.memory_mib() > memory + 20.0:
            problems.append(f"memory {memory:.1f} -> {watched.memory_mib():.1f} MiB")
        words = daemon.words()
        if "right" in words.replace("the right", "") or "wrong\n" in words:
            problems.append("a password stands in the log")
        if say:
            print(f"files {files} -> {watched.files()}, threads {threads} -> {watched.threads()}, memory {memory:.1f} -> "
                  f"{watched.memory_mib():.1f} MiB, source {json.dumps(watched.source())[:600]}", flush=True)
        if daemon.end(signal.SIGTERM) != 0 or "Traceback" in daemon.words():
            problems.append(f"it did not end well: {daemon.words()[-2000:]}")
        daemon.start()  # what the broker has kept is handed out at once
        watched.wait(lambda: watched.refused() > 0, "retained rubbish is counted")
        watched.reads_again(send, "retained rubbish")
    finally:
        daemon.end(signal.SIGKILL)
        broker.stop()
    return problems


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("what", choices=["serial", "broker", "both"], nargs="?", default="both")
    given = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    problems = []
    for name, abuse in (("serial", serial_abuse), ("broker", broker_abuse)):
        if given.what in (name, "both"):
            with tempfile.TemporaryDirectory() as folder:
                problems += abuse(Path(folder), given.times, say=True)
    print("\n".join(problems))
    print(f"{given.what}, {given.times} times: {len(problems)} problems")
    sys.exit(1 if problems else 0)


if __name__ == "__main__":
    main()
