"""``make run`` in a fresh copy of the repository, as someone meets it who has just cloned it: the page and its three uses."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.broker import free_port
from tests.support.waiting import eventually

ROOT = Path(__file__).parents[2]
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not (ROOT / ".git").exists() or not shutil.which("git") or not shutil.which("make"), reason="needs git, make and a clone"
    ),
]


class Newcomer:
    """A fresh clone in which ``make run`` is under way; ``shown`` is what the terminal shows."""

    def __init__(self, folder: Path, *make: str, **environment: str) -> None:
        self.folder = folder
        self.port = free_port()
        self.log = folder.with_suffix(".log")
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                ["make", *make, "run", f"PORT={self.port}"], cwd=folder, stdout=log, stderr=log, stdin=subprocess.DEVNULL,
                env={**os.environ, **environment}, start_new_session=True,
            )

    @property
    def shown(self) -> str:
        return self.log.read_text(errors="replace")

    def page(self, path: str = "/") -> str:
        """What the address that was printed answers; empty where nobody answers yet."""
        assert self.process.poll() is None, self.shown
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=60.0) as answer:
                text: str = answer.read().decode()
                return text
        except urllib.error.HTTPError as error:
            if error.code == 503:
                return ""
            raise
        except OSError:
            return ""

    def asks(self, path: str) -> Any:
        """A document of the page. A busy daemon may ask to come again, as it does a browser."""
        texts: list[str] = []
        eventually(lambda: texts.append(self.page(f"/api/v1/{path}")) or texts[-1], what=f"{path} is answered")
        return json.loads(texts[-1])

    def hurry(self, pace: float) -> None:
        """What the page's own control of the pace does."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}/api/v1/pace", json.dumps({"pace": pace}).encode(), {"content-type": "application/json"}
        )
        with urllib.request.urlopen(request, timeout=90.0) as answer:
            assert answer.status == 200, answer.read()

    def control_c(self) -> int:
        """As the terminal does it: to all that runs in it."""
        os.killpg(self.process.pid, signal.SIGINT)
        return self.process.wait(90.0)


def clone(folder: Path) -> Path:
    """The committed state, as ``git clone`` gives it."""
    subprocess.run(["git", "clone", "-q", "--no-hardlinks", str(ROOT), str(folder)], check=True, timeout=300, capture_output=True)
    return folder


@pytest.fixture(scope="module")
def newcomer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Newcomer]:
    """With the packages that are installed already; make takes them for fresh."""
    folder = clone(tmp_path_factory.mktemp("newcomer") / "ductwarden")
    (folder / ".venv").symlink_to(sys.prefix)
    came = Newcomer(folder, "-o", ".venv/bin/python", "-o", ".venv/.run-ready", PYTHONPATH=str(folder))
    yield came
    if came.process.poll() is None:
        os.killpg(came.process.pid, signal.SIGKILL)
        came.process.wait()


def test_the_address_is_printed_and_the_page_is_there_and_says_that_the_shop_is_invented(newcomer: Newcomer) -> None:
    eventually(lambda: newcomer.page(), 180.0, "the page answers")
    assert "The demo shop is invented" in newcomer.shown
    assert f"dashboard: http://127.0.0.1:{newcomer.port}/" in newcomer.shown
    assert "Traceback" not in newcomer.shown
    assert "<h1" in newcomer.page()
    assert (newcomer.folder / "var" / "demo.db").exists(), "it is the copy that runs"


def test_values_live(newcomer: Newcomer) -> None:
    def running() -> Any:
        now = newcomer.asks("now")
        return now if now and now["state"] == "running" and now["signals"]["inlet_pa"]["value"]["si"] is not None else None

    eventually(running, 180.0, "the fan runs and its suction is shown")
    first = newcomer.asks("now")
    eventually(lambda: newcomer.asks("now")["t"] > first["t"], 90.0, "time goes on")
    seen: set[str] = set()
    eventually(lambda: seen.add(json.dumps(newcomer.asks("now")["signals"])) or len(seen) >= 2, 90.0, "the readings change")
    assert first["pace"] == "120 times as fast as real time", "the page tells that the shop runs faster than life"
    newcomer.hurry(600.0)  # what comes at 120 within three and within five minutes is seen sooner
    eventually(lambda: newcomer.asks("now")["pace"].startswith("600 times"), what="the page tells the new pace")


def test_first_use_it_watches_and_an_alarm_says_what_to_do(newcomer: Newcomer) -> None:
    eventually(lambda: newcomer.asks("alarms")["alarms"], 240.0, "README promises an alarm within three minutes")
    alarm = newcomer.asks("alarms")["alarms"][0]
    page = newcomer.page(f"/alarms/{alarm['id']}")
    assert alarm["title"] in re.sub(r"\s+", " ", page)
    assert newcomer.asks("now")["verdict"]["tone"] != "ok", "the first page tells it"


def test_second_use_trends_have_a_line_and_what_the_drawing_expects(newcomer: Newcomer) -> None:
    now = newcomer.asks("now")["t"]
    trend = newcomer.asks(f"trends?series=inlet_pa&start={now - 3600.0}&end={now}&points=200")
    held = [value for value in trend["columns"]["inlet_pa"]["mean"] if value is not None]
    assert len(held) > 20
    assert trend["bands"], "the band of the drawing"
    assert "<h1" in newcomer.page("/trends")


def test_third_use_the_added_run_has_its_page_and_its_answer(newcomer: Newcomer) -> None:
    """It names the ports, what each has lost by the run and by the filter, and what the simulator knows to be true."""
    eventually(lambda: newcomer.asks("added-run")["ports"], 400.0, "the added run is answered")
    answer = newcomer.asks("added-run")
    assert answer["known"]
    assert answer["lines"][0].startswith("Yes"), answer["lines"]
    page = re.sub(r"\s+", " ", newcomer.page("/added-run"))
    assert answer["title"] in page
    assert len(answer["ports"]) == len(answer["truth"]) == 4
    for port, truth in zip(answer["ports"], answer["truth"], strict=True):
        assert port["name"] in page
        assert truth.startswith(f"{port['name']}: ")


def test_control_c_ends_it_and_frees_the_port(newcomer: Newcomer) -> None:
    newcomer.control_c()
    assert "Traceback" not in newcomer.shown
    with pytest.raises(urllib.error.URLError):
        urllib.request.urlopen(f"http://127.0.0.1:{newcomer.port}/", timeout=90.0)


@pytest.mark.long
def test_from_nothing_with_an_environment_of_its_own(tmp_path: Path) -> None:
    """All that ``make run`` makes itself: the environment, the packages (from the cache or the net), the demo."""
    folder = clone(tmp_path / "ductwarden")
    plain = dict.fromkeys(("PYTHONPATH", "VIRTUAL_ENV"), "")
    came = Newcomer(folder, f"PYTHON={Path(sys.base_prefix) / 'bin' / 'python3'}", **plain)
    try:
        eventually(lambda: came.page(), 900.0, "the page answers")
        eventually(lambda: (came.asks("now") or {}).get("state") == "running", 180.0, "the fan runs")
        both = {"filter_loading", "bag_full"}
        eventually(
            lambda: both <= {alarm["condition"] for alarm in came.asks("alarms/history")["alarms"]}, 600.0, "both alarms come up"
        )
    finally:
        if came.process.poll() is None:
            came.control_c()
    assert "Traceback" not in came.shown
