"""What becomes of each notice is in the store, outlet by outlet, and a restart sends nothing twice."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.conditions import Condition, Urgency
from analysis.events import EventKind, ShopEvent
from analysis.readings import RunState
from daemon.errors import ConfigError
from daemon.notices import Notice
from daemon.outlets.tables import digest_moment, notice_settings, outlet_settings
from daemon.store.reader import Reader
from tests.daemon.alarms.shop_floor import T0, absent, present, unknown
from tests.daemon.outlets.servers import WebServer, closed_port, web_server
from tests.daemon.telling.lives import Life, shop
from tests.support.waiting import eventually

BAG, SLOW = present(Condition.BAG_FULL), present(Condition.LOW_VELOCITY, "planer")
GONE = (absent(Condition.BAG_FULL), absent(Condition.LOW_VELOCITY, "planer"))
UNKNOWN = tuple(unknown(condition) for condition in Condition)


def hook(name: str, port: int, more: str = "") -> str:
    return f'[[outlet]]\nkind = "webhook"\nname = "{name}"\nurl = "http://127.0.0.1:{port}/"\n{more}\n'


def ids(server: WebServer) -> list[str]:
    return [body["id"] for body in server.bodies()]


def settled(life: Life, *wanted: tuple[str, str, str]) -> None:
    """Turn until the store says so."""
    def holds() -> bool:
        life.turn()
        return life.notices() == list(wanted)

    try:
        eventually(holds)
    except AssertionError:
        raise AssertionError(f"the store says {life.notices()}") from None


def test_waiting_stands_only_for_an_outlet_that_took_the_notice(tmp_path: Path) -> None:
    dead = closed_port()
    config = shop(tmp_path, hook("all", dead) + hook("stops", dead, 'at_least = "stop"')
                  + hook("nobody answered", dead, "escalated_only = true"))
    life = Life(config, T0)
    life.seconds(605, SLOW)
    assert life.notices() == [("1-raised-1", "all", "waiting")]
    life.seconds(65, *GONE, BAG)
    assert life.notices()[1:] == [("2-raised-1", "all", "waiting"), ("2-raised-1", "stops", "waiting")]
    life.seconds(1800, BAG)
    assert ("2-escalated-1", "nobody answered", "waiting") in life.notices()
    assert all("escalated" in notice for notice, outlet, _ in life.notices() if outlet == "nobody answered")
    life.end()


def test_sent_once_through_an_orderly_restart_and_through_a_kill(tmp_path: Path) -> None:
    with web_server() as server:
        config = shop(tmp_path, hook("hook", server.port))
        first = Life(config, T0)
        first.seconds(70, BAG)
        settled(first, ("1-raised-1", "hook", "sent"))  # a kill before this mark would send it twice: better than never
        first.die()  # nobody remembered anything since the start but the store
        second = Life(config, first.t + 60.0)
        second.seconds(30, *UNKNOWN)
        second.seconds(30, BAG)
        second.end()
        third = Life(config, second.t + 60.0)
        third.seconds(30, BAG)
        third.seconds(150, *GONE)
        settled(third, ("1-raised-1", "hook", "sent"), ("1-cleared-1", "hook", "sent"))
        third.end()
        assert ids(server) == ["1-raised-1", "1-cleared-1"]


def test_what_waited_for_a_dead_server_is_sent_in_the_next_life(tmp_path: Path) -> None:
    port = closed_port()
    config = shop(tmp_path, hook("hook", port))
    first = Life(config, T0)
    first.seconds(70, BAG)
    first.end()
    assert first.notices() == [("1-raised-1", "hook", "waiting")]
    with web_server() as server:
        # the port that the configuration names now has somebody behind it
        second = Life(shop(tmp_path, hook("hook", server.port)), first.t + 60.0)
        second.seconds(5, BAG)
        settled(second, ("1-raised-1", "hook", "sent"))
        second.end()
        third = Life(shop(tmp_path, hook("hook", server.port)), second.t + 60.0)
        third.seconds(5, BAG)
        third.end()
        assert ids(server) == ["1-raised-1"]


@pytest.mark.slow
def test_what_the_other_side_refused_is_not_offered_again(tmp_path: Path) -> None:
    with web_server(answers=[403]) as server:
        config = shop(tmp_path, hook("hook", server.port))
        first = Life(config, T0)
        first.seconds(70, BAG)
        settled(first, ("1-raised-1", "hook", "refused"))
        tries = len(server.got)
        assert tries == 3
        first.die()
        second = Life(config, first.t + 60.0)
        second.seconds(20, BAG)
        second.end()
        assert second.notices() == [("1-raised-1", "hook", "refused")]
        assert len(server.got) == tries


def test_what_waited_too_long_is_stale_for_good(tmp_path: Path) -> None:
    config = shop(tmp_path, hook("hook", closed_port()))
    first = Life(config, T0)
    first.seconds(70, BAG)
    first.end()
    with web_server() as server:
        second = Life(shop(tmp_path, hook("hook", server.port)), T0 + 7 * 3600.0)
        second.seconds(1, BAG)
        settled(second, ("1-raised-1", "hook", "stale"))
        second.end()
        third = Life(shop(tmp_path, hook("hook", server.port)), T0 + 8 * 3600.0)
        third.seconds(5, BAG)
        third.end()
        assert third.notices() == [("1-raised-1", "hook", "stale")]
        assert server.got == []


def test_what_waited_for_an_outlet_that_is_no_more_is_dropped(tmp_path: Path) -> None:
    first = Life(shop(tmp_path, hook("old", closed_port())), T0)
    first.seconds(70, BAG)
    first.end()
    second = Life(shop(tmp_path, hook("new", closed_port())), first.t + 60.0)
    second.seconds(5, BAG)
    second.end()
    assert ("1-raised-1", "old", "dropped") in second.notices()


def test_what_is_crowded_out_is_dropped_in_the_store_too(tmp_path: Path) -> None:
    life = Life(shop(tmp_path, hook("hook", closed_port())), T0)
    life.seconds(1)
    life.teller._offer([
        Notice(f"{number}-raised-1", T0 + number, number, "short_cycling", "", "raised", Urgency.PLAN, "t", "b")
        for number in range(203)
    ])
    life.turn()
    states = [state for _, _, state in life.notices()]
    assert (states.count("waiting"), states.count("dropped")) == (200, 3)
    life.end()


def test_the_rate_of_alarms_is_shown_and_outlives_a_restart(tmp_path: Path) -> None:
    config = shop(tmp_path, hook("hook", closed_port()))
    first = Life(config, T0)
    first.seconds(70, BAG)
    first.end()
    second = Life(config, first.t + 1200.0)
    second.seconds(2, BAG)
    second.end()
    reader = Reader(second.path)
    shown = reader.status("alarms")
    reader.close()
    assert (shown["last_10_min"], shown["last_day"], shown["flood"]) == (0, 1, False)
    assert shown["published"]["flood_begins_per_10_min"] == 10
    assert shown["words"] == "0 alarms in the last 10 minutes, 1 in the last day: a person can follow that"


# -- the weekly digest ---------------------------------------------------------------------------------------------

DIGEST = '[notices]\ndigest_day = "monday"\ndigest_time = "06:00"\n'
MONDAY = datetime(2026, 3, 9, 6, tzinfo=UTC).timestamp()


def test_the_digest_of_a_week_is_told_once_to_those_who_want_it(tmp_path: Path) -> None:
    with web_server() as all_news, web_server() as alarms_only:
        outlets = hook("all", all_news.port) + hook("alarms", alarms_only.port, "digest = false")
        config = shop(tmp_path, outlets + hook("escalations", closed_port(), "escalated_only = true") + DIGEST)
        first = Life(config, MONDAY - 3 * 86400.0)
        began = first.t + 1.0
        first.writer.run(began, None)
        first.seconds(70, BAG)
        first.writer.event(ShopEvent(first.t, EventKind.EMPTIED, "owner", "two sacks"))
        first.seconds(150, *GONE)
        first.writer.run(began, first.t)
        first.die()
        second = Life(config, MONDAY - 100.0)
        second.seconds(10, *GONE, step=30.0, state=RunState.OFF)
        sent = ("digest-2026-W10", "all", "sent")
        eventually(lambda: second.turn() or sent in second.notices())  # type: ignore[func-returns-value]
        second.die()
        third = Life(config, second.t)
        third.seconds(20, *GONE, step=3600.0, state=RunState.OFF)
        third.end()
        assert [one for one in ids(all_news) if "digest" in one] == ["digest-2026-W10"]
        assert [one for one in ids(alarms_only) if "digest" in one] == []
        (body,) = [body for body in all_news.bodies() if body["event"] == "digest"]
        assert body["title"] == "Week 10: one thing to look at"
        text = body["body"].splitlines()
        assert text[0] == "Chair maker's barn, Mon 2 Mar 2026, 06:00 to Mon 9 Mar 2026, 06:00."
        assert text[1] == "The fan ran 4 min in 1 start."
        assert text[2].startswith("Filter: drag 1.15 times clean, which costs 2 % of the air")
        assert text[3:] == [
            "Open now:", "- The chip bag is full (fine now, not seen yet, since Fri 6 Mar 2026, 06:00)",
            "Alarms raised (1):", "- The chip bag is full, Fri 6 Mar 2026, 06:01",
            "Journal:", "- Fri 6 Mar 2026, 06:01: chip bag emptied: two sacks",
        ]


def test_the_next_week_has_a_digest_of_its_own(tmp_path: Path) -> None:
    with web_server() as server:
        config = shop(tmp_path, hook("all", server.port) + DIGEST)
        life = Life(config, MONDAY - 7200.0)
        life.seconds(16 * 24, step=3600.0, state=RunState.OFF)
        eventually(lambda: len(server.got) == 3)
        life.end()
        assert ids(server) == ["digest-2026-W10", "digest-2026-W11", "digest-2026-W12"]


# -- the configuration ---------------------------------------------------------------------------------------------


def test_what_an_outlet_takes_and_when_a_person_is_told(tmp_path: Path) -> None:
    config = shop(tmp_path, """
[[outlet]]
kind = "log"
at_least = "soon"

[[outlet]]
kind = "apprise"
urls = ["json://127.0.0.1:9/"]
escalated_only = true

[[outlet]]
kind = "mqtt"
host = "127.0.0.1"
digest = false

[notices]
quiet_hours = ["21:00", "06:00"]
repeat_stop_every = "5 min"
repeat_soon_every = "0 s"
escalate_after = "20 min"
tell_cleared = false
digest_day = "friday"
digest_time = "16:30"
""")
    wants = [one.wants for one in outlet_settings(config)]
    assert [(one.at_least, one.escalated_only, one.digest) for one in wants] == [
        (Urgency.SOON, False, True), (Urgency.PLAN, True, False), (Urgency.PLAN, False, False)]
    told = notice_settings(config)
    assert (told.repeat_s[Urgency.STOP], told.repeat_s[Urgency.SOON], told.escalate_after_s) == (300.0, None, 1200.0)
    assert (told.tell_cleared, told.tell_acknowledged) == (False, False)
    assert digest_moment(config) == (4, 16 * 60 + 30)


@pytest.mark.parametrize("more", ['[notices]\ndigest_day = "never"', ""])
def test_no_digest_where_nobody_wants_one(tmp_path: Path, more: str) -> None:
    assert digest_moment(shop(tmp_path, f'[[outlet]]\nkind = "log"\ndigest = {"true" if more else "false"}\n{more}')) is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[[outlet]]\nkind = "log"\nat_least = "later"', "at_least"),
        ('[[outlet]]\nkind = "log"\nat_least = "stop"\nescalated_only = true', "cannot both be given"),
        ('[notices]\ndigest_day = "someday"', "digest_day"),
        ('[notices]\ndigest_time = "6 o\'clock"', "is not a time of day"),
        ('[record]\nenergy_price = "0.32"', "write it as '0.32 EUR/kWh'"),
        ('[record]\nprice = "0.32 EUR/kWh"', "price"),
    ],
)
def test_mistakes_are_told_with_their_place(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words) as error:
        shop(tmp_path, text)
    assert "line" in str(error.value) or "shop.toml" in str(error.value)


def test_the_price_of_energy(tmp_path: Path) -> None:
    assert shop(tmp_path, '[record]\nenergy_price = "0.32 EUR/kWh"').file.record.price == (0.32, "EUR")
    assert shop(tmp_path, '[record]\nenergy_price = "0.14$/kWh"').file.record.price == (0.14, "$")
    assert shop(tmp_path, "").file.record.price is None
