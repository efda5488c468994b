"""What must outlive a power cut is synced with its own commit (SQLite's synchronous=FULL); the rest waits for its turn."""

from __future__ import annotations

from pathlib import Path

from daemon.store.committer import Committer
from daemon.store.migrate import ensure_schema

KEEP = ("INSERT OR REPLACE INTO meta(key, value) VALUES ('test', '1')", ())


def test_what_is_urgent_is_synced_at_once(tmp_path: Path) -> None:
    ensure_schema(tmp_path / "shop.db")
    committer = Committer(tmp_path / "shop.db", 90.0, 1e9, lambda: 0.0)
    said: list[str] = []
    committer.connection.set_trace_callback(said.append)
    for urgent in (False, True):
        said.clear()
        committer.statements.append(KEEP)
        committer.urgent = urgent
        assert committer.commit()
        assert ("PRAGMA synchronous=FULL" in said[: said.index("COMMIT")]) is urgent, said
    committer.close()
