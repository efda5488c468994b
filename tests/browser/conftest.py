"""One browser for all browser tests, and a living shop with its dashboard for each."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from analysis.events import EventKind
from dashboard.serve import DashboardThread
from dashboard.settings import DashboardSettings
from tests.browser.browsing import Watch, chromium, visit
from tests.dashboard.shop import Pump, Shop

# Generous ends: a test that passes never waits so long.
expect.set_options(timeout=90_000)

SILENT_S = 12.0
"""A busy computer may stop the living shop for some seconds; that is not yet silence."""


@dataclass
class Scene:
    """A shop that lives, its dashboard, and a page of a visitor that is watched."""

    pump: Pump
    url: str
    page: Page
    watch: Watch
    served: DashboardThread

    @contextmanager
    def hung(self) -> Iterator[None]:
        """The server keeps every connection open and says nothing more, as when its process stands still."""
        assert self.served._server is not None
        with self.served._server.config.app.state.box.store._lock:  # type: ignore[union-attr]
            yield

    @property
    def shop(self) -> Shop:
        """The shop; hold ``pump.lock`` to change it."""
        return self.pump.shop

    def go(self, path: str = "/") -> Page:
        """Open a page."""
        self.page.goto(self.url.rstrip("/") + path)
        return self.page


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with chromium() as made:
        yield made


@pytest.fixture
def pump(tmp_path: Path) -> Iterator[Pump]:
    shop = Shop(tmp_path / "shop.db")
    shop.note(EventKind.CLEANED)
    shop.switch(True)
    shop.step(1500)
    made = Pump(shop)
    yield made
    made.close()


@pytest.fixture
def served(pump: Pump) -> Iterator[DashboardThread]:
    thread = DashboardThread(DashboardSettings(pump.shop.path, port=0, poll_s=0.5, silent_after_s=SILENT_S))
    thread.start()
    yield thread
    thread.stop()


@pytest.fixture(params=["phone", pytest.param("desktop", marks=pytest.mark.long)])
def scene(request: pytest.FixtureRequest, browser: Browser, pump: Pump, served: DashboardThread) -> Iterator[Scene]:
    with visit(browser, phone=request.param == "phone") as (page, watch):
        yield Scene(pump, served.url, page, watch, served)
    assert watch.errors == []
    assert watch.strays == [], "a request left this computer"
