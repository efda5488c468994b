"""Whether anything is measured and recorded at all, as the daemon tells it."""

from __future__ import annotations

from pathlib import Path

from daemon.notices import Notice
from daemon.selfcheck import LASTING_S, UNHEARD_S, Ear, StoreWatch
from daemon.sources.contract import Sample
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.support.fresh_store import fresh_store


def test_only_the_main_channels_count_and_only_for_seconds() -> None:
    now = [100.0]
    ear = Ear(lambda: now[0])
    assert ear.document() == {"ok": False, "since": None}
    ear.hear([Sample("node", 5.0, {"air_c": 20.0})], 5.0)
    assert ear.document()["since"] is None, "the weather says nothing about the unit"
    ear.hear([Sample("unit", 6.0, {"inlet_pa": -2100.0})], 6.0)
    assert ear.document() == {"ok": True, "since": 6.0}
    now[0] += UNHEARD_S
    assert ear.document() == {"ok": False, "since": 6.0}


def test_a_store_in_trouble_is_told_once_it_lasts_and_again_when_it_is_over(tmp_path: Path) -> None:
    fresh_store(tmp_path / "shop.db")
    writer, hand = Writer(tmp_path / "shop.db"), [0.0]
    told: list[Notice] = []
    watch = StoreWatch(writer, told.append, lambda: hand[0])
    writer.health.ok, writer.health.words = False, "the disk that holds shop.db is full; free some room"
    for hand[0] in (0.0, LASTING_S - 1.0):
        watch.look(1000.0)
    assert told == [], "another program may hold it for a moment"
    for hand[0] in (LASTING_S, LASTING_S + 1.0):
        watch.look(1030.0)
    (raised,) = told
    assert (raised.event, raised.title) == ("raised", "Nothing is being recorded")
    assert "the disk that holds shop.db is full" in raised.body
    writer.health.ok, writer.health.words = True, "writing again after 60 s"
    watch.look(1060.0)
    watch.look(1061.0)
    assert [notice.event for notice in told] == ["raised", "cleared"]
    writer.health.set_aside = "shop.damaged.db"
    watch.look(1062.0)
    assert "shop.damaged.db" in told[-1].body
    writer.close()
    with Reader(tmp_path / "shop.db") as reader:
        assert "shop.damaged.db" in reader.journal()[0].text
