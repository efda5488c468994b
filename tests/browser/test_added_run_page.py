"""The page of an added run in a real browser: the answer with its charts, a guided check, and what can be asked for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from playwright.sync_api import expect

from daemon.comparing.reports import REPORT, folder_of
from tests.browser.conftest import Scene

pytestmark = pytest.mark.slow


class Listener:
    """Stands where the daemon's desk stands, and keeps what it is asked."""

    def __init__(self) -> None:
        self.asked: list[Mapping[str, Any]] = []

    def ask(self, payload: Mapping[str, Any], t: float, by: str) -> str:
        self.asked.append(payload)
        return "understood"


ANSWER = {
    "phase": "done", "name": "sander", "verdict": "lost", "entry": 3,
    "lines": ["Yes: the sander takes air from the ports, most at the planer: −4.1 % (−5.0 to −3.2 %)."],
    "what": "Before: 21 running minutes. After: 22 running minutes.", "notes": ["The line voltage was not measured."],
    "ports": [{"name": "planer", "before_m3s": 0.2, "after_m3s": 0.192, "duct": "−4.1 % (−5.0 to −3.2 %)", "filter": "0.0 %"}],
}


def test_the_answer_and_what_can_be_asked_for(scene: Scene) -> None:
    listener = Listener()
    with scene.pump.lock:
        shop = scene.shop
        shop.answerer._added = listener
        folder_of(shop.path).mkdir(exist_ok=True)
        (folder_of(shop.path) / REPORT).write_text("<!doctype html><title>r</title>")
        shop.writer.status("added_run", {**ANSWER, "kept": {"before": 1_789_000_000.0}})
        shop.tell()
    page = scene.go("/added-run")
    expect(page.get_by_role("heading", name="sander: Yes – some ports lost air")).to_be_visible()
    expect(page.get_by_text("most at the planer")).to_be_visible()
    answer = page.request.get(f"{scene.url.rstrip('/')}/added-run/files/report.html")
    assert (answer.status, answer.body()[:15]) == (200, b"<!doctype html>")
    for name in ("nothing.svg", "..%2Fshop.db", "shop.db", "report.html.part", "%2e%2e.svg"):
        assert page.request.get(f"{scene.url.rstrip('/')}/added-run/files/{name}").status == 404, name
    width = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    assert width[0] <= width[1], "the page is wider than its screen"
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    assert [(one["id"], one["nodes"][0]["html"][:90]) for one in axe.run(page).response["violations"]] == []
    page.get_by_text("Two periods", exact=True).click()
    for label, day in (("Before: first day", "2026-03-01"), ("Before: last day", "2026-03-07"),
                       ("After: first day", "2026-03-10"), ("After: last day", "2026-03-16")):
        page.get_by_label(label).fill(day)
    page.get_by_role("button", name="Compare the two periods").click()
    expect(page.get_by_text("The answer will appear here")).to_be_visible()
    (asked,) = listener.asked
    assert (asked["action"], asked["way"]) == ("compare", "spans")
    assert (asked["before"], asked["after"]) == ("2026-03-01..2026-03-07", "2026-03-10..2026-03-16")


@pytest.mark.parametrize("scene", ["phone"], indirect=True)
def test_a_guided_check_is_led_step_by_step(scene: Scene) -> None:
    listener = Listener()
    check = {
        "active": True, "side": "before", "phase": "set", "step": 1, "steps": 5, "open_ports": ["planer"],
        "words": "Open planer, and shut all other gates.", "reason": "", "progress": 0.0, "measured": [[]], "skipped": []}
    with scene.pump.lock:
        scene.shop.answerer._added = listener
        scene.shop.writer.status("added_run", {"check": check})
        scene.shop.tell()
    page = scene.go("/added-run")
    expect(page.get_by_role("heading", name="Before the work: step 2 of 5")).to_be_visible()
    page.get_by_role("button", name="The gates are set: measure").click()
    expect(page.get_by_text("Measuring.")).to_be_visible()
    for share in (0.4, 0.8):
        measuring = {**check, "phase": "measure", "progress": share, "words": f"Touch nothing, {share}."}
        with scene.pump.lock:
            scene.shop.writer.status("added_run", {"check": measuring})
            scene.shop.tell()
        # Within one step the page follows without being made anew.
        expect(page.get_by_text(f"Touch nothing, {share}.")).to_be_visible()
        expect(page.get_by_role("progressbar")).to_have_attribute("value", f"{100 * share:.0f}")
    expect(page.get_by_text("Steady and measured: all shut.")).to_be_visible()
    with scene.pump.lock:
        scene.shop.writer.status("added_run", {"check": {**check, "phase": "done", "words": "All is measured."}})
        scene.shop.tell()
    # The page makes itself anew when the check goes on.
    page.get_by_role("button", name="Save it, then build the run").click()
    expect(page.get_by_text("Saved.")).to_be_visible()
    assert [asked["action"] for asked in listener.asked] == ["ready", "keep"]
