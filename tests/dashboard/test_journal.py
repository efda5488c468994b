"""The journal: entries by tap and by form, corrections that keep what was said, and times in the shop's own zone."""

from __future__ import annotations

import time

import pytest

from analysis.events import EventKind
from dashboard.journal_view import field_time, local_t
from dashboard.problems import Refused
from tests.dashboard.shop import Shop
from tests.dashboard.test_alarms import answering
from tests.dashboard.visitor import Visitor


def test_a_tap_writes_an_entry_that_the_detectors_hear_of(client: Visitor, shop: Shop) -> None:
    with answering(shop):
        answer = client.post("/api/v1/journal", json={"kind": "cleaned"})
    assert answer.status_code == 200
    assert [event.kind for event in shop.events] == [EventKind.CLEANED]
    entry = client.get("/api/v1/journal").json()["entries"][0]
    assert (entry["words"], entry["t"], entry["by_words"]) == ("Filter cleaned", shop.t, "by you")


def test_an_entry_with_words_place_and_time(client: Visitor, shop: Shop) -> None:
    body = {"kind": "changed", "text": "  new hose ", "where": "planer", "at": "2026-02-27T16:30"}
    with answering(shop):
        assert client.post("/api/v1/journal", json=body).status_code == 200
    entry = client.get("/api/v1/journal").json()["entries"][0]
    assert (entry["text"], entry["where"], entry["at"]) == ("new hose", "planer", "2026-02-27T16:30")
    assert entry["t"] == time.mktime((2026, 2, 27, 16, 30, 0, 0, 0, -1))


def test_a_correction_keeps_what_was_said_before(client: Visitor, shop: Shop) -> None:
    entry_id = shop.note(EventKind.EMPTIED, "two bags")
    shop.tell()
    with answering(shop):
        body = {"kind": "cleaned", "text": "it was the filter", "at": "2026-03-03T09:00"}
        assert client.post(f"/api/v1/journal/{entry_id}/correct", json=body).status_code == 200
        assert client.post(f"/api/v1/journal/{entry_id}/correct", json={"kind": "note"}).status_code == 422, "no time given"
    entry = client.get("/api/v1/journal").json()["entries"][0]
    assert (entry["words"], entry["text"]) == ("Filter cleaned", "it was the filter")
    assert "Chip bag emptied" in entry["changes"][0]["words"]
    assert "two bags" in entry["changes"][0]["words"]
    with answering(shop):
        assert client.post(f"/api/v1/journal/{entry_id}/remove", json={}).status_code == 200
        assert client.post(f"/api/v1/journal/{entry_id}/remove", json={}).status_code == 409
    entry = client.get("/api/v1/journal").json()["entries"][0]
    assert entry["removed"] is True
    assert entry["editable"] is False
    assert "struck out" in client.get("/journal").text


def test_pages_go_back_in_time_without_a_gap(client: Visitor, shop: Shop) -> None:
    for number in range(7):
        shop.note(EventKind.NOTE, f"n{number}")
        shop.step(1)
    seen: list[str] = []
    before: float | None = None
    for _ in range(4):
        page = client.get("/api/v1/journal", params={"limit": 3} | ({} if before is None else {"before_t": before})).json()
        seen += [entry["text"] for entry in page["entries"]]
        before = page["older_t"]
        if before is None:
            break
    assert seen == [f"n{number}" for number in range(6, -1, -1)]


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "baseline"},
        {"kind": "ghost"},
        {},
        {"kind": "note", "text": "x" * 501},
        {"kind": "note", "at": "yesterday"},
        {"kind": "note", "at": "0001-01-01T00:00"},
        {"kind": "note", "t": 5},
        {"kind": "note", "t": 1e300},
    ],
)
def test_what_cannot_be_an_entry_is_refused(client: Visitor, body: dict[str, object]) -> None:
    answer = client.post("/api/v1/journal", json=body)
    assert answer.status_code == 422
    assert set(answer.json()) == {"error"}


def test_the_form_without_a_script(client: Visitor, shop: Shop) -> None:
    with answering(shop):
        answer = client.post("/journal", data={"kind": "emptied", "text": "", "at": ""})
    assert (answer.status_code, answer.headers["location"]) == (303, "/journal")
    assert "Chip bag emptied" in client.get("/journal").text
    assert client.post("/journal", data={"kind": "ghost"}).status_code == 422


def test_text_is_never_markup(client: Visitor, shop: Shop) -> None:
    shop.note(EventKind.NOTE, "<img src=x onerror=alert(1)>")
    shop.tell()
    assert "<img" not in client.get("/journal").text


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Chicago", "Asia/Kolkata", "UTC"])
def test_local_times_survive_there_and_back(zone: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        for text in ("2026-03-29T01:30", "2026-07-01T12:00", "2026-12-31T23:59"):
            assert field_time(local_t(text)) == text
        with pytest.raises(Refused):
            local_t("29 March")
    finally:
        monkeypatch.undo()
        time.tzset()
