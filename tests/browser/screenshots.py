"""Pictures of every page, of the demo shop: ``make screenshots``, or ``python -m tests.browser.screenshots [FOLDER]``.

The demo runs in a process of its own at a quick pace until its first alarm stands (or a minute has passed), then each page
is taken on a phone and on a desk, in light and in dark. Then the states of a shop: a phone, a phone lying, and a desk.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import httpx
from playwright.sync_api import Browser, Page, ViewportSize

from dashboard.serve import DashboardThread
from dashboard.settings import DashboardSettings
from tests.browser.browsing import DESKTOP, Watch, chromium, context_of
from tests.browser.shop_process import ShopProcess
from tests.support.fresh_store import fresh_store

ROOT = Path(__file__).resolve().parents[2]
PACE = 300.0
UP_S = 40.0
UPRIGHT: ViewportSize = {"width": 390, "height": 844}
LYING: ViewportSize = {"width": 844, "height": 390}
ALARM_S = 60.0
PAGES = {
    "now": "/", "trends": "/trends?span=14400", "ducts": "/ducts", "fan": "/fan", "journal": "/journal",
    "tour": "/tour", "added-run": "/added-run", "record": "/record", "health": "/health", "shop": "/shop", "wall": "/wall",
}  # fmt: skip


def free_port() -> int:
    """A port that nobody uses now."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def wait_for_demo(url: str, process: subprocess.Popen[bytes]) -> None:
    """Until it answers, and then until an alarm stands. Raises RuntimeError when the demo ends or does not come up."""
    began = time.monotonic()
    while True:
        if process.poll() is not None:
            raise RuntimeError(f"the demo ended with exit code {process.returncode}")
        try:
            now = httpx.get(f"{url}/api/v1/now", timeout=5.0).json()
        except httpx.HTTPError:
            if time.monotonic() - began > UP_S:
                raise RuntimeError("the demo did not come up") from None
        else:
            if now["state"] == "running" and any(alarm["acknowledgeable"] for alarm in now["alarms"]):
                return
            if time.monotonic() - began > UP_S + ALARM_S:
                return
        time.sleep(0.5)


def take(browser: Browser, url: str, folder: Path) -> list[str]:
    """Take every page; returns what went wrong on them."""
    wrong: list[str] = []
    for device in ("desktop", "phone"):
        for scheme in ("light", "dark"):
            context = context_of(browser, phone=device == "phone", dark=scheme == "dark", base_url=url)
            page = context.new_page()
            watch = Watch()
            watch.follow(page)
            for name, path in PAGES.items():
                page.goto(path)
                page.wait_for_timeout(1500)
                # A chart is drawn when it comes into sight.
                for chart in page.locator("#charts .chart").all():
                    chart.scroll_into_view_if_needed()
                    page.wait_for_timeout(200)
                page.evaluate("scrollTo(0, 0)")
                # The bar at the foot of a phone would lie across the middle of a whole-page picture.
                page.evaluate("document.querySelector('.nav').style.position = 'static'")
                page.screenshot(path=folder / f"{name}-{device}-{scheme}.png", full_page=True)
            wrong += watch.errors + watch.strays
            context.close()
    return wrong


VIEWS = {"phone": (UPRIGHT, False), "lying": (LYING, True), "desktop": (DESKTOP, True)}
"""The pictures of states: the screen, and whether it is dark."""
STATES = ("running", "guess", "starting", "stopping", "unknown", "off", "part", "silent", "full", "over", "shelved")
ALWAYS = {"now": "/", "trends": "/trends", "ducts": "/ducts", "journal": "/journal", "wall": "/wall"}
"""The pages that say something else in each state. The others are taken where a state touches all there is."""
EVERYWHERE = ("silent", "full", "over", "dead", "empty")


def take_states(browser: Browser, folder: Path, work: Path) -> None:
    """Every state of a shop: the pages as they come up in it; at last a daemon that dies under open pages, and an empty shop."""

    def pages_of(state: str) -> dict[str, str]:
        alarm = {"alarm": "/alarms/1"} if state in ("full", "shelved", "over", "dead") else {}
        return (PAGES | {"trends": "/trends"} if state in EVERYWHERE else ALWAYS) | alarm

    def shoot(url: str, state: str) -> None:
        for view, (size, dark) in VIEWS.items():
            wanted = list((pages_of(state) if view == "phone" else ALWAYS).items())
            # A browser keeps six connections to one place, and each open page has one.
            for some in (wanted[at : at + 5] for at in range(0, len(wanted), 5)):
                context = context_of(browser, phone=view != "desktop", dark=dark, base_url=url)
                opened: list[tuple[str, Page]] = []
                for name, path in some:
                    page = context.new_page()
                    page.set_viewport_size(size)
                    page.goto(path)
                    page.wait_for_timeout(700)
                    opened.append((name, page))
                if state == "dead":
                    process.stop()
                    page.wait_for_timeout(6000)
                for name, page in opened:
                    page.evaluate("document.querySelector('.nav').style.position = 'static'")
                    page.screenshot(path=folder / f"state-{state}-{name}-{view}.png", full_page=view == "phone")
                context.close()
                process.go_on()

    (work / "shop").mkdir()
    process = ShopProcess(work / "shop")
    for state in STATES:
        process.say(state)
        shoot(process.url, state)
    process.say("full")
    shoot(process.url, "dead")
    fresh_store(work / "empty.db")
    empty = DashboardThread(DashboardSettings(work / "empty.db", port=0))
    empty.start()
    shoot(empty.url, "empty")
    empty.stop()
    process.kill()


def main(arguments: list[str]) -> int:
    """Take the pictures into the folder named (default ``screenshots``); returns the exit code."""
    folder = Path(arguments[0] if arguments else "screenshots").resolve()
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work:
        port = free_port()
        command = [sys.executable, "-m", "daemon", "demo", "--port", str(port), "--pace", str(PACE), "--folder", work]
        process = subprocess.Popen(
            [*command, "--log-level", "error"], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            url = f"http://127.0.0.1:{port}"
            wait_for_demo(url, process)
            with chromium() as browser:
                wrong = take(browser, url, folder)
                take_states(browser, folder, Path(work))
        finally:
            process.terminate()
            try:
                process.wait(15.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(5.0)
    print(f"{len(list(folder.glob('*.png')))} pictures in {folder}")
    for line in wrong:
        print(line, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
