"""One run of the daemon as far as telling goes: the real store, alarm desk, notice desk and outlets, fed with claims."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC
from pathlib import Path

from analysis.causes import explain
from analysis.findings import Finding
from analysis.readings import RunState
from daemon.config.config import Config
from daemon.config.load import parse
from daemon.memory import remember, restore
from daemon.store.writer import Writer
from daemon.telling import Teller
from daemon.wiring import build_pipeline
from tests.daemon.store.making import estimate, frame
from tests.support.fresh_store import fresh_store

BARN = Path("daemon/demo/chair-barn.toml")


def shop(folder: Path, more: str) -> Config:
    """The barn with these outlets and notices instead of its own; its store in ``folder``."""
    text = BARN.read_text()
    head, _, rest = text.partition("[[outlet]]")
    _, _, rest = rest.partition("[store]")
    path = folder / "shop.toml"
    path.write_text(f'{head}{more}\n[store]{rest.replace("demo.db", "shop.db")}')
    return parse(path.read_text(), path)


class Life:
    """From start to ``end`` (in order) or ``die`` (nothing is said goodbye to)."""

    def __init__(self, config: Config, t: float) -> None:
        self.t = t
        self.path = config.at(config.file.store.file)
        fresh_store(self.path)
        self.writer = Writer(self.path)
        self.pipeline = build_pipeline(config)
        self.teller = Teller(config, self.writer, self.pipeline, UTC)
        restore(self.writer, self.pipeline, self.teller.desk)
        self.pipeline.sinks = [self.writer, self.teller]
        self.teller.start(t)

    def seconds(self, count: int, *findings: Finding, step: float = 1.0, state: RunState = RunState.RUNNING) -> None:
        """So many ticks with these claims, as the service's loop does."""
        for _ in range(count):
            self.t += step
            seen, made = frame(self.t, state), estimate(self.t)
            self.writer.frame(seen, made)
            self.pipeline.last_frame, self.pipeline.last_estimate = seen, made
            self.pipeline.moved(self.pipeline.desk.update(self.t, explain(findings), True))
            self.teller.turn()
        self.teller.show({})
        self.writer.flush(force=True)

    def turn(self) -> None:
        """One turn of the loop without a new frame."""
        self.teller.turn()
        self.writer.flush(force=True)

    def end(self) -> None:
        """SIGTERM."""
        remember(self.writer, self.pipeline, self.teller.desk)
        self.teller.stop()
        self.writer.close()

    def die(self) -> None:
        """As after SIGKILL: what was not committed is lost. The threads are ended, but nothing of it is written."""
        self.teller._outlets.stop(0.0)
        self.writer._committer.close()

    def notices(self) -> list[tuple[str, str, str]]:
        """Notice, outlet and state of each row of the store, in order."""
        with closing(sqlite3.connect(self.path)) as connection:
            return connection.execute("SELECT notice_id, outlet, state FROM notices ORDER BY id").fetchall()
