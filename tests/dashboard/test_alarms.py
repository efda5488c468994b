"""Alarms: shown in words, acknowledged, put aside, taken out of service; and the answer when the daemon says no."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from analysis.conditions import Condition
from tests.dashboard.shop import Shop
from tests.dashboard.visitor import Visitor


@contextmanager
def answering(shop: Shop) -> Iterator[None]:
    """The shop's daemon answers requests meanwhile."""
    stop = threading.Event()

    def run() -> None:
        while not stop.wait(0.02):
            shop.answer()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(90.0)


def raised(shop: Shop, condition: Condition = Condition.BAG_FULL, where: str = "") -> int:
    shop.claim(condition, where)
    shop.step(400)
    return max(alarm.id for alarm in shop.desk.open())


def test_an_alarm_is_shown_in_whole_sentences(client: Visitor, shop: Shop) -> None:
    raised(shop)
    now = client.fresh()
    assert now["verdict"]["title"] == "The chip bag is full"
    assert now["verdict"]["text"] == "Stop the fan and empty the chip bag.", "what it is, and what to do"
    assert (now["verdict"]["answer"], now["rest"]) == ("I emptied it", []), "nothing is said twice"
    alarm = now["alarms"][0]
    assert alarm["action"] == "Stop the fan and empty the chip bag."
    assert alarm["sure"] == "very likely (93\u00a0%)"
    assert {row["words"]: row["shown"] for row in alarm["evidence"]} == {
        "growth of drag against its learned rate": "6.20 × clean",
        "pressure over the filter bags": "1.65 in. w.g.",
    }
    assert alarm["could_be"] == ["the filter bags are wet"]
    page = client.get("/").text
    assert "The chip bag is full" in page
    assert "I emptied it" in page


def test_nobody_is_told_to_stop_a_fan_that_is_off(client: Visitor, shop: Shop) -> None:
    number = raised(shop)
    alarm = client.fresh()["alarms"][0]
    assert (alarm["tag"], alarm["action"]) == ("Stop now", "Stop the fan and empty the chip bag.")
    shop.switch(False)
    shop.step(60)
    now = client.fresh()
    alarm = now["alarms"][0]
    assert (alarm["id"], now["state"]) == (number, "off"), "it is still open"
    assert (alarm["tag"], alarm["action"]) == ("Before the next start", "Empty the chip bag.")
    for path in ("/", f"/alarms/{number}"):
        page = client.get(path).text
        assert "Before the next start" in page, path
        assert "Stop the fan and" not in page, path
        assert "Empty the chip bag." in page, path


def test_acknowledging_is_answered_by_the_daemon(client: Visitor, shop: Shop) -> None:
    alarm_id = raised(shop)
    with answering(shop):
        answer = client.post(f"/api/v1/alarms/{alarm_id}/acknowledge")
    assert answer.status_code == 200
    assert answer.json()["words"] == "Seen."
    alarm = client.fresh()["alarms"][0]
    assert (alarm["state"], alarm["acknowledgeable"]) == ("acknowledged", False)
    history = client.get(f"/api/v1/alarms/{alarm_id}").json()
    assert [(step["after"], step["by"]) for step in history["transitions"]] == [
        ("unacknowledged", "ductwarden"),
        ("acknowledged", "owner"),
    ]


def test_what_the_daemon_declines_is_told_with_its_reason(client: Visitor, shop: Shop) -> None:
    alarm_id = raised(shop)
    with answering(shop):
        client.post(f"/api/v1/alarms/{alarm_id}/acknowledge")
        again = client.post(f"/api/v1/alarms/{alarm_id}/acknowledge")
        unknown = client.post("/api/v1/alarms/999/acknowledge")
    assert again.status_code == 409
    assert "acknowledged" in again.json()["error"]["detail"]
    assert unknown.status_code == 409
    assert "999" in unknown.json()["error"]["detail"]


def test_a_daemon_that_does_not_answer_is_not_waited_for_long(
    client: Visitor, shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    alarm_id = raised(shop)
    monkeypatch.setattr("dashboard.asking.WAIT_S", 0.1)
    answer = client.post(f"/api/v1/alarms/{alarm_id}/acknowledge")
    assert answer.status_code == 202
    assert answer.json()["done"] is False
    assert shop.answer() == 1, "it still reaches the daemon"


def test_putting_aside_has_an_end_in_event_time(client: Visitor, shop: Shop) -> None:
    alarm_id = raised(shop)
    with answering(shop):
        answer = client.post(f"/api/v1/alarms/{alarm_id}/shelve", json={"for_s": 3600, "reason": "bags come on Friday"})
    assert answer.status_code == 200
    now = client.fresh()
    alarm = now["alarms"][0]
    assert alarm["state"] == "shelved"
    assert alarm["shelved_until"] == shop.t + 3600
    now = client.fresh()
    assert now["bag"]["words"] == "Full", "put off, and still there: no gauge calls it fine"
    assert alarm["tone"] == "quiet"
    assert now["alarm_count"] == 0
    assert (now["verdict"]["tone"], now["rest"]) == ("quiet", []), "put off is not good, and said once"
    shop.claim(Condition.BAG_FULL, present=False)
    shop.step(1)
    now = client.fresh()
    alarm = now["alarms"][0]
    assert (alarm["title"], now["bag"]["words"]) == ("The chip bag was full", "Not full"), "no desk follows what is put off"
    assert "Stop the fan" not in alarm["action"]
    with answering(shop):
        assert client.post(f"/api/v1/alarms/{alarm_id}/unshelve").status_code == 200
    assert client.fresh()["alarms"][0]["state"] == "unacknowledged"


def test_a_condition_out_of_service_is_quiet_until_it_returns(client: Visitor, shop: Shop) -> None:
    raised(shop)
    place = {"condition": "bag_full", "where": "", "reason": "no bag fitted"}
    with answering(shop):
        assert client.post("/api/v1/conditions/out-of-service", json=place).status_code == 200
        assert client.fresh()["alarms"][0]["state"] == "out_of_service"
        assert client.post("/api/v1/conditions/return-to-service", json=place).status_code == 200
    assert client.fresh()["alarms"][0]["state"] == "unacknowledged"


def test_what_is_over_no_longer_shouts(client: Visitor, shop: Shop) -> None:
    raised(shop)
    shop.switch(False)
    shop.step(10)
    verdict = client.fresh()["verdict"]
    assert (verdict["title"], verdict["text"]) == ("The chip bag is full", "Empty the chip bag."), "nobody stops what stands"
    shop.switch(True)
    shop.claim(Condition.BAG_FULL, present=False)
    shop.step(900)
    now = client.fresh()
    assert now["alarms"][0]["state"] in ("returned_unacknowledged", "latched_unacknowledged")
    alarm = now["alarms"][0]
    assert alarm["tag"].startswith("Fine now")
    assert alarm["line"].startswith(f"{alarm['since']} to {alarm['cleared']} · ")
    assert alarm["urgency_words"] == "Stop now", "the list of what there was still tells how pressing it was"
    assert "empty" not in alarm["action"], "what was to be done then would mislead now"
    assert now["verdict"]["tone"] == "over"
    assert now["verdict"]["title"] == "The chip bag was full"
    assert now["alarm_count"] == 1, "it still waits for the owner"


def test_history_is_paged_and_bounded(client: Visitor, shop: Shop) -> None:
    raised(shop)
    shop.claim(Condition.BAG_FULL, present=False)
    shop.step(900)
    first = client.get("/api/v1/alarms/history").json()["alarms"]
    assert len(first) == 1
    assert client.get("/api/v1/alarms/history", params={"before_t": first[0]["raised_t"] - 1}).json()["alarms"] == []
    assert client.get("/api/v1/alarms/history?limit=100000").status_code == 422


def test_the_plain_form_works_without_a_script(client: Visitor, shop: Shop) -> None:
    alarm_id = raised(shop)
    with answering(shop):
        answer = client.post(f"/alarms/{alarm_id}/answer", headers={"content-type": "application/x-www-form-urlencoded"})
    assert answer.status_code == 303
    assert client.fresh()["alarms"][0]["state"] == "acknowledged"


def test_one_tap_writes_the_journal_answers_the_alarm_and_can_be_taken_back(client: Visitor, shop: Shop) -> None:
    alarm_id = raised(shop)
    with answering(shop):
        answer = client.post(f"/api/v1/alarms/{alarm_id}/answer").json()
        again = client.post("/api/v1/journal", json={"kind": "emptied"}).json()
        assert [event.kind.value for event in shop.events] == ["emptied"], "a second tap with a glove on enters nothing"
        assert answer["words"] == "Written into the journal: chip bag emptied."
        assert again["words"].startswith("Already in the journal: chip bag emptied at ")
        assert answer["undo"] == again["undo"] != ""
        assert client.fresh()["alarms"][0]["state"] == "acknowledged"
        assert client.post(f"/api/v1{answer['undo']}", json={}).status_code == 200
    entry = client.get("/api/v1/journal").json()["entries"][0]
    assert (entry["kind"], entry["removed"]) == ("emptied", True)


def test_an_alarm_without_an_entry_of_its_own_is_taken_as_seen(client: Visitor, shop: Shop) -> None:
    alarm_id = raised(shop, Condition.MOTOR_OVERLOAD)
    assert client.fresh()["verdict"]["answer"] == "Got it"
    with answering(shop):
        assert client.post(f"/api/v1/alarms/{alarm_id}/answer").json()["words"] == "Seen."
        assert client.post(f"/api/v1/alarms/{alarm_id}/answer").status_code == 409
    assert client.fresh()["verdict"]["answer"] == "", "nothing is left to tap"
    assert shop.events == []


def test_an_alarm_that_is_over_stays_in_its_tense_when_it_is_put_off(client: Visitor, shop: Shop) -> None:
    alarm_id = raised(shop, Condition.BLOCKED_RUN, "planer")
    shop.claim(Condition.BLOCKED_RUN, "planer", present=False)
    shop.step(4000)
    over = client.fresh()["alarms"][0]
    assert (over["tone"], over["answer"], over["action"]) == ("over", "Got it", "Check that everything is in order.")
    with answering(shop):
        client.post(f"/api/v1/alarms/{alarm_id}/shelve", json={"for_s": 7200})
    later = client.fresh()["alarms"][0]
    assert later["state"] == "shelved"
    assert later["meaning"].startswith("What it meant: ")
    assert "Stop the fan" not in later["action"]


def test_all_is_not_good_while_an_alarm_is_only_put_off(client: Visitor, shop: Shop) -> None:
    shop.claim(Condition.BLOCKED_RUN, "planer")
    shop.step(300)
    alarm = shop.desk.open()[0]
    shop.moved([shop.desk.shelve(alarm.id, shop.t, shop.t + 7200.0, "owner", "")])
    shop.step(1)
    verdict = client.fresh()["verdict"]
    assert (verdict["tone"], verdict["title"]) == ("quiet", "Put off: a run is plugged: planer")
    assert verdict["text"].endswith("Nothing else is open.")
