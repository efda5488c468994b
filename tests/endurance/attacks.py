"""What strangers on the network may try against the pages, over loopback, bounded in number and time, and what it does.

    python -m tests.endurance.attacks

A daemon watches the barn behind a password. It is met, one after the other, with idle connections, slow heads and
bodies, live pages, odd requests, guesses and a flood. During each the daemon must go on reading and answer ``/healthz`` within
five seconds; afterwards its file descriptors and its memory must be what they were, the memory at most ``MOST_MIB``.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import resource
import signal
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx

from dashboard.access import hash_password
from tests.support.broker import free_port
from tests.support.daemon_process import DaemonProcess, shop_day, shop_file
from tests.support.fake_device import FakeDevice

MOST_MIB = 80.0
ANSWER_S = 5.0
HEAD = b"GET /login HTTP/1.1\r\nhost: 127.0.0.1\r\n"
FORM = b"POST /login HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-type: application/x-www-form-urlencoded\r\n"
ODD = (
    b"GET / HTTP/9.9\r\n\r\n", b"\x16\x03\x01\x02\x00", b"\x00" * 4096, b"GET /" + b"a" * 60_000 + b" HTTP/1.1\r\n\r\n",
    HEAD + b"x: " + b"y" * 40_000 + b"\r\n\r\n", FORM + b"origin: http://[\r\ncontent-length: 0\r\n\r\n",
    FORM + b"transfer-encoding: chunked\r\n\r\n11170\r\n" + b"a" * 70_000 + b"\r\n0\r\n\r\n",
    FORM + b"content-length: 18446744073709551616\r\n\r\n", FORM + b"content-length: -1\r\n\r\n",
    b"GET /../../etc/passwd HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n", b"GET / HTTP/1.1\r\nhost: evil.example\r\n\r\n",
    b"TRACE / HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n", HEAD + b"cookie: " + b"a=b;" * 1000 + b"\r\n\r\n",
)


class Target:
    """The daemon, and what is seen of it from outside."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        (folder / "password").write_text(hash_password("shavings everywhere") + "\n")
        self.wire = FakeDevice(folder / "by-id-feed-room")
        source = f'[[source]]\nkind = "serial"\nname = "feed room"\ndevice = "{self.wire.path}"'
        path = shop_file(folder, source, port=self.port)
        path.write_text(path.read_text().replace("[dashboard]", '[dashboard]\npassword_file = "password"'))
        self.daemon = DaemonProcess(path, self.port)
        self._over = threading.Event()
        seconds = shop_day(path, drag_ratio=1.1, bag_fill=0.05, minutes=30.0)
        self._device = threading.Thread(target=self._send, args=(seconds,), daemon=True)
        self._device.start()
        self.daemon.start(within_s=60.0)
        self.problems: list[str] = []

    def _send(self, seconds: Iterator[dict[str, float]]) -> None:
        while not self._over.wait(1.0):
            with suppress(AssertionError, OSError):
                self.wire.send(json.dumps(next(seconds)).encode() + b"\n", within_s=1.0)

    def close(self) -> None:
        """End it."""
        self._over.set()
        self._device.join(5.0)
        self.daemon.end(signal.SIGKILL)
        self.wire.close()

    def status(self, what: str) -> float:
        """A number of proc_pid_status(5)."""
        found = re.search(rf"^{what}:\s+(\d+)", Path(f"/proc/{self.daemon.pid}/status").read_text(), re.MULTILINE)
        assert found is not None
        return float(found[1])

    def files(self) -> int:
        """Open file descriptors."""
        return len(os.listdir(f"/proc/{self.daemon.pid}/fd"))

    def look(self, name: str) -> None:
        """Is it well, and how is it?"""
        began = time.monotonic()
        try:
            found = httpx.get(f"http://127.0.0.1:{self.port}/healthz", timeout=10.0).status_code
        except httpx.HTTPError as error:
            found = 0
            self.problems.append(f"{name}: /healthz: {error!r}")
        took = time.monotonic() - began
        if found != 200 or took > ANSWER_S:
            self.problems.append(f"{name}: /healthz answered {found} after {took:.1f} s")
        memory = self.status("VmRSS") / 1024
        print(f"{name}: answered {found} in {took:.2f} s, {memory:.0f} MiB, {self.files()} files", flush=True)

    @contextmanager
    def connections(self, count: int, says: bytes = b"") -> Iterator[list[socket.socket]]:
        """Many connections, each saying only this."""
        made: list[socket.socket] = []
        try:
            for _ in range(count):
                with suppress(OSError):
                    made.append(socket.create_connection(("127.0.0.1", self.port), timeout=5.0))
                    made[-1].sendall(says)
            yield made
        finally:
            for each in made:
                each.close()


def standing(target: Target, count: int, says: bytes) -> None:
    """Connections that stand, for some seconds."""
    with target.connections(count, says):
        for _ in range(3):
            target.look(f"{count} connections, each saying {len(says)} bytes")
            time.sleep(1.0)


def odd(target: Target, rounds: int) -> None:
    """Requests that are none."""
    for _ in range(rounds):
        for says in ODD:
            with target.connections(1, says) as made, suppress(OSError):
                made[0].settimeout(1.0)
                if b" 500 " in made[0].recv(4096):
                    target.problems.append(f"a server error for {says[:60]!r}")
    target.look(f"{rounds * len(ODD)} odd requests")


def flood(target: Target, count: int, ask: Callable[[httpx.Client], object]) -> None:
    """Four visitors who ask as fast as they can."""
    def visit() -> None:
        with httpx.Client(base_url=f"http://127.0.0.1:{target.port}", timeout=20.0) as client:
            for _ in range(count // 4):
                with suppress(httpx.HTTPError):
                    ask(client)

    visitors = [threading.Thread(target=visit) for _ in range(4)]
    for visitor in visitors:
        visitor.start()
    while any(visitor.is_alive() for visitor in visitors):
        target.look(f"a flood of {count} requests")
        time.sleep(2.0)


def endure(folder: Path) -> list[str]:
    """Everything, once; what must not be."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    target = Target(folder)
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(4096, hard), hard))
        time.sleep(8.0)
        target.look("at rest")
        files = target.files()
        for count, says in ((64, b""), (1_100, b""), (200, HEAD), (200, FORM + b"content-length: 9\r\n\r\npass")):
            standing(target, count, says)
        standing(target, 200, b"GET /api/v1/live HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n")
        odd(target, 10)
        flood(target, 2_000, lambda client: client.get("/login"))
        flood(target, 40, lambda client: client.post("/login", data={"password": "guess"}))
        time.sleep(12.0)
        target.look("afterwards")
        if target.files() > files + 10:
            target.problems.append(f"{target.files()} files are open, {files} were")
        if target.status("VmRSS") / 1024 > MOST_MIB:
            target.problems.append(f"{target.status('VmRSS') / 1024:.0f} MiB of memory, at most {MOST_MIB:.0f}")
        if "Traceback" in target.daemon.words():
            target.problems.append(target.daemon.words()[-2000:])
        if target.daemon.end(signal.SIGTERM) != 0:
            target.problems.append("it did not end well")
        words = target.daemon.words()
        print(f"{len(words) / 1e3:.0f} kB of log")
    finally:
        target.close()
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return target.problems


def main() -> None:
    """The command line."""
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter).parse_args()
    with tempfile.TemporaryDirectory() as folder:
        problems = endure(Path(folder))
    print("\n".join(problems) or "no problems")
    sys.exit(1 if problems else 0)


if __name__ == "__main__":
    main()
