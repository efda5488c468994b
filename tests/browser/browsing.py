"""A real browser for tests: Debian's chromium under playwright, kept from calling home, watched for errors and stray requests."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

CHROMIUM = "/usr/bin/chromium"
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--in-process-gpu",
    # What keeps pages and windows ready that no test asks for; the list replaces that of playwright, which it begins with.
    "--disable-features="
    "AvoidUnnecessaryBeforeUnloadCheckSync,DestroyProfileOnBrowserClose,HttpsUpgrades,HttpsFirstBalancedModeAutoEnable,"
    "LensOverlay,MediaRouter,PaintHolding,ThirdPartyStoragePartitioning,OptimizationHints,NetworkTimeServiceQuerying,AimEnabled,"
    "PreconnectToSearch,SpareRendererForSitePerProcess,PreloadTopChromeWebUI,InitialWebUI,WebUIReloadButton,WebUIToolbar",
]
WORKER_BLOCKED = "Service Worker registration blocked by Playwright"
"""Said by the tests' own browser: most of them want no page that is kept."""
PHONE = {"width": 390, "height": 844}
DESKTOP = {"width": 1280, "height": 900}


@dataclass
class Watch:
    """What a page did wrong: messages on its console, uncaught errors, requests that left this computer."""

    errors: list[str] = field(default_factory=list)
    strays: list[str] = field(default_factory=list)

    def follow(self, page: Page) -> None:
        """Watch ``page``."""
        page.on(
            "console",
            lambda message: (
                self.errors.append(f"{message.type}: {message.text}")
                if message.type in ("error", "warning") and message.text != WORKER_BLOCKED
                else None
            ),
        )
        page.on("pageerror", lambda error: self.errors.append(f"uncaught: {error}"))
        page.on("request", lambda request: self.strays.append(request.url) if _stray(request.url) else None)


def _stray(url: str) -> bool:
    parts = urlsplit(url)
    return parts.scheme not in ("data", "blob", "about") and parts.hostname not in ("127.0.0.1", "localhost")


_OPEN: list[Browser] = []


@contextmanager
def chromium() -> Iterator[Browser]:
    """The browser, ended whatever happens. One process has one: who asks while it is open shares it."""
    if _OPEN:
        yield _OPEN[0]
        return
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        _OPEN.append(browser)
        try:
            yield browser
        finally:
            _OPEN.clear()
            browser.close()


def context_of(
    browser: Browser, *, phone: bool = False, dark: bool = False, worker: bool = False, **more: object
) -> BrowserContext:
    """A fresh visitor with a phone's or a desk's screen. ``worker``: the page may keep something for when nothing answers."""
    return browser.new_context(
        viewport=PHONE if phone else DESKTOP,
        device_scale_factor=2 if phone else 1,
        has_touch=phone,
        is_mobile=phone,  # type: ignore[arg-type]
        color_scheme="dark" if dark else "light",
        reduced_motion="reduce",
        locale="en-GB",
        service_workers="allow" if worker else "block",
        **more,  # type: ignore[arg-type]
    )


_WINDOWS: dict[tuple[bool, bool], BrowserContext] = {}


@contextmanager
def visit(browser: Browser, *, phone: bool, dark: bool = False) -> Iterator[tuple[Page, Watch]]:
    """A page with nothing of an earlier visit, watched to its end, in a window that stays open: a new one costs twice as much.
    Nothing but cookies is shared between addresses, and each shop has its own."""
    window = _WINDOWS.get((phone, dark))
    if window is None or window.browser is not browser:
        window = _WINDOWS[phone, dark] = context_of(browser, phone=phone, dark=dark)
        window.new_page()
    page, watch = window.new_page(), Watch()
    page.set_default_timeout(60_000)
    watch.follow(page)
    try:
        yield page, watch
    finally:
        page.close()
        window.clear_cookies()
