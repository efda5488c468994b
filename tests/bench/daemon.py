"""The whole daemon against a plain stack of general parts: throughput, memory, processor time, trends of a year, idling.

    python -m tests.bench.daemon [--seconds 15] [--days 365] [--only throughput|rates|trends]

The plain stack does what anybody would write in an evening: a loop of paho-mqtt, ``json``, one sqlite-utils insert for each
message, and pandas for trends. It knows nothing of ducts, estimates or alarms; it only stores. Both take the same messages
from the same broker in the same run. Processor time is user and system time of the process, memory its resident set.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from daemon.config.load import load
from daemon.sources.contract import Sample
from daemon.store.migrate import ensure_schema
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from daemon.wiring import build_pipeline
from tests.bench.store import SERIES, a_day
from tests.support.broker import Broker, free_port
from tests.support.daemon_process import BARN, DaemonProcess, Feeder, shop_day, shop_file

TOPIC = "barn/unit"
FRAMES = 20_000
BEGAN = 1_790_000_000.0


def plain_stack(port: int, store: Path) -> None:
    """The plain stack, in a process of its own, until it is ended."""
    sys.modules["pyarrow"] = None  # type: ignore[assignment]  # not asked for by pandas, and half as much memory again
    import pandas  # noqa: F401  (its trends need it; a program that shows trends has it loaded)
    from sqlite_utils import Database

    table = Database(store).table("frames")

    def on_message(client: paho.Client, userdata: object, message: paho.MQTTMessage) -> None:
        table.insert({"t": time.time(), **json.loads(message.payload)})

    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.subscribe(TOPIC)
    client.loop_forever()


def throughput() -> None:
    """As fast as the machine allows, without wires: what a frame costs."""
    day = list(islice(shop_day(BARN, drag_ratio=1.2, bag_fill=0.05, minutes=FRAMES / 60.0), 75, FRAMES))
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "shop.db"
        ensure_schema(store, here=True)
        pipeline, writer = build_pipeline(load(BARN)), Writer(store)
        pipeline.sinks = [writer]
        samples = [Sample("unit", BEGAN + at, values) for at, values in enumerate(day)]
        began = time.process_time()
        pipeline.feed(samples)
        pipeline.finish()
        writer.close()
        ours = (time.process_time() - began) / len(day)

        from sqlite_utils import Database

        messages = [json.dumps(values) for values in day[:2_000]]
        table = Database(Path(folder) / "plain.db").table("frames")
        began = time.process_time()
        for at, message in enumerate(messages):
            table.insert({"t": BEGAN + at, **json.loads(message)})
        theirs = (time.process_time() - began) / len(messages)
    print(f"a frame from sample to disk with estimate, detectors and alarms: {ours * 1e6:.0f} us ({1 / ours:,.0f} a second); "
          f"plain stack, storing only: {theirs * 1e6:.0f} us ({1 / theirs:,.0f} a second)")


def used(pid: int) -> tuple[float, float]:
    """Processor seconds and resident MiB of a process (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    ticks, page = os.sysconf("SC_CLK_TCK"), os.sysconf("SC_PAGE_SIZE")
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return (int(fields[11]) + int(fields[12])) / ticks, pages * page / 2**20


def watched(pid: int, seconds: float) -> tuple[float, float]:
    """Share of a core, and resident MiB at the end."""
    before, began = used(pid)[0], time.monotonic()
    time.sleep(seconds)
    after, memory = used(pid)
    return (after - before) / (time.monotonic() - began), memory


def rates(seconds: float) -> None:
    """At 1, 10 and 50 frames a second, and idle, beside each other."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Broker(folder / "broker")
        broker.start()
        feed = paho.Client(CallbackAPIVersion.VERSION2)
        feed.connect("127.0.0.1", broker.port)
        feed.loop_start()
        try:
            for rate in (0, 1, 10, 50):
                one = folder / str(rate)
                one.mkdir()
                daemon, store = start_daemon(one, broker.port, max(rate, 1))
                plain = start_plain(one, broker.port)
                try:
                    feeder = Feeder(values_of(), lambda v: feed.publish(TOPIC, json.dumps(v)), max(rate, 1))
                    if rate:
                        feeder.__enter__()
                    time.sleep(3.0)
                    ours, theirs = both(lambda p: watched(p, seconds), daemon.pid, plain.pid)
                    if rate:
                        feeder.__exit__(None, None, None)
                finally:
                    plain.send_signal(signal.SIGTERM)
                    plain.wait(10.0)
                    daemon.end(signal.SIGTERM)
                kept = count(store), count(one / "plain.db")
                words = f"{rate:2d} frames/s" if rate else "idle       "
                print(f"{words}: daemon with dashboard {100 * ours[0]:5.2f} % of a core, {ours[1]:.1f} MiB ({kept[0]} stored); "
                      f"plain stack {100 * theirs[0]:5.2f} %, {theirs[1]:.1f} MiB ({kept[1]} stored)", flush=True)
        finally:
            feed.disconnect()
            feed.loop_stop()
            broker.stop()


def values_of() -> Iterator[dict[str, float]]:
    """The shop at work."""
    return islice(shop_day(BARN, drag_ratio=1.2, bag_fill=0.05, minutes=600.0), 75, None)


def both(look: Callable[[int], tuple[float, float]], a: int, b: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """Look at two processes at the same time."""
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(2) as pool:
        first, second = pool.map(look, (a, b))
    return first, second


def start_daemon(folder: Path, port: int, pace: float) -> tuple[DaemonProcess, Path]:
    """The daemon with its dashboard, listening to the broker."""
    web = free_port()
    source = (
        f'[[source]]\nkind = "mqtt"\nname = "barn"\nhost = "127.0.0.1"\nport = {port}\ntopics = {{ "{TOPIC}" = "json" }}'
    )
    daemon = DaemonProcess(shop_file(folder, source, port=web), web, pace)
    daemon.start(within_s=60.0)
    return daemon, folder / "shop.db"


def start_plain(folder: Path, port: int) -> subprocess.Popen[bytes]:
    """The plain stack, listening to the broker."""
    return subprocess.Popen([sys.executable, "-m", "tests.bench.daemon", "--plain", str(port), str(folder / "plain.db")])


def count(store: Path) -> int:
    """Rows of ``frames``."""
    try:
        with closing(sqlite3.connect(store)) as db:
            found: int = db.execute("SELECT count(*) FROM frames").fetchone()[0]
            return found
    except sqlite3.OperationalError:
        return 0


def trends(days: int) -> None:
    """A trend of all ``days`` from the roll-ups, from raw frames in SQL, and from raw frames by pandas."""
    import pandas as pd

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.db"
        ensure_schema(path, here=True)
        writer, rng = Writer(path, keep_raw_days=2.0 * days), random.Random(365)
        running = 0
        for day in range(days):
            for frame, found, on in a_day(day, rng):
                writer.frame(frame, found)  # type: ignore[arg-type]
                running += on
        writer.close()
        reader = Reader(path)
        start, end = reader.first_t() or 0.0, reader.last_t() or 0.0
        rolled = best(lambda: len(reader.trend(SERIES, start, end, 1_000).t), 7)
        reader.close()
        step = int((end - start) * 1000 / 1_000) + 1
        columns = ", ".join(f"avg({s}), min({s}), max({s})" for s in SERIES)
        sql = f"SELECT t_ms / {step}, {columns} FROM frames WHERE state = 1 GROUP BY 1"
        with closing(sqlite3.connect(path)) as db:
            raw = best(lambda: len(db.execute(sql).fetchall()), 1)

            def by_pandas() -> int:
                frame = pd.read_sql(f"SELECT t_ms, {', '.join(SERIES)} FROM frames WHERE state = 1", db)
                return len(frame.groupby(frame.pop("t_ms") // step).agg(["mean", "min", "max"]))

            plain = best(by_pandas, 1)
        print(f"a trend of {days} days ({running:,} running frames, five series, 1000 points): roll-ups {rolled * 1e3:.1f} ms; "
              f"raw in SQL {raw * 1e3:,.0f} ms ({raw / rolled:.0f} times); raw by pandas {plain * 1e3:,.0f} ms "
              f"({plain / rolled:.0f} times)")


def best(work: Callable[[], int], times: int) -> float:
    """Least processor time of some tries [s]; the work must bring something."""
    found = []
    for _ in range(times):
        began = time.process_time()
        assert work() > 0
        found.append(time.process_time() - began)
    return min(found)


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=15.0, help="how long each rate is watched")
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--only", choices=("throughput", "rates", "trends"))
    parser.add_argument("--plain", nargs=2, metavar=("PORT", "STORE"), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.plain:
        plain_stack(int(asked.plain[0]), Path(asked.plain[1]))
        return
    if asked.only in (None, "throughput"):
        throughput()
    if asked.only in (None, "rates"):
        rates(asked.seconds)
    if asked.only in (None, "trends"):
        trends(asked.days)


if __name__ == "__main__":
    main()
