"""Any request to the pages of a running daemon, by a stranger, without a password, and by the owner who has logged in.

    python -m tests.endurance.interface --examples 300

Requests are made by schemathesis from the interface's own description, and answered by the daemon of the demonstration's
shop, which acts on what is accepted: it acknowledges, shelves, writes into its journal. No answer may be a server error,
nothing may reach the log as a traceback, and the daemon and its store must come out whole.
"""

from __future__ import annotations

import argparse
import signal
import sqlite3
import sys
import tempfile
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import requests
from hypothesis import HealthCheck, given, settings

from dashboard.access import hash_password
from dashboard.app import create_app
from dashboard.settings import DashboardSettings
from tests.support.broker import free_port
from tests.support.daemon_process import BARN, DaemonProcess

if TYPE_CHECKING:
    import schemathesis

PASSWORD = "shavings everywhere"
WHO = ("without a password", "stranger", "owner")


def endure(folder: Path, who: str, examples: int) -> tuple[Counter[int], list[str]]:
    """Ask ``examples`` times at each operation; returns the status codes and what went wrong."""
    import schemathesis  # takes seconds to load

    port = free_port()
    path = folder / "shop.toml"
    text = BARN.read_text().replace("port = 8765", f"port = {port}")
    if who != "without a password":
        (folder / "password").write_text(hash_password(PASSWORD) + "\n")
        text += 'password_file = "password"\n'
    path.write_text(text)
    daemon = DaemonProcess(path, port)
    daemon.start()
    session = requests.Session()
    found: Counter[int] = Counter()
    problems: list[str] = []
    address = f"http://127.0.0.1:{port}"
    try:
        if who == "owner":
            entered = session.post(f"{address}/login", {"password": PASSWORD}, headers={"origin": address}, allow_redirects=False)
            assert entered.status_code == 303, entered.text
        api = schemathesis.openapi.from_dict(create_app(DashboardSettings(Path("none.db"))).openapi())
        for operation in api.exclude(path="/api/v1/live").get_all_operations():
            made = operation.ok()
            if made is not None:
                ask(made, session, address, examples, found, problems, locked=who == "stranger")
        if not daemon.alive() or daemon.get("/healthz") is None:
            problems.append("the daemon does not answer any more")
        if daemon.end(signal.SIGTERM) != 0:
            problems.append("it did not end well")
        if "Traceback" in daemon.words():
            problems.append(daemon.words()[-3000:])
        with closing(sqlite3.connect(folder / "demo.db")) as db:
            problems += [row[0] for row in db.execute("PRAGMA integrity_check") if row[0] != "ok"]
    finally:
        daemon.end(signal.SIGKILL)
        session.close()
    return found, problems


def ask(
    operation: schemathesis.APIOperation, session: requests.Session, address: str, examples: int, found: Counter[int],
    problems: list[str], *, locked: bool,
) -> None:
    """All the requests at one operation; ``locked``: nothing but the question whether it lives is to be answered."""

    @settings(max_examples=examples, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy())
    def run(case: schemathesis.Case) -> None:
        if operation.method != "get":
            case.headers = {**(case.headers or {}), "origin": address}
        answer = case.call(base_url=address, session=session, timeout=20)
        found[answer.status_code] += 1
        busy = answer.status_code == 503 and "error" in answer.json()
        if answer.status_code >= 500 and not busy:
            problems.append(f"{operation.label}: {answer.status_code}: {answer.text[:300]}")
        if locked and answer.status_code != 401 and operation.path != "/healthz":
            problems.append(f"{operation.label}: a stranger was answered {answer.status_code}")

    run()


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--examples", type=int, default=300, help="requests at each operation and visitor")
    given_ = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    bad = 0
    for who in WHO:
        with tempfile.TemporaryDirectory() as folder:
            found, problems = endure(Path(folder), who, given_.examples)
        bad += len(problems)
        answers = dict(sorted(found.items()))
        print(f"{who}: {sum(found.values())} requests, answers {answers}, {len(problems)} problems", flush=True)
        print("\n".join(problems[:10]))
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
