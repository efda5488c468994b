"""Requests: asked from other processes, answered with what was done, in one transaction."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from daemon.errors import StoreError
from daemon.store import requests
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, frame
from tests.support.waiting import GENEROUS_S


def test_asked_taken_answered_and_seen(path: Path) -> None:
    writer = Writer(path)
    first = requests.append(path, "acknowledge", {"alarm_id": 7})
    second = requests.append(path, "shelve", {"alarm_id": 8, "until_t": NINE}, by="cli")
    taken = writer.requests()
    assert [(r.id, r.kind, r.payload, r.by) for r in taken] == [
        (first, "acknowledge", {"alarm_id": 7}, "owner"), (second, "shelve", {"alarm_id": 8, "until_t": NINE}, "cli")
    ]
    writer.answer(first, True, "acknowledged", NINE)
    writer.answer(second, False, "alarm 8 is not open", NINE + 1)
    writer.tick()
    assert writer.requests() == []
    reader = Reader(path)
    good, bad = reader.request(first), reader.request(second)
    assert good is not None
    assert bad is not None
    assert (good.done, good.accepted, good.result, good.done_t) == (True, True, "acknowledged", NINE)
    assert (bad.done, bad.accepted, bad.result) == (True, False, "alarm 8 is not open")
    assert [r.id for r in reader.requests()] == [second, first]
    assert reader.request(99) is None
    reader.close()
    writer.close()


def test_another_process_asks_while_frames_are_written(path: Path) -> None:
    writer = Writer(path, commit_every_s=0.0)
    program = (
        "import sys; from pathlib import Path; from daemon.store import requests;"
        "[requests.append(Path(sys.argv[1]), 'note', {'n': n}, by='other') for n in range(60)];"
        "print([m for m in ('pandas', 'sqlite_utils', 'numpy') if m in sys.modules])"
    )
    other = subprocess.Popen([sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True)
    seen: list[int] = []
    k = 0
    deadline = time.monotonic() + GENEROUS_S
    while len(seen) < 60 and time.monotonic() < deadline:
        writer.frame(frame(NINE + k), None)
        k += 1
        for request in writer.requests():
            seen.append(request.payload["n"])
            writer.answer(request.id, True, "noted", NINE + k)
    output, _ = other.communicate(timeout=90)
    writer.close()
    assert seen == list(range(60))
    assert output.strip() == "[]"
    assert all(r.done for r in Reader(path).requests(100))
    # A commit that met the other one's is tried again, so nothing is lost by it.
    assert len(list(Reader(path).frames())) == k


def test_the_asker_waits_for_the_answer_but_not_for_ever(path: Path) -> None:
    writer = Writer(path)
    asked = requests.append(path, "acknowledge", {"alarm_id": 1})
    assert not requests.wait_for_answer(path, asked, timeout_s=0.1).done

    def answer() -> None:
        writer.answer(asked, True, "done")
        writer.flush()

    thread = threading.Thread(target=answer)
    thread.start()
    assert requests.wait_for_answer(path, asked, timeout_s=90.0).result == "done"
    thread.join()
    writer.close()
    with pytest.raises(StoreError, match="no request 77"):
        requests.wait_for_answer(path, 77, timeout_s=0.1)


def test_a_request_waits_for_a_daemon_that_is_not_there_yet(path: Path) -> None:
    asked = requests.append(path, "journal_add", {"kind": "cleaned"})
    writer = Writer(path)
    assert [r.id for r in writer.requests()] == [asked]
    writer.close()


def test_too_much_is_refused_in_words(path: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no database at"):
        requests.append(tmp_path / "none.db", "note", {})
    assert not (tmp_path / "none.db").exists()
    with pytest.raises(StoreError, match="65536"):
        requests.append(path, "note", {"text": "x" * 70_000})
    with pytest.raises(StoreError, match="kind"):
        requests.append(path, "", {})
    with closing(sqlite3.connect(path)) as db:
        db.executemany(
            "INSERT INTO requests(kind, payload, by, done) VALUES ('note', '{}', 'x', 0)", [()] * requests.MOST_WAITING
        )
        db.commit()
    with pytest.raises(StoreError, match="is the daemon running"):
        requests.append(path, "note", {})


def test_a_payload_that_is_no_object_does_not_stop_the_daemon(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.executemany(
            "INSERT INTO requests(kind, payload, by, done) VALUES ('note', ?, 'x', 0)", [("[1, 2]",), ("{broken",), ("7",)]
        )
        db.commit()
    writer = Writer(path)
    assert [dict(r.payload) for r in writer.requests()] == [{}, {}, {}]
    writer.close()


HOLD = "import sqlite3, sys; sqlite3.connect(sys.argv[1]).execute('BEGIN IMMEDIATE'); print('held', flush=True); input()"


@pytest.mark.slow
def test_a_program_that_holds_the_database_costs_nothing_but_time(path: Path) -> None:
    command = [sys.executable, "-c", HOLD, str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        writer = Writer(path)
        writer.frame(frame(NINE), None)
        assert not writer.flush()
        assert "another program holds" in writer.health.words
        assert not writer.health.ok
        other.communicate("\n")
        assert writer.flush(force=True)
        assert writer.health.ok
        writer.close()
    assert len(list(Reader(path).frames())) == 1
