"""Many connections at a time: nobody is kept out, and none is kept for ever. Over loopback, bounded in number and time."""

from __future__ import annotations

import os
import resource
import socket
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import httpx
import pytest

from daemon import selfcheck
from dashboard import gate, serve
from dashboard.serve import DashboardThread
from dashboard.settings import DashboardSettings
from tests.dashboard.shop import Shop
from tests.support.waiting import eventually


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DashboardThread]:
    shop = Shop(tmp_path_factory.mktemp("crowd") / "shop.db")
    shop.switch(True)
    shop.step(30)
    thread = DashboardThread(DashboardSettings(shop.path, port=0, poll_s=0.2, silent_after_s=1e6))
    thread.start()
    yield thread
    thread.stop()
    shop.close()


class Crowd:
    """Connections that a visitor holds."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.sockets: list[socket.socket] = []

    def add(self, count: int, says: bytes = b"") -> None:
        """Open ``count`` more, each saying only this."""
        for _ in range(count):
            made = socket.create_connection(("127.0.0.1", self.port), timeout=90.0)
            if says:
                made.sendall(says)
            made.setblocking(False)
            self.sockets.append(made)

    def open(self) -> int:
        """How many of them the server still keeps open."""
        return sum(not _ended(each) for each in self.sockets)


def _ended(sock: socket.socket) -> bool:
    try:
        return sock.recv(65536) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


@pytest.fixture
def crowd(served: DashboardThread) -> Iterator[Crowd]:
    made = Crowd(served.port)
    yield made
    for each in made.sockets:
        each.close()


@pytest.mark.parametrize("says", [b"", b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\nx-slow: "], ids=["idle", "slow heads"])
def test_connections_that_only_stand_keep_nobody_out(served: DashboardThread, crowd: Crowd, says: bytes) -> None:
    with httpx.stream("GET", f"{served.url}api/v1/live") as live:
        lines = live.iter_lines()
        next(lines)
        crowd.add(300, says)
        for path in ("healthz", "", "api/v1/now"):
            assert httpx.get(served.url + path).status_code == 200
        eventually(lambda: crowd.open() <= serve.MOST_OF_ONE, 10.0, "the oldest are closed")
        assert next(line for line in lines if line.startswith("data: ")), "a page that is fed is not closed for idle ones"


def test_who_says_nothing_is_closed_in_time(
    served: DashboardThread, crowd: Crowd, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve, "REQUEST_WITHIN_S", 0.3)
    crowd.add(3)
    crowd.add(3, b"GET / HT")
    crowd.add(3, b"GET /healthz HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\nGET /he")
    eventually(lambda: crowd.open() == 0, 10.0, "all are closed")


def test_a_body_that_does_not_come_is_not_waited_for(
    served: DashboardThread, crowd: Crowd, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate, "BODY_WITHIN_S", 0.3)
    crowd.add(1, b"POST /units HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 20\r\n"
                 b"content-type: application/x-www-form-urlencoded\r\n\r\nunits=")
    found: list[bytes] = []

    def answered() -> bool:
        try:
            found.append(crowd.sockets[0].recv(65536))
        except BlockingIOError:
            return False
        return bool(found[0])

    eventually(answered, 10.0, "it is answered")
    assert b" 408 " in found[0]
    assert b"content-security-policy" in found[0].lower()


@pytest.mark.parametrize(
    ("head", "body", "status"),
    [
        (b"origin: http://[\r\ncontent-length: 0\r\n", b"", b" 400 "),
        (b"transfer-encoding: chunked\r\ncontent-type: application/x-www-form-urlencoded\r\n",
         b"%x\r\n%s\r\n0\r\n\r\n" % (70_000, b"a" * 70_000), b" 413 "),
    ],
    ids=["an origin that is none", "a chunked body without end"],
)
@pytest.mark.parametrize("path", [b"/login", b"/units"])
def test_what_cannot_be_read_is_refused_in_words_not_by_an_error(
    served: DashboardThread, head: bytes, body: bytes, status: bytes, path: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    with socket.create_connection(("127.0.0.1", served.port), timeout=90.0) as sock:
        sock.sendall(b"POST " + path + b" HTTP/1.1\r\nhost: 127.0.0.1\r\n" + head + b"\r\n" + body)
        answer = sock.recv(65536)
    assert status in answer.split(b"\r\n")[0]
    assert b"content-security-policy" in answer.lower()
    assert "Traceback" not in caplog.text


def test_a_daemon_that_can_open_no_further_file_still_knows_how_it_is(tmp_path: Path) -> None:
    shop = Shop(tmp_path / "shop.db")
    selfcheck.memory_bytes(), selfcheck.program_version()  # as at the start
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    taken: list[int] = []
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (max(map(int, os.listdir("/proc/self/fd"))) + 8, hard))
        with suppress(OSError):
            while True:
                taken.append(os.open("/dev/null", os.O_RDONLY))
        assert selfcheck.memory_bytes()
        assert selfcheck.program_version()
        shop.step(5)
        assert shop.writer.health.ok or "cannot be" in shop.writer.health.words
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        for fd in taken:
            os.close(fd)
    shop.step(5)
    shop.close()
