"""The living shop with its dashboard in a process of its own, which a test can stop or kill.

``python -m tests.browser.shop_process FOLDER PORT`` says the port on its first line; each line that it reads names the state
to bring the shop into, and is said back."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

from analysis.conditions import Condition
from analysis.events import EventKind
from analysis.readings import Quality, RunState
from dashboard.serve import DashboardThread
from dashboard.settings import DashboardSettings
from tests.dashboard.shop import Pump, Shop

STATES = ("running", "starting", "stopping", "unknown", "guess", "part", "silent", "full", "shelved", "over", "off")


def bring(shop: Shop, state: str) -> None:
    """Bring the shop into a state. ``part``: the pressure over the bags is silent; ``silent``: every sensor is."""
    silent = {"part": ("filter_pa",), "silent": ("inlet_pa", "filter_pa", "motor_a")}.get(state, ())
    not_running = {name: RunState(name) for name in ("starting", "stopping", "unknown")} | {"silent": RunState.UNKNOWN}
    shop.state = not_running.get(state)
    shop.quality = dict.fromkeys(silent, Quality.SILENT)
    shop.documents["measuring"] = {"ok": state != "silent", "since": shop.t}
    shop.sure = 0.28 if state == "guess" else 0.93
    shop.switch(state != "off")
    if state in ("full", "shelved", "over"):
        shop.claim(Condition.BAG_FULL, present=state != "over")
    shop.step(200 if state in ("full", "shelved", "over") else 20)
    if state == "shelved":
        shop.moved([shop.desk.shelve(alarm.id, shop.t, shop.t + 7200.0) for alarm in shop.desk.open()])
        shop.tell()


class ShopProcess:
    """The test's end of it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, 0
        self.start()

    def start(self) -> None:
        """Begin, or begin again at the same port with the same store."""
        command = [sys.executable, "-m", __name__, str(self.folder), str(self.port)]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.port = int(self._heard())

    def _heard(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline().strip()
        assert line, "the shop's process ended"
        return line

    @property
    def url(self) -> str:
        """Where its pages are."""
        return f"http://127.0.0.1:{self.port}"

    def say(self, state: str) -> None:
        """Bring it into a state, and wait until it is."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{state}\n")
        self._process.stdin.flush()
        assert self._heard() == state

    def stop(self) -> None:
        """It stands still, as a computer that hangs: every connection stays open."""
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """It wakes."""
        self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        """It is gone at once."""
        self._process.kill()
        self._process.wait(30.0)
        for end in (self._process.stdin, self._process.stdout):
            assert end is not None
            end.close()


def main(folder: Path, port: int) -> None:
    """Live until stdin ends."""
    new = not (folder / "shop.db").exists()
    shop = Shop(folder / "shop.db")
    if new:
        shop.note(EventKind.CLEANED)
    shop.switch(True)
    shop.step(600)
    pump = Pump(shop)
    thread = DashboardThread(DashboardSettings(shop.path, port=port, poll_s=0.5))
    thread.start()
    print(thread.port, flush=True)
    for line in sys.stdin:
        with pump.lock:
            bring(shop, line.strip())
        print(line.strip(), flush=True)
    thread.stop()
    pump.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
