"""``make screenshots``: the demonstration's pages, phone and desktop, light and dark, into ``screenshots/``.

With ``--readme`` the three pictures that README shows are written into ``.pictures/`` as well.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from tests.browser.browsing import chromium, context_of
from tests.support.broker import free_port

PAGES = (
    "/", "/trends", "/alarms", "/ducts", "/fan", "/journal", "/tour", "/added-run", "/record", "/health", "/more",
)
README = {("/", "phone-light"): "now-phone.png", ("/ducts", "desktop-light"): "ducts.png",
          ("/trends", "desktop-dark"): "trends.png"}
PACE = 120.0
WATCHED_S = 95.0
"""Real seconds of the demonstration before the pictures: both alarms have come up."""


def main() -> None:
    """Start the demonstration, wait, take the pictures, stop it."""
    options = argparse.ArgumentParser()
    options.add_argument("--readme", action="store_true")
    options.add_argument("--after", type=float, default=WATCHED_S, help="real seconds of the demonstration before")
    given = options.parse_args()
    out = Path("screenshots")
    out.mkdir(exist_ok=True)
    port = free_port()
    with tempfile.TemporaryDirectory() as folder:
        demo = subprocess.Popen(
            [sys.executable, "-m", "daemon", "demo", "--port", str(port), "--folder", folder, "--pace", str(PACE)],
            stdin=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": os.getcwd()},
        )
        try:
            _wait(f"http://127.0.0.1:{port}/healthz")
            time.sleep(given.after)
            _take(f"http://127.0.0.1:{port}", out, given.readme)
        finally:
            demo.send_signal(signal.SIGTERM)
            demo.wait(15)


def _wait(url: str) -> None:
    deadline = time.monotonic() + 30.0
    while time.monotonic() < deadline:
        try:
            urllib.request.urlopen(url, timeout=2.0).close()
            return
        except OSError:
            time.sleep(0.2)
    raise SystemExit("the demonstration did not start")


def _take(base: str, out: Path, readme: bool) -> None:
    with chromium() as browser:
        for phone in (True, False):
            for dark in (False, True):
                mode = f"{'phone' if phone else 'desktop'}-{'dark' if dark else 'light'}"
                page = context_of(browser, phone=phone, dark=dark).new_page()
                for path in PAGES:
                    page.goto(base + path, wait_until="load")
                    page.wait_for_timeout(1200)
                    picture = page.screenshot(full_page=True)
                    name = path.strip("/") or "now"
                    (out / f"{name}-{mode}.png").write_bytes(picture)
                    if readme and (path, mode) in README:
                        pictures = Path(".pictures")
                        pictures.mkdir(exist_ok=True)
                        (pictures / README[path, mode]).write_bytes(page.screenshot())
                    print(f"{name}-{mode}.png", flush=True)


if __name__ == "__main__":
    main()
