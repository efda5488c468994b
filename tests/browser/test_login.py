"""Logging in by a real browser, and what a logged-out page does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from playwright.sync_api import Browser, expect

from analysis.conditions import Condition
from dashboard.access import hash_password
from dashboard.serve import DashboardThread
from dashboard.settings import DashboardSettings
from tests.browser.browsing import context_of
from tests.dashboard.shop import Pump

pytestmark = pytest.mark.slow

PASSWORD = "shavings everywhere"


@pytest.fixture(params=[False, pytest.param(True, marks=pytest.mark.long)], ids=["closed", "viewing open"])
def guarded(request: pytest.FixtureRequest, pump: Pump) -> Iterator[tuple[DashboardThread, bool]]:
    settings = DashboardSettings(
        pump.shop.path, port=0, poll_s=0.3, password_hash=hash_password(PASSWORD), view_without_password=request.param
    )
    thread = DashboardThread(settings)
    thread.start()
    yield thread, request.param
    thread.stop()


def test_the_password_opens_the_page_and_its_buttons(browser: Browser, pump: Pump, guarded: tuple[DashboardThread, bool]) -> None:
    thread, viewing_open = guarded
    with pump.lock:
        pump.shop.claim(Condition.BAG_FULL)
        pump.shop.step(400)
    context = context_of(browser, base_url=thread.url)
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.goto("/")
    acknowledge = page.get_by_role("button", name="I emptied it")
    if viewing_open:
        expect(page.locator("h1")).to_have_text("The chip bag is full")
        expect(acknowledge).to_have_count(0)
        page.get_by_role("link", name="Log in to make changes").click()
    expect(page.locator("h1")).to_have_text("Log in")
    page.keyboard.type("not the password")  # the field has the focus
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_have_text("That is not the password.")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("The chip bag is full")
    acknowledge.click()
    expect(page.locator(".said")).to_contain_text("Written into the journal")
    page.goto("/shop")
    page.get_by_role("button", name="Log out").click()
    expect(page.locator("h1")).to_have_text("The chip bag is full" if viewing_open else "Log in")
    context.close()


def test_a_page_whose_session_has_ended_asks_for_the_password(browser: Browser, pump: Pump) -> None:
    """Sessions live in memory: a restart ends them all. A page left open must then say so by itself."""
    settings = DashboardSettings(pump.shop.path, port=0, poll_s=0.3, password_hash=hash_password(PASSWORD))
    first = DashboardThread(settings)
    first.start()
    context = context_of(browser, base_url=first.url)
    page = context.new_page()
    page.goto("/login")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("All good")
    port = first.port
    first.stop()
    second = DashboardThread(replace(settings, port=port))
    second.start()
    try:
        expect(page.locator("h1")).to_have_text("Log in", timeout=90_000)
    finally:
        context.close()
        second.stop()
