"""How much the daemon writes in a day, counted at the system's door, in event time.

    python -m tests.endurance.writing --hours 1

The parts of the daemon that write (pipeline, store, status documents, what is remembered) run through hours of the barn's
shop at one frame a second, with a clock that the test moves; what they hand to the system is counted (``wchar`` of proc(5)).
That is an upper bound of what reaches the card: the system may join writes, and the card's own amplification comes on top.
"""

from __future__ import annotations

import argparse
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from random import Random

from daemon import service as service_module
from daemon.clock import FakeClock
from daemon.config.load import load
from daemon.memory import remember
from daemon.service import Service
from daemon.sources.contract import Sample
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer
from daemon.telling import Teller
from daemon.wiring import build_pipeline
from tests.support.daemon_process import BARN, shop_day

NOON = 1_790_000_000.0


@dataclass
class Written:
    """Bytes a day and syncs a day."""

    bytes: float
    commits: float


def written_a_day(folder: Path, hours: float, *, running: bool) -> Written:
    """Go through ``hours`` of the shop with the fan running throughout, or off."""
    config = load(BARN)
    path = folder / "shop.db"
    ensure_schema(path, here=True)
    hand = [0.0]
    writer = Writer(path, commit_every_s=service_module.COMMIT_S, monotonic=lambda: hand[0])
    pipeline = build_pipeline(config, grace_s=0.5)
    teller = Teller(config, writer, pipeline)
    pipeline.sinks = [writer, teller]
    service, clock = Service(config), FakeClock(NOON)
    rng = Random(2)
    seconds = int(hours * 3600.0) + 300
    day = iter(shop_day(BARN, drag_ratio=1.1, bag_fill=0.05, minutes=seconds / 60.0 + 5.0, cutting=True))
    began = commits = 0
    for second in range(seconds):
        if second == 300:
            began, commits = _wchar(), writer.health.commits
        values = next(day) if running else {name: rng.gauss(0.0, 0.1) for name in ("inlet_pa", "filter_pa", "motor_a")}
        t = NOON + second
        pipeline.feed([Sample("unit", t, values)])
        for quarter in range(4):
            hand[0] = clock.t = t + 0.25 * quarter + 0.25
            hand[0] -= NOON
            pipeline.advance(clock.t)
            teller.turn()
            if quarter == 0 and second % service_module.STATUS_S == 0:
                service._show(writer, pipeline, teller, [], clock)
            if quarter == 0 and second % service_module.REMEMBER_S == 0:
                remember(writer, pipeline, teller.desk)
            writer.tick()
    found, share = _wchar() - began, 86_400.0 / (seconds - 300)
    made = writer.health.commits - commits
    writer.close()
    return Written(found * share, made * share)


def _wchar() -> int:
    found = re.search(r"^wchar: (\d+)$", Path("/proc/self/io").read_text(), re.MULTILINE)
    assert found is not None
    return int(found[1])


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=1.0)
    given = parser.parse_args()
    day = 0.0
    for running, share in ((True, 4.0 / 24.0), (False, 20.0 / 24.0)):
        with tempfile.TemporaryDirectory() as folder:
            found = written_a_day(Path(folder), given.hours, running=running)
        day += share * found.bytes
        what = "running" if running else "off"
        print(f"fan {what} all day: {found.bytes / 1e6:.0f} MB, {found.commits:.0f} commits", flush=True)
    print(f"a maker's day, four hours running: {day / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
