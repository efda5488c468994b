"""The live feed over a real socket: one message a second, ended promptly when the server stops, never more places than set."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest

from daemon.errors import ConfigError
from dashboard import serve
from dashboard.serve import AddressMissing, DashboardThread
from dashboard.settings import DashboardSettings
from tests.dashboard.shop import Pump, Shop
from tests.support.waiting import eventually


@pytest.fixture
def pump(tmp_path: Path) -> Iterator[Pump]:
    shop = Shop(tmp_path / "live.db")
    shop.switch(True)
    shop.step(30)
    made = Pump(shop)
    yield made
    made.close()


@pytest.fixture
def served(pump: Pump) -> Iterator[DashboardThread]:
    thread = DashboardThread(DashboardSettings(pump.shop.path, port=0, poll_s=0.2, max_live_pages=2))
    thread.start()
    yield thread
    thread.stop()


def events(lines: Iterator[str]) -> Iterator[dict]:  # type: ignore[type-arg]
    for line in lines:
        if line.startswith("data: "):
            yield json.loads(line[6:])


def test_live_values_arrive_and_move(served: DashboardThread) -> None:
    with httpx.stream("GET", f"{served.url}api/v1/live?units=si", timeout=90.0) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert "content-encoding" not in answer.headers, "a compressed stream would be held back"
        feed = events(answer.iter_lines())
        first = next(feed)
        assert first["units"] == "si"
        times = [next(feed)["t"] for _ in range(4)]
    assert times == sorted(times)
    assert times[-1] > first["t"]


def test_there_are_only_so_many_places_and_a_page_that_goes_frees_its_own(served: DashboardThread) -> None:
    url = f"{served.url}api/v1/live"
    with httpx.stream("GET", url) as one, httpx.stream("GET", url) as two:
        lines = one.iter_lines(), two.iter_lines()  # kept: a dropped iterator closes its stream
        for feed in lines:
            next(feed)
        with httpx.stream("GET", url) as refused:
            assert refused.status_code == 503
            refused.read()
        assert "places" in refused.json()["error"]["detail"]
    def admitted() -> bool:
        with httpx.stream("GET", url) as again:
            return again.status_code == 200

    eventually(admitted, what="a place becomes free")


def test_stopping_does_not_wait_for_open_pages(pump: Pump) -> None:
    thread = DashboardThread(DashboardSettings(pump.shop.path, port=0))
    thread.start()
    with httpx.stream("GET", f"{thread.url}api/v1/live") as answer:
        lines = answer.iter_lines()
        next(lines)
        serving = thread._thread
        assert serving is not None
        thread.stop(60.0)  # although the page is open
        assert not serving.is_alive()


def test_a_taken_port_is_told_in_words(served: DashboardThread, tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=f"cannot listen on 127.0.0.1 port {served.port}"):
        DashboardThread(DashboardSettings(tmp_path / "x.db", port=served.port)).start()


def test_an_address_that_is_not_there_yet_is_waited_for(pump: Pump, monkeypatch: pytest.MonkeyPatch) -> None:
    # 192.0.2.0/24 is nobody's address (RFC 5737).
    away = DashboardThread(DashboardSettings(pump.shop.path, host="192.0.2.1", port=0, password_hash="none"))
    away.start()
    away.stop()
    monkeypatch.setattr(serve, "ADDRESS_AGAIN_S", 0.05)
    monkeypatch.setattr(serve, "listening_socket", _missing_twice(serve.listening_socket))
    thread = DashboardThread(DashboardSettings(pump.shop.path, port=0))
    thread.start()
    try:
        eventually(lambda: thread.port and httpx.get(f"{thread.url}healthz").status_code == 200, 10.0, "it is served")
    finally:
        thread.stop()


def _missing_twice(real: Callable[[DashboardSettings], socket.socket]) -> Callable[[DashboardSettings], socket.socket]:
    missing = [AddressMissing(["not yet"])] * 2

    def listen(settings: DashboardSettings) -> socket.socket:
        if missing:
            raise missing.pop()
        return real(settings)

    return listen


def test_nothing_is_read_while_nobody_watches(served: DashboardThread) -> None:
    box = served._server.config.app.state.box  # type: ignore[union-attr]
    with httpx.stream("GET", f"{served.url}api/v1/live") as answer:
        feed = events(answer.iter_lines())
        next(feed)
        assert box.live.open_pages == 1
    eventually(lambda: box.live.open_pages == 0 and box.live._task.done(), what="nobody watches and nothing is read")
    assert box.live.open_pages == 0
    assert box.live._task.done()
