"""The page "Now" in a real browser."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from analysis.conditions import Condition
from tests.browser.browsing import PHONE
from tests.browser.conftest import Scene

pytestmark = pytest.mark.slow


def reading(page: Page, channel: str) -> str:
    return page.locator(f'[data-scope="signals.{channel}"] .value').inner_text()


def changed(page: Page, channel: str, times: int = 2) -> None:
    """Wait until a reading has changed ``times`` times."""
    for _ in range(times):
        before = reading(page, channel)
        page.wait_for_function(
            "([channel, before]) => document.querySelector(`[data-scope='signals.${channel}'] .value`).innerText !== before",
            arg=[channel, before],
        )


def raise_alarm(scene: Scene) -> None:
    with scene.pump.lock:
        scene.shop.claim(Condition.BAG_FULL)
        scene.shop.step(400)


def test_live_values_appear_on_the_first_screen_and_change_without_a_reload(scene: Scene) -> None:
    page = scene.go()
    page.evaluate("window.sameDocument = true")
    for channel in ("inlet_pa", "filter_pa", "motor_a"):
        assert re.fullmatch(r"\d+\.\d+ (in\. w\.g\.|A)", reading(page, channel))
    changed(page, "inlet_pa")
    assert page.evaluate("window.sameDocument") is True
    if page.viewport_size == PHONE:  # state, gauges, fan and readings are above the bar at the foot, without scrolling
        foot = page.locator(".nav").bounding_box()
        last = page.locator(".reading").last.bounding_box()
        assert foot is not None
        assert last is not None
        assert last["y"] + last["height"] <= foot["y"]


def test_an_alarm_appears_by_itself_and_is_answered_by_one_tap_that_can_be_undone(scene: Scene) -> None:
    page = scene.go()
    expect(page.locator("h1")).to_have_text("All good")
    page.evaluate("window.sameDocument = true")
    raise_alarm(scene)
    expect(page.locator("h1")).to_have_text("The chip bag is full")
    expect(page).to_have_title("(!) The chip bag is full")
    assert page.locator("main").inner_text().count("Stop the fan and empty the chip bag") == 1, "nothing is said twice"
    page.get_by_role("button", name="I emptied it").click()
    expect(page.locator(".said")).to_have_text("Written into the journal: chip bag emptied.")
    assert [event.kind.value for event in scene.shop.events] == ["emptied"]
    assert scene.shop.desk.open()[0].state.value == "acknowledged"
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".said")).to_have_text("Taken out.")
    assert page.evaluate("window.sameDocument") is True


def test_an_alarm_fits_the_page_and_is_answered_by_keyboard(scene: Scene) -> None:
    raise_alarm(scene)
    page = scene.go()
    expect(page.get_by_role("button", name="I emptied it")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing runs out of the page"
    small = page.evaluate(  # WCAG 2.2, 2.5.5: 44 x 44 CSS px, for a gloved finger
        "[...document.querySelectorAll('button, .button, summary, nav a, select')].filter(e => e.offsetParent)"
        ".map(e => [e.innerText, e.getBoundingClientRect()]).filter(([, b]) => b.width < 44 || b.height < 44)"
        ".map(([t, b]) => `${t} ${b.width}x${b.height}`)"
    )
    assert small == []
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.closest('[data-act=answer]') !== null"):
            break
    changed(page, "inlet_pa", 1)
    assert page.evaluate("document.activeElement.innerText") == "I emptied it", "live updates must not take the focus away"
    page.keyboard.press("Enter")
    expect(page.locator(".said")).to_contain_text("Written into the journal")



def test_a_silent_daemon_is_said_and_its_return_too(scene: Scene) -> None:
    page = scene.go()
    changed(page, "inlet_pa", 1)
    with scene.pump.lock:
        scene.pump.paused = True
    expect(page.locator("h1")).to_contain_text("No word from the daemon since", timeout=90_000)
    with scene.pump.lock:
        scene.pump.paused = False
    expect(page.locator("h1")).to_have_text("All good", timeout=90_000)


def test_units_are_switched_by_the_viewer(scene: Scene) -> None:
    page = scene.go("/shop")
    page.get_by_role("button", name="Pa, m³/h").click()
    page.wait_for_load_state()
    scene.go()
    assert re.fullmatch(r"\d+ Pa", reading(page, "inlet_pa"))
