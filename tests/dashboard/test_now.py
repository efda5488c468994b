"""The page "Now" and its JSON: the readings against the drawing, and every state in which there is little to show."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.conditions import Condition
from analysis.events import EventKind
from analysis.findings import Evidence
from analysis.readings import Quality, RunState
from dashboard.app import create_app
from dashboard.journal_view import local_t
from dashboard.settings import DashboardSettings
from tests.dashboard.conftest import Wall
from tests.dashboard.shop import Shop
from tests.dashboard.visitor import Visitor
from tests.support.waiting import eventually


def test_the_three_signals_are_shown_against_the_drawing(client: Visitor, shop: Shop) -> None:
    now = client.fresh()
    frame, estimate = shop.frame()
    inlet = now["signals"]["inlet_pa"]
    assert inlet["value"]["si"] == pytest.approx(frame.values["inlet_pa"], abs=150)
    assert inlet["value"]["shown"] == f"{-inlet['value']['si'] / 249.08891:.2f} in. w.g."
    assert inlet["verdict"] == "within"
    assert inlet["low"]["si"] == pytest.approx(estimate.expected["inlet_pa"].value + 1.96 * 45.0, abs=20), "least suction"
    assert now["state_words"].startswith("Fan running for 2 min")
    assert (now["verdict"]["tone"], now["verdict"]["title"], now["verdict"]["text"]) == ("ok", "All good", "")
    assert now["air"]["gates"] == "planer"


def test_a_reading_off_the_band_says_how_far_and_which_way(client: Visitor, shop: Shop) -> None:
    shop.suction_factor = 0.8
    shop.step(5)
    inlet = client.fresh()["signals"]["inlet_pa"]
    assert inlet["verdict"] == "below"
    assert inlet["verdict_words"] == f"low for these gates; normal: {inlet['low']['number']}–{inlet['high']['number']}"


def test_a_silent_channel_has_a_reason_and_no_number(client: Visitor, shop: Shop) -> None:
    shop.quality["motor_a"] = Quality.SILENT
    shop.step(3)
    now = client.fresh()
    assert now["signals"]["motor_a"]["value"]["si"] is None
    assert now["signals"]["motor_a"]["value"]["shown"] == "silent"
    assert now["signals"]["inlet_pa"]["value"]["si"] is not None


def test_with_the_fan_off_nothing_is_compared(client: Visitor, shop: Shop) -> None:
    shop.switch(False)
    shop.step(70)
    now = client.fresh()
    assert now["state_words"] == "Fan off"
    assert {signal["verdict"] for signal in now["signals"].values()} == {"off"}


def test_units_follow_the_query_the_device_and_the_shop(client: Visitor) -> None:
    assert client.fresh()["units"] == "us"
    assert client.get("/api/v1/now?units=si").json()["signals"]["inlet_pa"]["value"]["unit"] == "Pa"
    answer = client.post("/units", data={"units": "si", "back": "/trends"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/trends")
    assert client.get("/api/v1/now").json()["units"] == "si"
    assert client.get("/api/v1/now?units=furlong").json()["units"] == "si", "nonsense is no choice"


def test_filter_and_bag_say_what_is_known(client: Visitor, shop: Shop) -> None:
    shop.note(EventKind.CLEANED)
    shop.claim(
        Condition.FILTER_LOADING, present=False, forecast_s=17.2 * 3600, forecast_low_s=12e3 * 3.6, forecast_high_s=25 * 3600
    )
    shop.step(60)
    now = client.fresh()
    assert now["filter"]["words"] == "About 17 h left, 12 to 25"
    assert now["filter"]["fill"] == 24, "0.18 of the 0.75 that drag may grow; the shop loses 1.2 of 10 percent of its air"
    assert now["filter"]["ratio"]["shown"] == "1.18 × clean"
    assert now["bag"]["words"] == "Not full"
    life = {"forecast_s": 5.2 * 3600, "forecast_low_s": 3 * 3600, "forecast_high_s": 8 * 3600}
    shop.claim(Condition.BAG_FULL, present=False, **life)
    shop.claims[Condition.BAG_FULL, ""].evidence["fill"] = Evidence(0.42, "fraction", "of the chip bag filled")
    shop.claims[Condition.BAG_FULL, ""].evidence["left_here"] = Evidence(5.2 * 3600, "time", "running time left at the planer")
    loading = shop.claims[Condition.FILTER_LOADING, ""].evidence
    for name, days in (("days_left", 9), ("days_left_low", 5), ("days_left_high", 14)):
        loading[name] = Evidence(days * 86400.0, "time", name)
    shop.step(1)
    assert client.fresh()["filter"]["detail"] == "About 9 days (5 to 14) if you work as you did lately."
    bag = client.fresh()["bag"]
    assert bag["words"] == "About 5 h left, 3 to 8"
    assert bag["level"]["shown"] == "about 40\u00a0%, by running time"
    shop.claim(Condition.BAG_FULL)
    shop.step(1)
    assert client.fresh()["bag"]["words"] == "Full"


def test_a_sensor_that_gives_nothing_is_told_long_before_its_alarm(client: Visitor, shop: Shop) -> None:
    shop.quality["motor_a"] = Quality.SILENT
    shop.step(3)
    verdict = client.fresh()["verdict"]
    assert (verdict["tone"], verdict["title"]) == ("wait", "Watching in part: motor current is silent"), "no green"
    assert client.fresh("/api/v1/health")["words"] == "A sensor gives nothing: motor current."


def test_before_the_daemon_ran_every_page_works_and_says_what_it_waits_for(empty: Visitor) -> None:
    now = empty.get("/api/v1/now").json()
    assert now["waiting"] is True
    assert now["verdict"]["title"] == "Waiting for the daemon"
    page = empty.get("/")
    assert page.status_code == 200
    assert "Waiting for the daemon" in page.text
    assert empty.get("/healthz").json() == {"status": "waiting"}


def test_a_store_without_a_frame_waits_for_the_first_reading(tmp_path: Path, wall: Wall) -> None:
    shop = Shop(tmp_path / "young.db")
    shop.tell()
    with Visitor(create_app(DashboardSettings(shop.path), wall=wall)) as client:
        verdict = client.fresh()["verdict"]
    shop.close()
    assert verdict["title"] == "Waiting for the first reading"
    assert "serial" in verdict["text"], "it names the source it waits for"


def test_a_silent_daemon_is_told_with_since_when(client: Visitor, wall: Wall) -> None:
    wall.ahead = 600.0
    now = client.fresh()
    since = time.strftime("%H:%M", time.localtime(time.time()))
    assert now["silent"] is True
    assert now["verdict"]["tone"] == "silent"
    assert now["verdict"]["title"].startswith("No word from the daemon since ")
    assert now["verdict"]["title"][-5:-3] in (since[:2], f"{int(since[:2]) - 1:02d}")
    assert now["state_words"].startswith("Last heard: fan running for ")
    assert {signal["verdict_words"] for signal in now["signals"].values()} == {"as it was then"}, "nothing old is called good"
    assert client.get("/healthz").status_code == 503


def test_a_dashboard_alone_tells_at_once_that_the_daemon_ended(tmp_path: Path, wall: Wall) -> None:
    shop = Shop(tmp_path / "shop.db")
    shop.step(120)
    with Visitor(create_app(DashboardSettings(shop.path, silent_after_s=150.0, alone=True), wall=wall)) as client:
        wall.ahead = 60.0
        assert client.fresh()["silent"] is False, "it writes once a minute only"
        shop.close()
        wall.ahead = 61.0
        now = client.fresh()
        assert (now["silent"], now["verdict"]["tone"], now["contact"]) == (True, "silent", "lost")
        since = time.strftime("%H:%M", time.localtime(time.time() + 60.0))
        assert now["verdict"]["title"] == f"No word from the daemon since {since}", "when it was last seen alive"
        assert client.get("/healthz").status_code == 503


def test_a_living_daemon_without_frames_says_so(client: Visitor, shop: Shop) -> None:
    shop.writer.status("daemon", {"event_t": shop.t + 300.0})
    shop.writer.flush(force=True)
    assert client.fresh()["verdict"]["title"].startswith("No reading since ")


def test_a_name_from_the_configuration_is_never_markup(client: Visitor, shop: Shop) -> None:
    shop.documents["shop"]["name"] = '<script>alert("x")</script>'
    shop.documents["shop"]["ports"][0]["name"] = "<b onclick=x>planer</b>"
    shop.step(1)
    client.fresh()
    for path in ("/", "/ducts", "/trends"):
        text = client.get(path).text
        assert "<script>alert" not in text
        assert "<b onclick" not in text
        assert "&lt;script&gt;" in text


def test_the_live_feed_sends_the_same_as_now(client: Visitor, shop: Shop) -> None:
    live = client.box.live
    assert live is not None
    text = live._render(client.box.store.snapshot(), "us")
    assert json.loads(text) == client.get("/api/v1/now").json()


def test_nothing_measured_looks_well_at_no_moment(client: Visitor, shop: Shop) -> None:
    for channel in ("inlet_pa", "filter_pa", "motor_a"):
        shop.quality[channel] = Quality.SILENT
    shop.step(3)
    now = client.fresh()
    assert (now["verdict"]["tone"], now["verdict"]["title"], now["contact"]) == ("silent", "Nothing is measured", "lost")
    assert "is silent" in now["verdict"]["text"]


def test_a_daemon_that_hears_nothing_says_so_before_the_channels_count_as_silent(client: Visitor, shop: Shop) -> None:
    shop.documents["measuring"] = {"ok": False, "since": shop.t - 3.0}
    shop.step(1)
    now = client.fresh()
    assert (now["verdict"]["tone"], now["verdict"]["title"], now["contact"]) == ("silent", "Nothing is measured", "lost")
    assert client.get("/healthz").status_code == 503
    shop.documents["measuring"] = {"ok": False, "since": None}
    shop.step(1)
    now = client.fresh()
    assert (now["waiting"], now["verdict"]["title"], now["contact"]) == (True, "Waiting for the first reading", "lost")
    shop.documents["measuring"] = {"ok": True, "since": shop.t}
    shop.step(1)
    assert client.fresh()["contact"] == "ok"


def test_a_store_in_trouble_is_no_good_news(client: Visitor, shop: Shop) -> None:
    shop.documents["daemon"] = {"store_ok": False, "store_words": "the disk that holds shop.db is full; free some room"}
    shop.step(1)
    now = client.fresh()
    assert (now["verdict"]["tone"], now["verdict"]["title"]) == ("soon", "Nothing is being recorded")
    assert "The disk that holds shop.db is full" in now["verdict"]["text"]
    assert client.get("/healthz").status_code == 503


# -- never a false word: what a person in front of the machine could act on ----------------------------------------------------


@pytest.mark.parametrize("state", ["starting", "stopping", "unknown"])
def test_only_a_fan_that_stands_still_is_called_off(client: Visitor, shop: Shop, state: str) -> None:
    """Somebody may open a bag on the word "off"."""
    real = shop.frame
    shop.frame = lambda: (replace(real()[0], state=RunState(state)), real()[1])  # type: ignore[method-assign]
    shop.step(2)
    words = [client.fresh()["state_words"], client.fresh("/api/v1/ducts")["headline"]]
    words += [piece["words"] for piece in client.fresh("/api/v1/ducts")["pieces"]]
    words += [signal["verdict_words"] for signal in client.fresh()["signals"].values()]
    assert not any("off" in told.split() or told == "no air" for told in words), words
    assert "fan is off" not in client.get("/ducts").text.lower()
    assert "fan does not run" not in client.get("/fan").text


def test_beside_an_alarm_nothing_about_the_same_thing_is_called_normal(client: Visitor, shop: Shop) -> None:
    assert client.fresh()["signals"]["filter_pa"]["verdict"] == "within"
    shop.claim(Condition.FILTER_LOADING)
    shop.step(2000)
    now = client.fresh()
    assert now["verdict"]["title"] == "The filter is loaded"
    assert (now["signals"]["filter_pa"]["verdict"], now["signals"]["filter_pa"]["verdict_words"]) == ("alarm", "see the alarm")
    assert now["signals"]["inlet_pa"]["verdict"] == "within", "what has nothing to do with it stays"


def test_a_guess_is_not_a_fact(client: Visitor, shop: Shop) -> None:
    real = shop.frame
    shop.frame = lambda: (real()[0], replace(real()[1], gate_probability=0.28))  # type: ignore[method-assign]
    shop.step(2)
    now, ducts = client.fresh(), client.fresh("/api/v1/ducts")
    air = now["air"]
    assert (now["verdict"]["title"], now["verdict"]["text"]) == (
        "No trouble seen", "Not judged yet: the air at the ports (gates not known).")
    assert {signal["verdict"] for signal in now["signals"].values()} == {"unknown"}, "normal for gates that nobody knows"
    assert all(signal["verdict_words"].startswith("gates not known; ") for signal in now["signals"].values())
    assert (air["gates"], air["gates_sure"]) == ("not known", "perhaps planer, 28\u00a0%")
    assert ducts["headline"] == "Not known which gates are open"
    assert {piece["gate"] for piece in ducts["pieces"] if piece["kind"] == "port"} == {"unknown"}
    assert not {"shut", "no air", "carries chips"} & {piece["words"] for piece in ducts["pieces"]}
    assert [piece["name"] for piece in ducts["pieces"] if piece["air"]] == ["main"], "how air parts follows from the gates"
    assert ducts["tone"] == "wait"
    assert "Open one more gate" not in ducts["remark"]


def test_the_line_on_top_never_says_all_good_above_a_gauge_that_asks_for_something(client: Visitor, shop: Shop) -> None:
    shop.claim(Condition.FILTER_LOADING)
    shop.step(1)
    now = client.fresh()
    assert now["alarms"] == [], "it has not lasted long enough for an alarm yet"
    assert (now["verdict"]["tone"], now["verdict"]["title"]) == ("plan", "Filter: clean the bags")


def test_a_simulated_shop_says_so_and_tells_its_story(client: Visitor, shop: Shop) -> None:
    assert client.fresh()["demo"] is None, "a real shop has no strip"
    said = "drag nears the line at which cleaning pays; coarse planing fills the chip bag meanwhile"
    shop.documents["sources"] = [{"name": "demo shop", "kind": "simulator", "state": said}]
    shop.documents["daemon"] = {"pace": 120.0}
    shop.t = local_t("2026-03-03T10:13")
    shop.step(1)
    shop.writer.status("daemon", {"event_t": shop.t, "pace": 120.0})
    shop.writer.flush(force=True)
    strip = client.fresh()["demo"]
    assert strip["words"] == f"D{said[1:]}."
    assert strip["part"] == "Part 2 of 12, the next in 5 s."
    assert strip["href"].startswith("/trends")
    assert strip["paces"] == {"1": "false", "30": "false", "120": "true", "300": "false"}
    assert "Simulated, not measured" in client.get("/").text


def test_the_pace_of_a_real_shop_cannot_be_set(client: Visitor, shop: Shop) -> None:
    answers = threading.Thread(target=lambda: eventually(shop.answer))
    answers.start()
    refused = client.post("/api/v1/pace", json={"pace": 30})
    answers.join()
    assert refused.status_code == 409
    assert "only a simulated shop" in refused.json()["error"]["detail"]
    assert client.post("/api/v1/pace", json={"pace": 0}).status_code == 422


def test_where_neither_filter_nor_bag_is_judged_nothing_is_called_good(client: Visitor, shop: Shop) -> None:
    shop.claims.clear()
    shop.step(1)
    verdict = client.fresh()["verdict"]
    assert (verdict["tone"], verdict["title"]) == ("wait", "No trouble seen")
    assert verdict["text"] == "Not judged yet: the filter and the chip bag."
