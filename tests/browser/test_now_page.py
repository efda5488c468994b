"""The page "Now" in a real browser."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from analysis.conditions import Condition
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


def test_live_values_appear_and_change_without_a_reload(scene: Scene) -> None:
    page = scene.go()
    page.evaluate("window.sameDocument = true")
    for channel in ("inlet_pa", "filter_pa", "motor_a"):
        assert re.fullmatch(r"\d+\.\d+ (in\. w\.g\.|A)", reading(page, channel))
    changed(page, "inlet_pa")
    expect(page.locator(".rule .hand").first).to_be_visible()
    assert page.evaluate("window.sameDocument") is True


def test_trends_are_drawn_for_every_range_and_run_on(scene: Scene) -> None:
    page = scene.go()
    expect(page.locator("#charts canvas")).to_have_count(3)
    buttons = page.locator(".ranges button")
    names = buttons.all_inner_texts()
    assert names[0] == "10 min"
    assert names[-1] == "1 year"
    for number in range(len(names)):
        with page.expect_response(re.compile("/api/v1/trends")) as answer:
            buttons.nth(number).click()
        assert answer.value.status == 200
        expect(buttons.nth(number)).to_have_attribute("aria-pressed", "true")
    buttons.nth(0).click()
    with page.expect_response(re.compile(r"/api/v1/trends.*points=\d{1,2}&"), timeout=8000) as tail:
        pass
    assert len(tail.value.json()["t"]) < 60, "only what is new is fetched"
    painted = page.evaluate(
        """() => {
          const canvas = document.querySelector('#charts canvas');
          const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
          return data.filter((value, at) => at % 4 === 3 && value > 0).length;
        }"""
    )
    assert painted > 1000


def test_an_alarm_appears_by_itself_and_is_acknowledged_by_click(scene: Scene) -> None:
    page = scene.go()
    expect(page.locator("h1")).to_have_text("Nothing needs you")
    page.evaluate("window.sameDocument = true")
    raise_alarm(scene)
    expect(page.locator("h1")).to_have_text("Stop the fan")
    alarm = page.locator("#alarms .alarm")
    expect(alarm).to_contain_text("The chip bag is full")
    expect(alarm).to_contain_text("Not yet acknowledged")
    alarm.get_by_role("button", name="Acknowledge").click()
    expect(alarm).to_contain_text("· Acknowledged")
    expect(alarm.get_by_role("button", name="Acknowledge")).to_be_hidden()
    assert page.evaluate("window.sameDocument") is True
    assert scene.shop.desk.open()[0].state.value == "acknowledged"


def test_an_alarm_is_acknowledged_by_keyboard(scene: Scene) -> None:
    raise_alarm(scene)
    page = scene.go()
    button = page.locator("#alarms .alarm").get_by_role("button", name="Acknowledge")
    expect(button).to_be_visible()
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.closest('[data-act=acknowledge]') !== null"):
            break
    assert page.evaluate("document.activeElement.innerText").startswith("Acknowledge")
    changed(page, "inlet_pa", 1)
    assert page.evaluate("document.activeElement.innerText").startswith("Acknowledge"), (
        "live updates must not take the focus away"
    )
    page.keyboard.press("Enter")
    expect(page.locator("#alarms .alarm")).to_contain_text("· Acknowledged")


def test_open_details_stay_open_while_the_page_lives(scene: Scene) -> None:
    raise_alarm(scene)
    page = scene.go()
    page.locator("#alarms summary").click()
    expect(page.locator("#alarms .pairs")).to_contain_text("growth of drag against its learned rate")
    changed(page, "inlet_pa", 2)
    expect(page.locator("#alarms .pairs")).to_be_visible()


def test_a_silent_daemon_is_said_and_its_return_too(scene: Scene) -> None:
    page = scene.go()
    changed(page, "inlet_pa", 1)
    with scene.pump.lock:
        scene.pump.paused = True
    expect(page.locator("h1")).to_contain_text("No word from the daemon since", timeout=15_000)
    with scene.pump.lock:
        scene.pump.paused = False
    expect(page.locator("h1")).to_have_text("Nothing needs you", timeout=10_000)


def test_units_are_switched_by_the_viewer(scene: Scene) -> None:
    page = scene.go()
    page.get_by_role("button", name="Pa, m³/h").click()
    page.wait_for_load_state()
    assert re.fullmatch(r"\d+ Pa", reading(page, "inlet_pa"))
    expect(page.locator("#charts canvas")).to_have_count(3)


def test_nothing_runs_out_of_the_page(scene: Scene) -> None:
    raise_alarm(scene)
    page = scene.go()
    changed(page, "inlet_pa", 1)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_buttons_and_links_are_big_enough_for_a_gloved_finger(scene: Scene) -> None:
    """WCAG 2.2, 2.5.5: 44 x 44 CSS px."""
    raise_alarm(scene)
    page = scene.go()
    changed(page, "inlet_pa", 1)
    small = page.evaluate(
        "[...document.querySelectorAll('button, .button, summary, nav a, select')].filter(e => e.offsetParent)"
        ".map(e => [e.innerText, e.getBoundingClientRect()]).filter(([, b]) => b.width < 44 || b.height < 44)"
        ".map(([t, b]) => `${t} ${b.width}x${b.height}`)"
    )
    assert small == []
