"""Alarms, journal, runs, notices, baselines, configurations, documents: written, read again, and there after a restart."""

from __future__ import annotations

import hashlib
import json
import math
import sqlite3
import threading
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.conditions import Urgency
from analysis.events import EventKind, ShopEvent
from analysis.findings import Evidence
from analysis.readings import RunState
from daemon.alarms.types import AlarmState
from daemon.notices import Notice
from daemon.store.codec import finding_of, finding_text, to_json
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, OFF, Hand, alarm, estimate, frame, step

NORMAL, RAISED, SEEN = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED


def test_an_alarm_keeps_its_present_state_and_every_step(path: Path) -> None:
    writer = Writer(path)
    writer.transition(step(1, NORMAL, RAISED, NINE))
    writer.transition(step(1, RAISED, SEEN, NINE + 60, NINE, acknowledged_t=NINE + 60, by="owner"))
    writer.transition(step(2, NORMAL, RAISED, NINE + 90))
    writer.transition(step(1, SEEN, NORMAL, NINE + 120, NINE, cleared_t=NINE + 120))
    writer.close()
    reader = Reader(path)
    assert [(a.id, a.state) for a in reader.open_alarms()] == [(2, RAISED)]
    assert [a.id for a in reader.alarms()] == [2, 1]
    assert reader.alarms(NINE + 1, NINE + 100) == [alarm(2, RAISED, NINE + 90)]
    assert reader.alarm(1) == alarm(1, NORMAL, NINE + 120, NINE, cleared_t=NINE + 120)
    assert reader.alarm(9) is None
    steps = reader.transitions(1)
    assert [(s.t, s.before, s.after) for s in steps] == [
        (NINE, NORMAL, RAISED), (NINE + 60, RAISED, SEEN), (NINE + 120, SEEN, NORMAL)
    ]
    assert steps[0].evidence == {
        "drag_rate": {"value": 6.2, "kind": "ratio", "words": "growth of drag against its learned rate"}
    }
    assert [s.alarm_id for s in reader.transitions(start=NINE + 70)] == [2, 1]


def test_after_a_restart_the_open_alarms_are_the_same_things(path: Path) -> None:
    writer = Writer(path)
    writer.transition(step(3, NORMAL, RAISED, NINE))
    writer.transition(step(7, NORMAL, AlarmState.SHELVED, NINE, shelved_until=NINE + 900))
    writer.close()
    again = Writer(path)
    assert again.open_alarms() == [
        alarm(3, RAISED, NINE), alarm(7, AlarmState.SHELVED, NINE, shelved_until=NINE + 900)
    ]
    assert again.last_alarm_id() == 7
    again.close()


def test_evidence_that_is_no_number_survives_as_such(path: Path) -> None:
    broken = replace(alarm(1, RAISED, NINE).finding, evidence={"odd": Evidence(math.inf, "ratio", "odd")})
    text = finding_text(broken)
    assert json.loads(text)["evidence"]["odd"]["value"] is None
    assert math.isnan(finding_of(text).evidence["odd"].value)


def test_a_document_of_any_kind_is_valid_json() -> None:
    document = {"nan": math.nan, "state": RunState.RUNNING, "set": {1}, ("tuple",): None, "event": ShopEvent(1.0, EventKind.NOTE)}
    again = json.loads(to_json(document), parse_constant=lambda word: pytest.fail(word))
    assert again["nan"] is None
    assert again["state"] == "running"
    assert again["event"]["kind"] == "note"


def test_an_alarm_is_on_disk_with_the_next_tick(path: Path) -> None:
    hand = Hand()
    writer = Writer(path, commit_every_s=3600.0, monotonic=hand)
    reader = Reader(path)
    writer.transition(step(1, NORMAL, RAISED, NINE))
    writer.tick()
    assert len(reader.open_alarms()) == 1
    writer.close()


def test_the_journal_is_corrected_without_forgetting(path: Path) -> None:
    writer = Writer(path)
    cleaned = writer.event(ShopEvent(NINE, EventKind.CLEANED, "owner", "shook the bags"))
    emptied = writer.event(ShopEvent(NINE + 5, EventKind.EMPTIED, "ductwarden", where="chip bag"))
    assert cleaned != emptied
    assert writer.correct_event(cleaned, ShopEvent(NINE - 600, EventKind.REPLACED, "owner", "new bags"), NINE + 50)
    assert writer.remove_event(emptied, NINE + 60)
    assert not writer.remove_event(emptied, NINE + 61)
    assert not writer.correct_event(99, ShopEvent(NINE, EventKind.NOTE), NINE)
    writer.close()
    reader = Reader(path)
    (entry,) = reader.journal()
    assert (entry.id, entry.t, entry.kind, entry.text) == (cleaned, NINE - 600, "replaced", "new bags")
    (change,) = entry.changes
    assert (change["what"], change["before"]["kind"], change["before"]["text"]) == ("corrected", "cleaned", "shook the bags")
    assert [(e.id, e.removed) for e in reader.journal(removed=True)] == [(emptied, True), (cleaned, False)]
    last = reader.last_event("cleaned", "replaced")
    assert last is not None
    assert last.id == cleaned
    assert reader.last_event("emptied") is None
    again = Writer(path)
    assert again.event(ShopEvent(NINE, EventKind.NOTE)) > emptied
    again.close()


def test_runs_and_running_time(path: Path) -> None:
    writer = Writer(path)
    writer.run(NINE, None)
    writer.run(NINE, NINE + 600)
    writer.run(NINE + 1_000, NINE + 1_400, seconds=200.0, reason="with a pause")  # its beginning was never told
    writer.run(NINE + 2_000, None)
    writer.frame(frame(NINE + 2_050), None)
    writer.flush()
    reader = Reader(path)
    assert [(r.start_t, r.end_t, r.seconds) for r in reader.runs()] == [
        (NINE + 2_000, None, None), (NINE + 1_000, NINE + 1_400, 200.0), (NINE, NINE + 600, 600.0)
    ]
    assert [r.start_t for r in reader.runs(NINE + 500, NINE + 900)] == [NINE]
    assert reader.running_seconds() == pytest.approx(600 + 200 + 50)
    # Half of the first; a quarter of the second's 200 s; none of the last.
    assert reader.running_seconds(NINE + 300, NINE + 1_100) == pytest.approx(300 + 50)
    assert reader.running_seconds(NINE + 5_000) == 0.0
    reader.close()
    writer.close()


def test_a_run_cut_short_by_a_crash_ends_at_its_last_frame(path: Path) -> None:
    writer = Writer(path)
    writer.run(NINE, None)
    for k in range(100):
        writer.frame(frame(NINE + k), None)
    writer.frame(frame(NINE + 100, OFF), None)
    writer.flush()
    writer._committer.abandon()
    Writer(path).close()
    (run,) = Reader(path).runs()
    assert (run.end_t, run.seconds) == (NINE + 99, 99.0)
    assert "interrupted" in run.reason


NOTICE = Notice("7-raised-1", NINE, 7, "bag_full", "", "raised", Urgency.STOP, "The chip bag is full", "Stop the fan.")


def test_a_notice_is_known_by_outlet_also_after_a_restart(path: Path) -> None:
    writer = Writer(path)
    writer.notice(NOTICE, "mail", "waiting")
    writer.notice(NOTICE, "lamp", "waiting")
    writer.notice(NOTICE, "lamp", "sent")
    writer.close()
    again = Writer(path)
    assert again.unsent_notices() == [(NOTICE, "mail")]
    again.notice(NOTICE, "mail", "sent")
    again.close()
    rows = Reader(path).notices()
    assert {(row["outlet"], row["state"], row["tries"]) for row in rows} == {("mail", "sent", 2), ("lamp", "sent", 2)}


def test_baselines_and_configurations(path: Path) -> None:
    writer = Writer(path)
    writer.baseline("as built", NINE, {"ports": ["planer"]})
    writer.baseline("as built", NINE + 9, {"ports": ["planer", "lathe"]})
    text = "[shop]\nname = 'Chair maker´s barn'\n"
    digest = writer.configuration(text, NINE)
    assert digest == hashlib.sha256(text.encode()).hexdigest()
    writer.configuration(text, NINE + 500)
    writer.configuration(text)
    writer.close()
    reader = Reader(path)
    newest = reader.baseline("as built")
    assert newest is not None
    assert newest["document"] == {"ports": ["planer", "lathe"]}
    assert [b["t"] for b in reader.baselines()] == [NINE + 9, NINE]
    assert reader.baseline("none") is None
    assert reader.configurations() == [{"hash": digest, "first_t": NINE, "last_t": NINE + 500, "text": text}]


def test_learned_state_comes_back_and_is_written_only_when_it_changed(path: Path) -> None:
    writer = Writer(path)
    writer.state("estimator", {"drag": 1012.5, "gates": ["planer"]})
    assert writer.load_state("estimator") == {"drag": 1012.5, "gates": ["planer"]}
    writer.flush()
    commits = writer.health.commits
    writer.state("estimator", {"drag": 1012.5, "gates": ["planer"]})
    writer.flush()
    assert writer.health.commits == commits
    writer.state("estimator", {"drag": 1013.0})
    writer.close()
    again = Writer(path)
    assert again.load_state("estimator") == {"drag": 1013.0}
    assert again.load_state("nobody") is None
    again.close()


def test_status_documents_are_fresh_inside_the_process_and_seldom_on_disk(path: Path) -> None:
    hand = Hand()
    writer = Writer(path, monotonic=hand, wall=lambda: 5_000.0 + hand.t, status_every_s=10.0)
    reader = Reader(path)
    assert reader.heard_wall_t() is None
    for second in range(25):
        hand.t += 1.0
        writer.status("daemon", {"second": second})
        writer.tick()
        assert reader.status("daemon") == {"second": second}
        assert reader.heard_wall_t() == 5_000.0 + hand.t
    assert writer.health.commits <= 4
    writer.close()
    assert reader.status("daemon") == {"second": 24}
    found = reader.status_of("daemon")
    assert found is not None
    assert found.wall_t == 5_000.0 + hand.t


def test_a_status_that_somebody_waits_for_is_in_the_database_with_the_next_commit(path: Path) -> None:
    hand = Hand()
    writer = Writer(path, monotonic=hand, status_every_s=10.0)

    def on_disk() -> list[str]:
        with closing(sqlite3.connect(path)) as db:
            return [document for (document,) in db.execute("SELECT document FROM statuses WHERE name = 'tour'")]

    for second, soon in enumerate((False, False, True, False)):
        hand.t += 1.0
        writer.status("tour", {"step": second}, soon=soon)
        writer.tick()
        assert on_disk() == [['{"step":0}'], ['{"step":0}'], ['{"step":2}'], ['{"step":2}']][second]
    writer.close()
    assert on_disk() == ['{"step":3}']


def test_now_is_the_last_frame_with_its_estimate(path: Path) -> None:
    writer = Writer(path)
    reader = Reader(path)
    assert reader.now() is None
    writer.frame(frame(NINE), estimate(NINE))
    writer.flush()
    now = reader.now()
    assert now is not None
    assert (now["t"], now["state"], now["values"]["motor_a"]) == (NINE, "running", 9.4)
    assert now["estimate"]["gates"] == ["planer", "band saw"]
    writer.frame(frame(NINE + 1, OFF, motor_a=0.0), None)
    writer.close()
    now = reader.now()
    assert now is not None
    assert (now["t"], now["state"]) == (NINE + 1, "off")


def test_a_status_named_now_replaces_the_one_made_here(path: Path) -> None:
    writer = Writer(path)
    writer.status("now", {"t": 1.0, "own": True})
    writer.frame(frame(NINE), None)
    writer.close()
    assert Reader(path).now() == {"t": 1.0, "own": True}


def test_many_threads_read_while_one_writes(path: Path) -> None:
    writer = Writer(path, commit_every_s=0.0)
    reader = Reader(path)
    stop = threading.Event()
    problems: list[str] = []

    def look() -> None:
        seen = 0
        try:
            while not stop.is_set():
                frames = [row["motor_a"] for row in reader.frames(lot=50)]
                if frames != [float(k) for k in range(len(frames))] or len(frames) < seen:
                    problems.append(f"{len(frames)} frames after {seen}")
                seen = len(frames)
                reader.trend(["motor_a"], NINE, NINE + 1_000, 100)
                reader.open_alarms()
        except Exception as error:
            problems.append(repr(error))

    threads = [threading.Thread(target=look) for _ in range(4)]
    for thread in threads:
        thread.start()
    for k in range(200):
        writer.frame(frame(NINE + k, motor_a=float(k)), None)
        if k % 50 == 0:
            writer.transition(step(k + 1, NORMAL, RAISED, NINE + k))
    stop.set()
    for thread in threads:
        thread.join(90)
    reader.close()
    writer.close()
    assert problems == []
    assert writer.health.failures == 0
