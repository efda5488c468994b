"""The daemon as a process of its own, and the simulated shop as the device that feeds it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import Cut, steady
from analysis.plant.dust import DustState
from analysis.plant.simulate import simulate
from daemon.config.load import load
from tests.support.waiting import GENEROUS_S, eventually

BARN = Path("daemon/demo/chair-barn.toml")
CHANNELS = ("inlet_pa", "filter_pa", "motor_a")


class DaemonProcess:
    """``ductwarden run`` on a configuration; stopped by SIGTERM or killed, and started again, at will."""

    def __init__(self, config: Path, port: int, pace: float = 1.0) -> None:
        self.config = config
        self.port = port
        self.pace = pace
        self.log = config.parent / "daemon.log"
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """Of the running process."""
        assert self._process is not None
        return self._process.pid

    def spawn(self, *options: str, preexec: Callable[[], None] | None = None, **environment: str) -> None:
        """Start it with these further options, and do not wait. ``preexec`` runs in it before the program does."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "daemon", "run", str(self.config), "--pace", str(self.pace), *options],
                stdout=log, stderr=log, stdin=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": os.getcwd(), **environment}, preexec_fn=preexec,
            )

    def start(
        self, *options: str, within_s: float = GENEROUS_S, preexec: Callable[[], None] | None = None, **environment: str
    ) -> None:
        """Start it and wait until its dashboard answers."""
        self.spawn(*options, preexec=preexec, **environment)
        eventually(lambda: self.alive() and self.get("/healthz") is not None, within_s, "the dashboard answers")

    def alive(self) -> bool:
        """Whether it runs; fails with its log where it has ended by itself."""
        assert self._process is not None
        if self._process.poll() is not None:
            raise AssertionError(f"the daemon ended with {self._process.returncode}:\n{self.words()}")
        return True

    def send(self, what: signal.Signals) -> None:
        """Send it a signal."""
        assert self._process is not None
        self._process.send_signal(what)

    def ended(self, within_s: float = GENEROUS_S) -> int:
        """Wait until it ends by itself; returns its exit code."""
        assert self._process is not None
        return self._process.wait(within_s)

    def words(self) -> str:
        """Its log."""
        return self.log.read_text(errors="replace")

    def get(self, path: str) -> Any | None:
        """A JSON document of its dashboard, None where there is no answer yet."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=90.0) as answer:
                text = answer.read().decode()
        except OSError:
            return None
        try:
            return json.loads(text)
        except ValueError:
            return text

    def end(self, how: signal.Signals = signal.SIGTERM, within_s: float = GENEROUS_S) -> int:
        """End it; returns its exit code."""
        process, self._process = self._process, None
        if process is None:
            return 0
        process.send_signal(how)
        try:
            return process.wait(within_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(90.0)
            raise AssertionError(f"the daemon did not end within {within_s} s of {how.name}:\n{self.words()}") from None


def shop_file(folder: Path, source: str, *, port: int, more: str = "") -> Path:
    """The barn with another source, its own store and its dashboard on ``port``, at work at any hour: its clock is ours."""
    text = re.sub(r"(?m)^hours = .*\n", "", BARN.read_text())
    head, _, rest = text.partition('[[source]]\nname = "demo shop"')
    sensors = "[sensor.inlet_pa]" + rest.partition("[sensor.inlet_pa]")[2]
    sensors = sensors.replace("port = 8765", f"port = {port}").replace('file = "demo.db"', 'file = "shop.db"')
    path = folder / "shop.toml"
    path.write_text(f"{head}{source}\n{sensors}\n{more}\n")
    return path


def shop_day(
    config: Path, *, drag_ratio: float, bag_fill: float, minutes: float, seed: int = 11, cutting: bool = True
) -> Iterator[dict[str, float]]:
    """A second of the simulated shop after the other, as a device would measure it: the planer at work (or only open)."""
    plant = as_built(from_design(load(config).design), seed)
    cut = Cut("planer", 0.30, 0.003, 28.0, 4.0)
    script = steady(["planer"], 1_790_000_000.0, minutes * 60.0, [cut] if cutting else [], idle_s=60.0)
    state = DustState.at(plant.bags, drag_ratio, bag_fill)
    for block in simulate(plant, script, seed, state=state, channels=CHANNELS, idle_step_s=1.0):
        for _, values, _ in block.frames():
            yield values


class Feeder:
    """Sends a shop's seconds at ``pace`` a second, in its own thread, until stopped or through."""

    def __init__(self, seconds: Iterator[dict[str, float]], send: Callable[[dict[str, float]], None], pace: float) -> None:
        self._seconds = seconds
        self._send = send
        self._pace = pace
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.sent = 0

    def __enter__(self) -> Feeder:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(90.0)

    def _run(self) -> None:
        began = time.monotonic()
        for values in self._seconds:
            due = began + self.sent / self._pace
            if self._stop.wait(max(0.0, due - time.monotonic())):
                return
            self._send(values)
            self.sent += 1
