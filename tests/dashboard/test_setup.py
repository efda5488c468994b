"""The first-run page in this process, over the real desk: who may see it, what it takes, and what it never does."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator, Mapping
from datetime import datetime
from html import unescape
from pathlib import Path

import pytest

from daemon.config.load import load
from daemon.drafting.desk import SetupDesk
from daemon.drafting.draft import draft_path, read_draft
from daemon.errors import ConfigError, SourceError
from daemon.finding.found import Found, from_lines
from daemon.finding.places import BrokerPlace, Place, Search
from dashboard.access import OneTimeCode
from dashboard.setup_app import SetupServer, create_setup_app, own_network_address
from tests.dashboard.visitor import Visitor
from tests.support.waiting import eventually

KEY = "the key of this test"
PORT = "/dev/serial/by-id/usb-board-if00"
LINES = [b'{"inlet_pa": -2100.5, "filter_pa": 310.2, "<b>x</b>": 9.4}'] * 4
HOSTILE = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "'; DROP TABLE runs; --", '"]\\n[fan]', "{{ 7 * 7 }}",
    "# barn", "../../etc/passwd", "右から左",
)
STEPS: dict[str, dict[str, str]] = {
    "shop": {"name": "Barn", "units": "us", "altitude": "640 ft", "hours": "06:30 to 19:00"},
    "fan": {"how": "points", "points": "0 cfm, 11.8 inwg\r\n400 cfm, 11.6 inwg\r\n800 cfm, 9.1 inwg\r\n1200 cfm, 3.4 inwg"},
    "motor": {"known": "yes", "power": "2 hp", "phases": "1", "voltage": "230 V"},
    "filter": {"area_by": "bags", "bags": "2", "bag_diameter": "20 in", "bag_height": "32 in", "drop_known": "no"},
    "separator": {"fitted": "none"},
    "dashboard": {"where": "here"},
}
RUN = {"name": "main", "into": "fan", "pipe": "D2729 6 in", "length": "14 ft"}
PLANER = {"name": "planer", "into": "main", "join": "straight", "pipe": "D2729 4 in", "length": "6 ft", "gate": "blast",
          "entry": "machine 1.5"}


def listen(place: Place, say: object, before: Found | None = None) -> Found:
    """Two ports of which one may not be opened, and a broker."""
    if isinstance(place, BrokerPlace):
        raise SourceError(f"heard nothing of {place.where} with {place.password_file}")
    if place.path.endswith("2"):
        raise SourceError("no permission to open it")
    return from_lines(place.path, LINES, 115_200)


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    return tmp_path / "shop.toml"


@pytest.fixture
def desk(shop: Path) -> SetupDesk:
    return SetupDesk(shop, Search(listen), lambda: [PORT, "/dev/ttyUSB2"], lambda: datetime(2026, 3, 1, 9, 30))


@pytest.fixture
def stranger(desk: SetupDesk) -> Iterator[Visitor]:
    """Somebody on this computer who has not seen the terminal."""
    with Visitor(create_setup_app(desk, 8765, KEY)) as made:
        yield made


@pytest.fixture
def owner(stranger: Visitor) -> Visitor:
    """Whoever opened the address that the terminal showed."""
    assert stranger.get("/login", params={"key": KEY}).status_code == 303
    return stranger


def send(visitor: Visitor, path: str, form: Mapping[str, str], then: str) -> None:
    answer = visitor.post(path, data=dict(form))
    assert (answer.status_code, answer.headers.get("location")) == (303, then), answer.text[-2000:]


def fill(owner: Visitor) -> None:
    """Every step but the last."""
    for step, following in (
        ("shop", "fan"), ("fan", "motor"), ("motor", "filter"), ("filter", "separator"), ("separator", "runs"),
    ):
        send(owner, f"/setup/{step}", STEPS[step], f"/setup/{following}")
    send(owner, "/setup/runs/new", RUN, "/setup/runs")
    send(owner, "/setup/runs", {}, "/setup/ports")
    send(owner, "/setup/ports/new", PLANER, "/setup/ports")
    send(owner, "/setup/ports", {}, "/setup/discharge")
    send(owner, "/setup/discharge", {}, "/setup/sources")
    send(owner, "/setup/rehearse", {}, "/setup/sources")
    send(owner, "/setup/sources", {}, "/setup/sensors")
    send(owner, "/setup/sensors", {}, "/setup/outlets")
    send(owner, "/setup/outlets", {}, "/setup/dashboard")
    send(owner, "/setup/dashboard", STEPS["dashboard"], "/setup/review")


def mark_of(page: str) -> str:
    found = re.search(r'name="mark" value="([0-9a-f]{64})"', page)
    assert found is not None
    return found.group(1)


def test_from_nothing_to_a_file(owner: Visitor, shop: Path, desk: SetupDesk) -> None:
    assert owner.get("/").headers["location"] == "/setup/shop"
    fill(owner)
    assert not shop.exists(), "nothing is written before its owner says so"
    review = owner.get("/setup/review").text
    assert "The configuration is complete" in review
    send(owner, "/setup/review", {"mark": mark_of(review)}, "/setup/done")
    assert load(shop).design.port_names == ("planer",)
    assert f"<code>ductwarden run {shop}</code>" in owner.get("/setup/done").text
    assert {path.name for path in shop.parent.iterdir()} == {"shop.toml"}, "only the file that was named"
    assert desk.written
    assert not desk.ended.is_set()
    assert "This page has ended" in owner.post("/setup/end").text
    assert desk.ended.is_set()


def test_nobody_sees_anything_without_the_key(stranger: Visitor) -> None:
    for path in ("/", "/setup", "/setup/shop", "/setup/review"):
        assert stranger.get(path).headers["location"].startswith("/login")
    for path in ("/setup/shop", "/setup/search", "/setup/review", "/setup/end", "/api/v1/setup/shop/check"):
        assert stranger.post(path, data={"port": "all"}).status_code == 401, path
    assert stranger.get("/api/v1/setup/search").json()["error"]["status"] == 401
    for key in ("", "x", KEY + "x", "é"):
        answer = stranger.get("/login", params={"key": key})
        assert answer.status_code == 401
        assert "carries the key" in answer.text
        assert "set-cookie" not in answer.headers


def test_another_site_can_do_nothing(owner: Visitor, shop: Path) -> None:
    for headers in (
        {"origin": "http://elsewhere.example"}, {"sec-fetch-site": "cross-site"}, {"origin": "null"},
        {"origin": "http://127.0.0.1:9999", "sec-fetch-site": "same-site"},
    ):
        answer = owner.post("/setup/shop", data=STEPS["shop"], headers=headers)
        assert answer.status_code == 403, headers
    assert owner.get("/setup/shop", headers={"host": "elsewhere.example"}).status_code == 421
    assert not draft_path(shop).exists()
    ours = {"origin": "http://127.0.0.1:8765", "sec-fetch-site": "same-origin"}
    assert owner.post("/setup/shop", data=STEPS["shop"], headers=ours).status_code == 303


def test_sizes_are_limited(owner: Visitor) -> None:
    assert owner.post("/setup/shop", data={"name": "x" * 70_000}).status_code == 413
    assert owner.post("/setup/shop", data={f"f{n}": "x" for n in range(30)}).status_code == 400
    assert "at most 300" in owner.post("/setup/shop", data={"name": "x" * 1000, "units": "us"}).text
    assert owner.post("/setup/shop", content=b"{}", headers={"content-type": "application/json"}).status_code == 415
    assert owner.post("/api/v1/setup/shop/check", json={"answers": {"name": "x" * 9000}}).status_code == 422
    assert owner.post("/api/v1/setup/shop/check", json={"answers": {f"f{n}": "x" for n in range(30)}}).status_code == 422


def test_what_is_not_there_is_told_in_the_one_shape(owner: Visitor) -> None:
    for method, path in (
        ("GET", "/setup/nonsense"), ("POST", "/setup/nonsense"), ("GET", "/setup/runs/7"), ("POST", "/setup/runs/7"),
        ("POST", "/setup/runs/7/remove"), ("POST", "/setup/shop/1/remove"), ("POST", "/setup/take/9"),
        ("POST", "/api/v1/setup/nonsense/check"),
    ):
        answer = owner.ask(method, path, **({"json": {"answers": {}}} if "api" in path else {"data": {"a": "b"}}))
        assert (answer.status_code, answer.json()["error"]["status"]) == (404, 404), path
    assert owner.get("/setup/RUNS").status_code == 422


def test_a_wrong_answer_comes_back_with_its_words_and_its_reason(owner: Visitor, shop: Path) -> None:
    answer = owner.post("/setup/runs/new", data={**RUN, "length": "14", "pipe": "<b>stovepipe</b>"})
    assert answer.status_code == 422
    page = unescape(answer.text)
    assert "'14' has no unit; write for example '14 ft'" in page
    assert 'value="14"' in answer.text
    assert 'aria-invalid="true"' in answer.text
    assert "<b>stovepipe" not in answer.text
    assert read_draft(shop) is None


def test_a_single_answer_is_checked_and_the_rest_suggested(owner: Visitor) -> None:
    send(owner, "/setup/runs/new", RUN, "/setup/runs")
    answers = {"name": "planer", "into": "main", "pipe": "spiral 6 in", "needs": "370 cfm", "length": "x"}
    found = owner.post("/api/v1/setup/ports/check", json={"answers": answers, "own": ["name", "into", "pipe"]}).json()
    assert "length" in found["problems"]
    assert "pipe" not in found["problems"]
    # 4000 fpm through a 6 in pipe are 785 cfm: rounded up by tens.
    assert found["suggested"]["needs"] == "790 cfm"
    assert "pipe" not in found["suggested"]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_shown_and_written_as_they_are(owner: Visitor, shop: Path, name: str) -> None:
    send(owner, "/setup/shop", {**STEPS["shop"], "name": name}, "/setup/fan")
    for step in ("fan", "motor", "filter", "separator"):
        owner.post(f"/setup/{step}", data=STEPS[step])
    send(owner, "/setup/runs/new", {**RUN, "name": f"m {name}"}, "/setup/runs")
    send(owner, "/setup/ports/new", {**PLANER, "name": name, "into": f"m {name}"}, "/setup/ports")
    owner.post("/setup/rehearse")
    owner.post("/setup/dashboard", data=STEPS["dashboard"])
    paths = ("/setup/shop", "/setup/ports", "/setup/ports/1", "/setup/ports/new", "/setup/review")
    pages = [owner.get(path).text for path in paths]
    for page in pages:
        assert "<script>alert" not in page
        assert "<img src=x" not in page
        assert name in unescape(page)
    send(owner, "/setup/review", {"mark": mark_of(pages[-1])}, "/setup/done")
    config = load(shop)
    assert (config.file.shop.name, config.design.port_names, config.design.run_names) == (name, (name,), (f"m {name}",))


def test_what_cannot_be_written_is_refused(owner: Visitor) -> None:
    for name in ("a\nb", "a\x00b", "a\x1b[2Jb", "x" * 61, ""):
        answer = owner.post("/setup/shop", data={**STEPS["shop"], "name": name})
        assert answer.status_code == 422, name


def test_an_older_file_is_replaced_only_at_its_owners_word_and_kept(owner: Visitor, shop: Path) -> None:
    fill(owner)
    shop.write_text("mine\n")
    review = owner.get("/setup/review").text
    assert 'name="replace"' in review
    send(owner, "/setup/review", {"mark": mark_of(review)}, "/setup/review")
    assert "is there already" in owner.get("/setup/review").text
    assert shop.read_text() == "mine\n"
    send(owner, "/setup/review", {"mark": mark_of(review), "replace": "yes"}, "/setup/done")
    load(shop)
    assert shop.with_name("shop.toml.2026-03-01-093000").read_text() == "mine\n"


def test_only_the_text_that_was_read_is_written(owner: Visitor, shop: Path) -> None:
    fill(owner)
    mark = mark_of(owner.get("/setup/review").text)
    send(owner, "/setup/shop", {**STEPS["shop"], "name": "Changed in another window"}, "/setup/fan")
    send(owner, "/setup/review", {"mark": mark}, "/setup/review")
    assert "the answers have changed since" in owner.get("/setup/review").text.lower()
    assert not shop.exists()


def test_an_incomplete_one_is_not_written_and_says_what_is_missing(owner: Visitor, shop: Path) -> None:
    send(owner, "/setup/shop", STEPS["shop"], "/setup/fan")
    review = owner.get("/setup/review").text
    assert "Not complete yet" in review
    assert '<a class="row-link" href="/setup/fan">' in review
    send(owner, "/setup/review", {"mark": mark_of(review)}, "/setup/review")
    assert not shop.exists()
    send(owner, "/setup/runs", {}, "/setup/runs")
    assert "At least 1 run is needed" in owner.get("/setup/runs").text


def test_sensors_are_found_and_taken_over(owner: Visitor, shop: Path, desk: SetupDesk) -> None:
    fill(owner)
    send(owner, "/setup/sources/1/remove", {}, "/setup/sources")
    for _ in range(3):
        send(owner, "/setup/sensors/1/remove", {}, "/setup/sensors")
    assert f"Listen at {PORT}" in owner.get("/setup/sources").text
    send(owner, "/setup/search", {"port": "all"}, "/setup/sources#search")
    eventually(lambda: not owner.get("/api/v1/setup/search").json()["running"], 10)
    page = owner.get("/setup/sources").text
    assert "static pressure before the fan" in page
    assert "no permission to open it" in page
    assert "Listen again, the fan runs" not in page, "every name was recognised"
    assert "<b>x</b>" not in page
    send(owner, "/setup/take/1", {}, "/setup/sources")
    assert "with both pressures it can tell" in owner.get("/setup/sensors").text
    review = owner.get("/setup/review").text
    send(owner, "/setup/review", {"mark": mark_of(review)}, "/setup/done")
    assert load(shop).file.source[0].kind == "serial"
    assert [spec.channel for spec in load(shop).sensors] == ["inlet_pa", "filter_pa"]


def test_only_ports_that_are_there_are_opened_and_passwords_come_from_files(owner: Visitor, shop: Path) -> None:
    send(owner, "/setup/search", {"port": "/etc/shadow"}, "/setup/sources#search")
    assert "That port is not there any more" in owner.get("/setup/sources").text
    send(owner, "/setup/search", {"port": ""}, "/setup/sources#search")
    assert "Say where to listen" in owner.get("/setup/sources").text
    send(owner, "/setup/search", {"fan": "on"}, "/setup/sources#search")
    assert "Nothing was heard yet" in owner.get("/setup/sources").text
    form = {"broker": "barn.local", "user": "me", "password_file": "broker.password"}
    send(owner, "/setup/search", form, "/setup/sources#search")
    eventually(lambda: not owner.get("/api/v1/setup/search").json()["running"], 10)
    assert f"heard nothing of barn.local with {shop.parent / 'broker.password'}" in owner.get("/setup/sources").text


def test_a_draft_that_was_left_goes_on(owner: Visitor, shop: Path) -> None:
    send(owner, "/setup/shop", STEPS["shop"], "/setup/fan")
    send(owner, "/setup/fan", STEPS["fan"], "/setup/motor")
    with Visitor(create_setup_app(SetupDesk(shop, ports=list), 8765, KEY)) as later:
        later.get("/login", params={"key": KEY})
        assert later.get("/setup").headers["location"] == "/setup/motor"
        assert 'value="Barn"' in later.get("/setup/shop").text


def test_a_step_left_in_the_middle_goes_on_on_another_screen(owner: Visitor, shop: Path) -> None:
    """A phone that went to sleep: what was typed is there again, the rest suggested after it; the terminal knows it too."""
    send(owner, "/setup/runs/new", RUN, "/setup/runs")
    answers = {"name": "band saw", "into": "main", "pipe": "spiral 6 in", "length": ""}
    owner.post("/api/v1/setup/ports/check", json={"answers": answers, "own": ["name", "pipe", "nonsense"]})
    with Visitor(create_setup_app(SetupDesk(shop, ports=list), 8765, KEY)) as later:
        later.get("/login", params={"key": KEY})
        page = later.get("/setup/ports/new").text
        assert 'value="band saw"' in page
        assert 'value="spiral 6 in"' in page
        assert 'value="790 cfm"' in page, "what the chosen pipe carries"
        assert 'data-own="name pipe"' in page
    draft = read_draft(shop)
    assert draft is not None
    assert draft.unfinished is not None
    assert draft.unfinished.answers == {"name": "band saw", "pipe": "spiral 6 in"}
    send(owner, "/setup/ports/new", PLANER, "/setup/ports")
    assert 'value="band saw"' not in owner.get("/setup/ports/new").text


def test_a_disk_that_is_full_is_told(owner: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    answer = owner.post("/setup/shop", data=STEPS["shop"])
    assert answer.status_code == 503
    assert "No space left on device" in answer.json()["error"]["detail"]


def test_every_page_carries_the_dashboards_rules(owner: Visitor) -> None:
    for path in ("/setup/shop", "/setup/runs", "/setup/review", "/setup/done"):
        answer = owner.get(path)
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["x-frame-options"] == "DENY"
        assert not re.search(r"<script(?![^>]*\bsrc=)|\sstyle=|\son\w+=", answer.text), path


def test_one_port_alone_is_listened_at(desk: SetupDesk) -> None:
    assert desk.search({"port": PORT}) == ""
    eventually(lambda: not desk.search_state().running, 10)
    assert [found.where for found in desk.search_state().found] == [PORT]


def test_a_phone_is_let_in_by_a_code_once_and_a_guesser_is_not(desk: SetupDesk) -> None:
    now = [100.0]

    def served(code: OneTimeCode) -> Visitor:
        app = create_setup_app(desk, 8765, KEY, lambda: now[0], "192.168.7.20", code)
        return Visitor(app, "http://192.168.7.20:8765")

    code = OneTimeCode(now[0])
    with served(code) as phone:
        asked = phone.get("/setup/shop")
        assert (asked.status_code, asked.headers["location"]) == (303, "/login?next=/setup/shop")
        assert "The code from the terminal" in phone.get("/login").text
        assert phone.post("/login", data={"code": "aaaa aaaa"}).status_code == 401
        let_in = phone.post("/login", data={"code": f" {code.shown.upper()} "})
        assert (let_in.status_code, let_in.headers["location"]) == (303, "/setup")
        assert phone.get("/setup/shop").status_code == 200
        phone.cookies.clear()
        assert phone.post("/login", data={"code": code.text}).status_code == 401, "it works once"
        assert "has been used" in phone.get("/login").text
        assert phone.get("/setup/shop").status_code == 303
        strange = phone.get("/login", headers={"host": "elsewhere.example"})
        assert strange.status_code == 421, "a name that was pointed here is not answered"
    code = OneTimeCode(now[0])
    with served(code) as guesser:
        for _ in range(5):
            assert guesser.post("/login", data={"code": "2345 6789"}).status_code == 401
        assert guesser.post("/login", data={"code": code.text}).status_code == 401, "five tries and no more"
    code = OneTimeCode(now[0])
    with served(code) as late:
        now[0] += 15 * 60.0
        assert late.post("/login", data={"code": code.text}).status_code == 401, "it expires"


def test_the_page_goes_into_the_own_network_only_when_asked_and_never_to_the_world(
    desk: SetupDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    server = SetupServer(desk, 0)
    server.stop()
    assert server.url.startswith("http://127.0.0.1:")
    assert server.code is None

    class Socket(socket.socket):
        here = "192.168.7.20"

        def connect(self, address: object) -> None:
            """Nothing is sent."""

        def getsockname(self) -> tuple[str, int]:
            return self.here, 9

    monkeypatch.setattr("dashboard.setup_app.socket.socket", Socket)
    assert own_network_address() == "192.168.7.20"
    for Socket.here in ("8.8.8.8", "127.0.0.1"):
        with pytest.raises(ConfigError, match="not an address of an own network"):
            own_network_address()
