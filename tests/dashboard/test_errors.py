"""Every way to fail ends in the same JSON shape, and nothing gets past the gate."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from dashboard.access import hash_password
from dashboard.app import create_app
from dashboard.gate import COOKIE, MAX_BODY
from dashboard.settings import DashboardSettings
from tests.dashboard.shop import Shop
from tests.dashboard.visitor import HERE, Visitor

PASSWORD = "shavings everywhere"
HASH = hash_password(PASSWORD)


@pytest.fixture(scope="module")
def anybody(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visitor]:
    """A visitor for all questions that change nothing."""
    shop = Shop(tmp_path_factory.mktemp("errors") / "shop.db")
    shop.switch(True)
    shop.step(120)
    with Visitor(create_app(DashboardSettings(shop.path))) as made:
        yield made
    shop.close()


def assert_shape(answer: httpx.Response, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    body = answer.json()
    assert list(body) == ["error"]
    error = body["error"]
    assert set(error) == {"status", "title", "detail", "where"}
    assert error["status"] == status
    assert error["title"]
    assert error["detail"].strip().endswith(".")
    assert isinstance(error["where"], list)
    return error  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("method", "path", "status", "more"),
    [
        ("GET", "/nothing-here", 404, {}),
        ("GET", "/api/v1/nothing", 404, {}),
        ("GET", "/static/abc/none.js", 404, {}),
        ("GET", "/static/abc/..%2f..%2fapp.py", 404, {}),
        ("PUT", "/api/v1/now", 405, {}),
        ("GET", "/api/v1/alarms/12345", 404, {}),
        ("GET", "/api/v1/alarms/twelve", 422, {}),
        ("GET", "/api/v1/alarms/99999999999999999999", 422, {}),
        ("GET", "/api/v1/trends", 422, {}),
        ("GET", "/api/v1/trends?series=nonsense", 422, {}),
        ("GET", "/api/v1/trends?series=inlet_pa&points=1", 422, {}),
        ("GET", "/api/v1/trends?series=inlet_pa&points=999999", 422, {}),
        ("GET", "/api/v1/trends?series=inlet_pa&start=5&end=4", 422, {}),
        ("GET", "/api/v1/trends?series=inlet_pa&start=nan", 422, {}),
        ("GET", "/api/v1/trends?series=inlet_pa&end=inf", 422, {}),
        ("GET", "/api/v1/trends?series=inlet_pa&span=1e300", 422, {}),
        (
            "GET",
            "/api/v1/trends?" + "&".join(f"series={name}" for name in ("inlet_pa", "filter_pa")) + "&x=" + "y" * 5000,
            414,
            {},
        ),
        ("POST", "/api/v1/alarms/1/shelve", 422, {"json": {"for_s": -1}}),
        ("POST", "/api/v1/alarms/1/shelve", 422, {"json": {"for_s": 60, "reason": "x" * 500}}),
        ("POST", "/api/v1/alarms/1/shelve", 422, {"content": b"{not json", "headers": {"content-type": "application/json"}}),
        ("POST", "/api/v1/conditions/out-of-service", 422, {"json": {"condition": "ghost"}}),
        ("POST", "/units", 415, {"json": {}}),
        ("POST", "/api/v1/alarms/1/acknowledge", 413, {"content": b"x" * (MAX_BODY + 1)}),
    ],
)
def test_one_error_shape(anybody: Visitor, method: str, path: str, status: int, more: dict[str, Any]) -> None:
    assert_shape(anybody.ask(method, path, **more), status)


def test_a_validation_error_says_where(anybody: Visitor) -> None:
    error = assert_shape(anybody.get("/api/v1/trends?series=inlet_pa&points=abc"), 422)
    assert any("query: points" in place for place in error["where"])


def test_an_error_inside_tells_nothing_of_the_inside(client: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("/secret/path")

    monkeypatch.setattr(client.box.store.reader, "alarm", broken)
    answer = client.get("/api/v1/alarms/1")
    assert_shape(answer, 500)
    assert "secret" not in answer.text


def test_a_store_that_cannot_be_read_is_a_503(client: Visitor, shop: Shop) -> None:
    client.box.store.reader.close()
    assert_shape(client.get("/api/v1/alarms/1"), 503)
    assert "cannot be read" in client.fresh()["verdict"]["text"]


def test_a_chunked_body_that_grows_past_the_limit_is_cut_off(client: Visitor) -> None:
    async def body() -> Any:
        for _ in range(40):
            yield b"x" * 8192

    answer = client.post("/api/v1/alarms/1/shelve", content=body(), headers={"content-type": "application/json"})
    assert answer.status_code >= 400


# -- the gate ---------------------------------------------------------------------------------------------------------


def test_every_answer_carries_a_strict_policy(anybody: Visitor) -> None:
    for path in ("/", "/api/v1/now", "/nothing", "/healthz"):
        headers = anybody.get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", ["/", "/trends", "/ducts"])
def test_no_page_has_inline_script_or_style_or_a_foreign_address(anybody: Visitor, path: str) -> None:
    answer = anybody.get(path)
    # The page's own style sheet stands in it whole, and the policy names its hash: nothing else between such marks counts.
    ours = re.search(r"<style>(.*?)</style>", answer.text, re.DOTALL)
    assert ours is not None
    digest = base64.b64encode(hashlib.sha256(ours[1].encode()).digest()).decode()
    assert f"style-src 'self' 'sha256-{digest}'" in answer.headers["content-security-policy"]
    text = answer.text.replace(ours[0], "", 1)
    assert not re.search(r"<script(?![^>]*\bsrc=)", text)
    assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", text)
    assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", text)


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "localhost.evil.example:8765", "[::1", "a b"])
def test_a_foreign_host_name_is_refused(anybody: Visitor, host: str) -> None:
    assert_shape(anybody.get("/", headers={"host": host}), 421)


@pytest.mark.parametrize("host", ["127.0.0.1:8765", "localhost", "LOCALHOST:1", "[::1]:8765"])
def test_this_computers_own_names_are_served(anybody: Visitor, host: str) -> None:
    assert anybody.get("/login", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": HERE.replace("://", "://evil")},
    ],
)
def test_another_site_cannot_change_anything(anybody: Visitor, headers: dict[str, str]) -> None:
    assert_shape(anybody.post("/api/v1/alarms/1/acknowledge", headers=headers), 403)
    assert anybody.get("/api/v1/now", headers=headers).status_code == 200


def test_the_own_page_may_change_things(client: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboard.asking.WAIT_S", 0.0)
    for headers in ({"origin": HERE}, {"origin": HERE, "sec-fetch-site": "same-origin"}, {}):
        assert client.post("/api/v1/alarms/1/acknowledge", headers=headers).status_code == 202


# -- the password -------------------------------------------------------------------------------------------------------


class Ticker:
    """Monotonic time, moved by hand."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def ticker() -> Ticker:
    return Ticker()


def locked(shop: Shop, ticker: Ticker, **more: Any) -> Visitor:
    settings = DashboardSettings(
        shop.path, host="0.0.0.0", allow_hosts=("barn.lan",), password_hash=HASH, **more
    )
    return Visitor(create_app(settings, monotonic=ticker), base_url="http://barn.lan:8765")


@pytest.fixture
def guarded(shop: Shop, ticker: Ticker) -> Iterator[Visitor]:
    with locked(shop, ticker) as visitor:
        yield visitor


def log_in(visitor: Visitor, password: str = PASSWORD, back: str = "/") -> httpx.Response:
    return visitor.post("/login", data={"password": password, "next": back})


def test_without_the_password_nothing_is_shown(guarded: Visitor) -> None:
    assert_shape(guarded.get("/api/v1/now"), 401)
    assert_shape(guarded.get("/api/v1/live"), 401)
    assert_shape(guarded.post("/api/v1/alarms/1/acknowledge"), 401)
    page = guarded.get("/trends")
    assert (page.status_code, page.headers["location"]) == (303, "/login?next=/trends")
    form = guarded.get("/login")
    assert form.status_code == 200
    assert "Chair maker" not in form.text
    assert guarded.get("/healthz").status_code == 200


def test_logging_in_and_out(guarded: Visitor) -> None:
    answer = log_in(guarded, back="/trends")
    assert (answer.status_code, answer.headers["location"]) == (303, "/trends")
    cookie = answer.headers["set-cookie"]
    assert COOKIE in cookie
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert guarded.get("/api/v1/now").status_code == 200
    assert guarded.post("/logout").status_code == 303
    assert guarded.get("/api/v1/now").status_code == 401


def test_a_session_ends_after_its_time(guarded: Visitor, ticker: Ticker) -> None:
    log_in(guarded)
    ticker.now += 31 * 86400.0
    assert guarded.get("/api/v1/now").status_code == 401


def test_guessing_is_slowed_down_even_for_the_right_password(guarded: Visitor, ticker: Ticker) -> None:
    for _ in range(3):
        assert log_in(guarded, "wrong guess").status_code == 401
    answer = log_in(guarded)
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) >= 1
    ticker.now += 61.0
    assert log_in(guarded).status_code == 303


def test_the_way_back_is_never_another_site(guarded: Visitor) -> None:
    for back in ("https://evil.example/", "//evil.example", "/\\evil.example", "/a\r\nset-cookie: x=y"):
        assert log_in(guarded, back=back).headers["location"] == "/"


def test_viewing_may_be_open_while_changing_is_not(shop: Shop, ticker: Ticker) -> None:
    with locked(shop, ticker, view_without_password=True) as visitor:
        assert visitor.get("/api/v1/now").status_code == 200
        page = visitor.get("/").text
        assert "Log in to make changes" in page
        assert 'data-act="acknowledge"' not in page
        assert_shape(visitor.post("/api/v1/alarms/1/acknowledge"), 401)


def test_on_the_network_addresses_and_listed_names_are_served(guarded: Visitor) -> None:
    for host, status in (("barn.lan", 200), ("192.168.1.20:8765", 200), ("[fe80::1]", 200), ("evil.example", 421)):
        assert guarded.get("/healthz", headers={"host": host}).status_code == status, host


def test_the_password_is_needed_before_listening_on_the_network(tmp_path: Path) -> None:
    from daemon.errors import ConfigError

    with pytest.raises(ConfigError):
        DashboardSettings(tmp_path / "x.db", host="192.168.1.20")
