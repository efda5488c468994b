"""Pictures of every page, of the demo shop: ``make screenshots``, or ``python -m tests.browser.screenshots [FOLDER]``.

The demo runs in a process of its own at a quick pace until its first alarm stands (or a minute has passed), then each page
is taken on a phone and on a desk, in light and in dark.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import httpx
from playwright.sync_api import Browser

from tests.browser.browsing import Watch, chromium, context_of

ROOT = Path(__file__).resolve().parents[2]
PACE = 300.0
UP_S = 40.0
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
                # The bar at the foot of a phone would lie across the middle of a whole-page picture.
                page.evaluate("document.querySelector('.nav').style.position = 'static'")
                page.screenshot(path=folder / f"{name}-{device}-{scheme}.png", full_page=True)
            wrong += watch.errors + watch.strays
            context.close()
    return wrong


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
