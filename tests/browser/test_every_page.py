"""Every page in a real browser: no console error, accessible, light enough for a phone on a slow network."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from analysis.conditions import Condition
from analysis.events import EventKind
from dashboard.serve import DashboardThread
from dashboard.settings import DashboardSettings
from tests.browser.browsing import DESKTOP, PHONE, Watch, context_of
from tests.dashboard.shop import Pump, Shop

pytestmark = pytest.mark.slow

PAGES = [
    "/",
    "/trends",
    "/alarms/1",
    "/ducts",
    "/fan",
    "/journal",
    "/tour",
    "/added-run",
    "/record",
    "/health",
    "/shop",
    "/wall",
]
BUDGET = 150_000
"""Bytes that a page may move in all, compressed."""
FIRST_PAINT_MS = 1000
SLOW = 6
"""How many times slower than this computer the slow phone is."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A shop with something on every page."""
    shop = Shop(tmp_path_factory.mktemp("pages") / "shop.db")
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
    yield thread.url.rstrip("/")
    thread.stop()
    pump.close()


@pytest.fixture(params=["phone-light", "desktop-dark"])
def page(request: pytest.FixtureRequest, browser: Browser, place: str) -> Iterator[Page]:
    device, scheme = request.param.split("-")
    context = context_of(browser, phone=device == "phone", dark=scheme == "dark", base_url=place)
    made = context.new_page()
    made.set_default_timeout(10_000)
    watch = Watch()
    watch.follow(made)
    yield made
    context.close()
    assert watch.errors == []
    assert watch.strays == []


def settle(page: Page, path: str) -> None:
    page.goto(path)
    page.wait_for_timeout(250)


AXE = importlib.util.find_spec("axe_playwright_python")


@pytest.mark.parametrize("page", ["phone-light"], indirect=True)
def test_no_page_errs_runs_over_its_edge_or_shuts_anybody_out(page: Page) -> None:
    """One visit to each page: nothing on the console (the fixture asserts it: errors, warnings, content that the policy refused),
    nothing beyond the edge, and no fault that axe-core finds by the rules of WCAG 2.0 to 2.2 A and AA and its best practices,
    on a phone in the light and on a desk in the dark. Canvases are beyond axe: their colours are checked from the style sheet."""
    source = ""
    if AXE is not None and AXE.submodule_search_locations is not None:
        source = (Path(AXE.submodule_search_locations[0]) / "axe.min.js").read_text()
    found: list[str] = []
    for path in PAGES:
        settle(page, path)
        if source:
            page.evaluate(source)
        for scheme, size in (("light", PHONE), ("dark", DESKTOP)):
            page.set_viewport_size(size)  # type: ignore[arg-type]
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (path, scheme)
            assert page.locator("h1").count() == 1, path
            if not source:
                continue
            result: dict[str, Any] = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
            assert len(result["passes"]) > 10, "axe did look"
            for fault in result["violations"]:
                nodes = "; ".join(node["html"][:120] for node in fault["nodes"][:3])
                found.append(f"{path}, {scheme}: {fault['id']} ({fault['impact']}): {fault['help']}: {nodes}")
    assert found == []


def test_everything_can_be_reached_by_keyboard_and_the_focus_is_seen(page: Page) -> None:
    for path in ("/", "/trends", "/journal"):
        settle(page, path)
        wanted = page.evaluate(
            "[...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary')]"
            ".filter(e => e.checkVisibility() && !e.disabled).length"
        )
        seen = set()
        for _ in range(wanted + 5):
            page.keyboard.press("Tab")
            at = page.evaluate(
                "(() => { const e = document.activeElement; if (e === document.body) return null;"
                " e.dataset.visit ??= String(Math.random()); const s = getComputedStyle(e);"
                " const seen = s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2;"
                " return [e.dataset.visit, seen, e.outerHTML.slice(0, 80)]; })()"
            )
            if at is not None:
                assert at[1], f"{path}: focus is not seen on {at[2]}"
                seen.add(at[0])
        assert len(seen) >= wanted - 1, path


def test_motion_is_off_where_it_is_not_wanted(browser: Browser, place: str) -> None:
    for wish, moves in (("reduce", False), ("no-preference", True)):
        context = browser.new_context(base_url=place, reduced_motion=wish)  # type: ignore[arg-type]
        page = context.new_page()
        settle(page, "/")
        page.wait_for_selector(".bar .done", state="attached")
        duration = page.evaluate("getComputedStyle(document.querySelector('.bar .done')).transitionDuration")
        assert (duration not in ("0s", "")) is moves
        context.close()


def weight_and_paint(browser: Browser, place: str, path: str) -> tuple[int, float]:
    """Bytes moved with an empty cache, and the first contentful paint [ms] on a slow phone."""
    context = context_of(browser, phone=True, base_url=place)
    page = context.new_page()
    tools = context.new_cdp_session(page)
    tools.send("Network.enable")
    tools.send("Network.setCacheDisabled", {"cacheDisabled": True})
    tools.send("Emulation.setCPUThrottlingRate", {"rate": SLOW})
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


@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_light_and_shows_itself_soon(browser: Browser, place: str, path: str) -> None:
    """The quickest of three visits counts: what else this computer does meanwhile is not the page's doing."""
    paints: list[float] = []
    for _ in range(3):
        weight, paint = weight_and_paint(browser, place, path)
        assert 1_000 < weight <= BUDGET
        paints.append(paint)
        if paint <= FIRST_PAINT_MS:
            break
    print(f"{path}: {weight} bytes, first paint {min(paints):.0f} ms at {SLOW} times throttle")
    assert min(paints) <= FIRST_PAINT_MS


REDRAW = """
async () => {
  const script = document.querySelector('script[src*="trends.js"]').src;
  const { Charts } = await import(script.replace('trends.js', 'charts.js'));
  const holder = document.createElement('div');
  document.querySelector('main').append(holder);
  const names = ['a', 'b', 'c', 'd', 'e'], n = 5000, t0 = 1772528400;
  const axis = { symbol: 'Pa', factor: 1, offset: 0, decimals: 0 };
  const t = Array.from({ length: n }, (_, i) => t0 + i), axes = Object.fromEntries(names.map(name => [name, axis]));
  const line = (k, shift) => t.map((_, i) => k * 10 + Math.sin((i + shift) / 40) * 3 + Math.random());
  const columns = shift => Object.fromEntries(names.map((name, k) => [name, { mean: line(k, shift) }]));
  const rest = { start: t0, end: t0 + n, step_s: 1, t, bands: {}, axes, alarms: [], journal: [] };
  const group = new Charts(holder, { panels: [names], span: n });
  group.window = { min: t0, max: t0 + n };
  group.lastT = t0 + n;
  const times = [];
  for (let i = 0; i < 25; i++) {
    const trend = group.trend = { ...rest, columns: columns(i) };
    await new Promise(requestAnimationFrame);
    const began = performance.now();
    for (const panel of group.panels) panel.show(trend, null);
    const painted = new MessageChannel();
    requestAnimationFrame(() => painted.port2.postMessage(0));
    await new Promise(done => { painted.port1.onmessage = done; });
    times.push(performance.now() - began);
  }
  return times.slice(5).sort((x, y) => x - y);
}
"""


@pytest.mark.parametrize("throttle", [1, SLOW])
def test_five_series_of_five_thousand_points_are_redrawn_in_time(browser: Browser, place: str, throttle: int) -> None:
    """Once a second a chart is redrawn; a slow phone must be done within a quarter of that."""
    context = context_of(browser, phone=True, base_url=place)
    page = context.new_page()
    page.set_default_timeout(60_000)
    settle(page, "/trends")
    context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": throttle})
    times: list[float] = page.evaluate(REDRAW)
    context.close()
    median, worst = times[len(times) // 2], times[-1]
    print(f"redraw of 5 x 5,000 points at {throttle} times throttle: median {median:.0f} ms, worst {worst:.0f} ms")
    assert median < 250
