"""The first hour of README.md, walked command by command in an invented shop, as its transcript tells it.

The shop: a boat builder's loft in metric units. Nobody knows the fan's curve nor the motor's plate nor what clean bags lose, and
no baseline is made. A board with names that say nothing (``P1``, ``P2``, in hPa, and its uptime) hangs on a pseudo-terminal. What
it sends is the drawing itself, 5 % off in both pressures, so that no command can know more than its owner told it.

In ``transcript.txt`` a line ``$`` is typed at the shell, a line ``>`` at a question, a line beginning with ``!`` is done by hand
in the shop; every other line must come in the output, ``...`` stands for any lines (as in doctest).
"""

from __future__ import annotations

import doctest
import os
import re
import shlex
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.duct.solve import solve
from daemon.config.load import load
from daemon.config.sources import SerialTable
from tests.support.broker import free_port
from tests.support.daemon_process import DaemonProcess
from tests.support.fake_device import FakeDevice
from tests.support.waiting import eventually

pytestmark = pytest.mark.slow
HERE = Path(__file__).parent
README = (HERE.parents[1] / "README.md").read_text()


class Board:
    """The board: a line five times a second, with the fan at rest or running with the bench's gate open."""

    def __init__(self, path: Path) -> None:
        self.device = FakeDevice(path)
        self.running = False
        self.taps = (0.0, 0.0)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._speak, daemon=True)
        self._thread.start()

    def _speak(self) -> None:
        number = 0
        while not self._stop.wait(0.2):
            number += 1
            noise = 0.02 * ((number * 7) % 5 - 2)
            inlet, bags = self.taps if self.running else (0.0, 0.0)
            line = f"P1:{inlet / 100.0 + noise:.2f} hPa P2:{bags / 100.0 - noise:.2f} hPa up:{200 * number}"
            try:
                self.device.line(line)
            except AssertionError:
                self.device.drain()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(90.0)
        self.device.close()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    made = Board(tmp_path / "board")
    yield made
    made.close()


def blocks() -> Iterator[tuple[str, list[str], list[str]]]:
    """Each command of the transcript with what is typed at its questions, and what must be shown."""
    for block in re.split(r"^\$ ", (HERE / "transcript.txt").read_text(), flags=re.M)[1:]:
        command, *lines = block.rstrip().splitlines()
        yield command, [line[2:] for line in lines if line.startswith((">", "!"))], [
            line for line in lines if not line.startswith((">", "!"))
        ]


def said(command: str, answers: list[str], folder: Path, board: Board) -> str:
    """What a command shows. An answer that begins with ``fan`` switches the fan and is then an Enter."""
    process = subprocess.Popen(
        [sys.executable, "-m", "daemon", *shlex.split(command)[1:]], cwd=folder, text=True, stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        env={**os.environ, "PYTHONPATH": str(HERE.parents[1]), "COLUMNS": "130", "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdin is not None
    assert process.stdout is not None
    if not any(answer.startswith("fan ") for answer in answers):
        shown, _ = process.communicate("".join(f"{answer}\n" for answer in answers), timeout=60.0)
        return shown
    shown = ""
    for answer in answers:
        while not shown.endswith("Enter: ") and not shown.endswith("runs: "):
            letter = process.stdout.read(1)
            if not letter:  # it has ended; what it showed tells why
                process.wait()
                return shown
            shown += letter
        board.running = answer == "fan on"
        shown += "\n"
        process.stdin.write("\n")
        process.stdin.flush()
    return shown + process.communicate(timeout=60.0)[0]


def test_the_first_hour(tmp_path: Path, board: Board) -> None:
    checker = doctest.OutputChecker()
    (tmp_path / "node").symlink_to(board.device.path)
    typed = []
    for command, answers, expected in blocks():
        typed.append(command)
        shown = said(command, answers, tmp_path, board).replace(str(tmp_path), "HERE")
        shown = "\n".join(line.rstrip() for line in shown.splitlines() if line.strip()) + "\n"
        wanted = "\n".join(expected) + "\n"
        if not checker.check_output(wanted, shown, doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE):
            raise AssertionError(f"$ {command}\nshould show:\n{wanted}\nbut shows:\n{shown}")
        if command.startswith("ductwarden init"):
            design = load(tmp_path / "shop.toml").design
            answer = solve(design, ("bench",))
            board.taps = (0.95 * answer.inlet_pa, 0.95 * answer.filter_pa)
    said_in_readme = re.findall(r"`\.venv/bin/ductwarden (\w+)", README.partition("## The first hour")[2].partition("\n## ")[0])
    walked = {command.split()[1] for command in typed} | {"run"}
    assert set(said_in_readme) <= walked | {"service"}, "the transcript walks what README says"
    watched(tmp_path, board)


def watched(folder: Path, board: Board) -> None:
    """Step 5: it runs, waits for readings, sees the fan start, and raises nothing on an ordinary day."""
    shop = folder / "shop.toml"
    config = load(shop)
    (source,) = config.file.source
    assert isinstance(source, SerialTable)
    assert {spec.channel for spec in config.sensors} == {"inlet_pa", "filter_pa"}
    port = free_port()
    shop.write_text(re.sub(r"^port = \d+", "", shop.read_text(), flags=re.M) + f"\n[dashboard]\nport = {port}\n")
    board.running = False
    daemon = DaemonProcess(shop, port)
    daemon.start(within_s=60.0)
    try:
        eventually(lambda: "off" in str(now(daemon).get("state")), 60.0, "the fan is seen at rest")
        board.running = True
        eventually(lambda: now(daemon).get("state") == "running", 60.0, "the fan is seen to run")
        eventually(lambda: compared(now(daemon)), 60.0, "the readings are compared with the drawing's band")
        assert now(daemon)["alarms"] == []
    finally:
        code = daemon.end(signal.SIGINT)
    assert code == 0


def compared(document: dict[str, object]) -> bool:
    """Whether the suction is set beside what is normal for it."""
    signals = document.get("signals")
    return isinstance(signals, dict) and signals["inlet_pa"]["verdict"] in ("within", "above", "below")


def now(daemon: DaemonProcess) -> dict[str, object]:
    found = daemon.get("/api/v1/now")
    return found if isinstance(found, dict) else {}
