"""No page says what is not known: not of a fan that starts or coasts, not of a guess, not beside an alarm, and not of a shop
whose process stands still or is gone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.browser.browsing import context_of
from tests.browser.shop_process import ShopProcess
from tests.support.waiting import eventually

pytestmark = pytest.mark.slow

OFF = re.compile(r"(?<!last heard: )\bfan (is )?off\b", re.IGNORECASE)
STATE = {"starting": "Fan starting", "stopping": "Fan coasting down", "unknown": "Not known whether the fan runs"}
WELL = 'main .shape [href="#s-ok"]'
"""The tick."""


@pytest.fixture
def process(tmp_path: Path) -> Iterator[ShopProcess]:
    made = ShopProcess(tmp_path)
    yield made
    made.go_on()
    made.kill()


@pytest.fixture
def visitor(browser: Browser, process: ShopProcess) -> Iterator[BrowserContext]:
    context = context_of(browser, phone=True, base_url=process.url)
    yield context
    context.close()


def opened(visitor: BrowserContext, *paths: str) -> list[Page]:
    """A page for each path; at most five, for a browser keeps six connections to one place."""
    pages = []
    for path in paths:
        page = visitor.new_page()
        page.set_default_timeout(60_000)
        page.goto(path)
        pages.append(page)
    return pages


def is_grey(page: Page) -> None:
    """Nothing on it passes for the present."""
    said = page.locator("#link-lost, .verdict[data-tone-from] :is(h1, h2)").filter(has_text="No contact since", visible=True)
    expect(said).to_have_count(1)  # and not twice
    expect(page).to_have_title(re.compile(r"^\(\?\) No contact since"))
    assert page.locator("body").get_attribute("data-contact") == "lost"
    assert page.locator(WELL).filter(visible=True).count() == 0, "nothing may look well"
    assert not OFF.search(page.locator("body").inner_text())
    for words in page.locator("[data-text=state_words]:visible").all_inner_texts():
        assert words.startswith(("Last heard: ", "Not known")), words
    for tone in page.locator(".verdict[data-tone-from]").all():
        assert page.url.endswith("/alarms/1") or tone.get_attribute("data-tone") == "silent"


def is_live(page: Page) -> None:
    expect(page.locator("#link-lost")).to_be_hidden()
    expect(page.locator("body")).to_have_attribute("data-contact", "ok")


@pytest.mark.long
def test_what_the_fan_does_is_never_said_to_be_off_unless_it_is(process: ShopProcess, visitor: BrowserContext) -> None:
    pages = opened(visitor, "/", "/ducts", "/fan", "/wall")
    for state, words in STATE.items():
        process.say(state)
        for page in pages:
            expect(page.locator("body")).to_contain_text(words)
            assert not OFF.search(page.locator("body").inner_text()), (state, page.url)
        expect(pages[1].locator("main")).not_to_contain_text("no air")  # a fan that may turn
        process.stop()
        for page in pages:
            is_grey(page)
        process.go_on()
        for page in pages:
            is_live(page)
    process.say("off")
    expect(pages[0].locator(".fan")).to_contain_text("Fan off")


def end(process: ShopProcess, how: str) -> None:
    """It stands still, or is gone."""
    process.stop() if how == "stopped" else process.kill()


def revive(process: ShopProcess, how: str) -> None:
    """It wakes, or begins again."""
    process.go_on() if how == "stopped" else process.start()


HOW = pytest.mark.parametrize("how", ["stopped", pytest.param("killed", marks=pytest.mark.long)])


@HOW
def test_a_guess_and_a_coasting_fan_give_no_facts(how: str, process: ShopProcess, visitor: BrowserContext) -> None:
    now, ducts, trends = opened(visitor, "/", "/ducts", "/trends?span=120")
    process.say("guess")
    expect(now.locator("h1")).to_have_text("No trouble seen")
    expect(now.locator(".fan")).to_contain_text("not known")
    expect(ducts.locator("#ducts h2").first).to_have_text("Not known which gates are open")
    assert re.search(r"carries chips|no air|\bshut\b", ducts.locator("tbody").inner_text()) is None
    suction = trends.locator("#charts .title .num").nth(1)
    expect(suction).to_contain_text("in. w.g., gates not known")
    end(process, how)
    for page in (now, ducts, trends):
        is_grey(page)
    expect(suction).to_have_text("")  # what came last is no present value
    assert "normal for these gates" not in now.locator("main").inner_text()
    revive(process, how)
    is_live(now)
    process.say("stopping")
    process.say("off")
    expect(suction).to_have_text("", timeout=90_000)


@HOW
def test_silent_sensors_look_like_nobody_watching(how: str, process: ShopProcess, visitor: BrowserContext) -> None:
    now, wall, health, trends = opened(visitor, "/", "/wall", "/health", "/trends?span=120")
    process.say("part")
    expect(now.locator("h1")).to_have_text("Watching in part: pressure over the filter bags is silent")
    process.say("silent")
    for page in (now, wall):
        expect(page.locator("h1")).to_have_text("Nothing is measured")
    expect(health.locator("#health h2").first).to_have_text("3 sensors give nothing.")
    expect(wall.locator("dl")).to_be_hidden()
    for page in (now, wall, health, trends):
        assert page.locator(WELL).filter(visible=True).count() == 0
    end(process, how)
    for page in (now, wall, health, trends):
        is_grey(page)
    revive(process, how)
    process.say("running")
    expect(now.locator("h1")).to_have_text("All good")
    expect(wall.locator("dl")).to_be_visible()


@pytest.mark.long
@HOW
def test_beside_an_alarm_and_after_it_every_word_keeps_its_tense(how: str, process: ShopProcess, visitor: BrowserContext) -> None:
    process.say("full")
    now, alarm = opened(visitor, "/", "/alarms/1")
    expect(now.locator("h1")).to_have_text("The chip bag is full")
    filter_reading = now.locator('[data-scope="signals.filter_pa"] .toned')
    expect(filter_reading).not_to_contain_text("normal for these gates")
    assert filter_reading.locator('[href="#s-ok"]').count() == 0, "no tick beside an alarm on the same thing"
    process.say("over")
    expect(now.locator("h1")).to_have_text("The chip bag was full")
    alarm.close()  # it may be asking anew itself just now
    (alarm,) = opened(visitor, "/alarms/1")
    alarm.get_by_role("button", name="Remind me later").click()
    expect(alarm.locator(".verdict")).to_contain_text("Put off until")
    assert re.search(r"Stop now|Stop the fan|bag is full", alarm.locator(".verdict").inner_text()) is None, "it is over"
    end(process, how)
    for page in (now, alarm):
        is_grey(page)
    revive(process, how)
    is_live(now)


ACTIVE = "navigator.serviceWorker.getRegistration().then(found => found?.active?.state === 'activated')"
"""Whether the page's worker is up. A promise: ``wait_for_function`` would take the promise itself for a yes."""


@pytest.mark.long
def test_a_killed_process_is_said_on_every_page_and_its_return_too(process: ShopProcess, browser: Browser) -> None:
    """Also where a page is asked for while nothing answers, as far as the browser keeps one for that (here it does)."""
    visitor = context_of(browser, phone=True, worker=True, base_url=process.url)
    now, wall, journal, health = opened(visitor, "/", "/wall", "/journal", "/health")
    eventually(lambda: now.evaluate(ACTIVE), what="the worker is up")
    process.kill()
    for page in (now, wall, journal, health):
        is_grey(page)
    journal.get_by_role("button", name="Cleaned the filter").click()
    expect(journal.locator(".said")).to_have_attribute("data-tone", "stop")
    health.goto("/")
    expect(health.locator("h1")).to_have_text("No contact")
    expect(health.locator("#since")).to_contain_text("last heard of it on")
    assert health.locator("body").evaluate("e => getComputedStyle(e).backgroundColor") != "rgba(0, 0, 0, 0)", "it is dressed"
    process.start()
    for page in (now, wall, journal):
        is_live(page)
    expect(health.locator("h1")).to_have_text("All good")
    visitor.close()
