"""A shop with something on every page, and what a visit to a page costs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser

from analysis.conditions import Condition
from analysis.events import EventKind
from dashboard.serve import DashboardThread
from dashboard.settings import DashboardSettings
from tests.browser.browsing import context_of
from tests.dashboard.shop import Pump, Shop

PAGES = [
    "/", "/trends", "/alarms/1", "/ducts", "/fan", "/journal", "/tour", "/added-run", "/record", "/health", "/shop", "/wall",
]
SLOW = 6
"""How many times slower than this computer the slow phone is."""


@contextmanager
def furnished(folder: Path) -> Iterator[str]:
    """Where its pages are."""
    shop = Shop(folder / "shop.db")
    shop.note(EventKind.CLEANED, "shook the bags")
    shop.switch(True)
    shop.step(1500)
    shop.claim(Condition.BAG_FULL)
    shop.claim(Condition.FILTER_LOADING, present=False, forecast_s=60_000.0, forecast_low_s=40_000.0, forecast_high_s=90_000.0)
    shop.gates = ("planer", "lathe")
    shop.step(400)
    shop.writer.status(
        "tour",
        {
            "active": True,
            "phase": "set",
            "step": 1,
            "steps": 8,
            "open_ports": ["planer"],
            "words": "Open planer, shut the others.",
            "reason": "",
            "progress": 0.0,
            "measured": [[]],
            "skipped": [["lathe"]],
        },
    )
    pump = Pump(shop)
    thread = DashboardThread(DashboardSettings(shop.path, port=0))
    thread.start()
    try:
        yield thread.url.rstrip("/")
    finally:
        thread.stop()
        pump.close()


def weight_and_paint(browser: Browser, place: str, path: str, slower: int = SLOW) -> tuple[int, float]:
    """Bytes moved with an empty cache, and the first contentful paint [ms] on a slow phone."""
    context = context_of(browser, phone=True, base_url=place)
    page = context.new_page()
    tools = context.new_cdp_session(page)
    tools.send("Network.enable")
    tools.send("Network.setCacheDisabled", {"cacheDisabled": True})
    tools.send("Emulation.setCPUThrottlingRate", {"rate": slower})
    sizes: dict[str, int] = {}
    live: set[str] = set()

    def came(event: dict[str, Any]) -> None:
        if "/api/v1/live" in event["response"]["url"]:
            live.add(event["requestId"])

    tools.on("Network.responseReceived", came)
    tools.on("Network.loadingFinished", lambda event: sizes.__setitem__(event["requestId"], int(event["encodedDataLength"])))
    page.goto(path)
    # Until nothing has come for a while: charts and lists are fetched by scripts, and count.
    for _ in range(10):
        came_so_far = len(sizes)
        page.wait_for_timeout(350)
        if len(sizes) == came_so_far:
            break
    paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? Infinity")
    context.close()
    return sum(size for request, size in sizes.items() if request not in live), float(paint)
