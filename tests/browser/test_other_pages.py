"""The other pages in a real browser: trends by finger and mouse, the journal, an alarm's acts, the tour, the ducts."""

from __future__ import annotations

import csv
import re
import struct
from datetime import datetime
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Page, expect

from analysis.conditions import Condition
from analysis.events import EventKind
from tests.browser.conftest import Scene
from tests.support.waiting import eventually

pytestmark = pytest.mark.slow
on_a_phone = pytest.mark.parametrize("scene", ["phone"], indirect=True)
on_a_desk = pytest.mark.parametrize("scene", ["desktop"], indirect=True)
"""For what does not depend on the screen: once is enough."""


ROOM = 1.15
"""The latest time has room to its right for the forecast of the drag."""


def window_of(page: Page) -> tuple[float, float] | None:
    """The window of time in the page's address, None while it follows the latest time."""
    query = parse_qs(urlsplit(page.url).query)
    return (float(query["start"][0]), float(query["end"][0])) if "start" in query else None


def plot(page: Page) -> dict[str, float]:
    box = page.locator("#charts .u-over").first.bounding_box()
    assert box is not None
    return dict(box)


def wait_for_window(page: Page) -> tuple[float, float]:
    page.wait_for_function("() => new URLSearchParams(location.search).has('start')")
    found = window_of(page)
    assert found is not None
    return found


def test_trends_are_moved_by_buttons(scene: Scene) -> None:
    page = scene.go("/trends")
    expect(page.locator("#charts .chart")).to_have_count(5)
    # A chart is drawn when it comes into sight.
    page.locator("#charts .chart").last.scroll_into_view_if_needed()
    expect(page.locator("#charts .chart").last.locator("canvas")).to_be_visible()
    scene.go("/trends?span=600")
    expect(page.locator("#window")).to_contain_text("10 minutes")
    page.get_by_role("button", name="Earlier").click()
    start, end = wait_for_window(page)
    assert end - start == pytest.approx(600 * ROOM, abs=2)
    page.get_by_role("button", name="Zoom out").click()
    page.wait_for_function(
        "() => { const q = new URLSearchParams(location.search); return (q.get('span') ?? q.get('end') - q.get('start')) > 1100 }"
    )
    page.get_by_role("button", name="Now").click()
    page.wait_for_function("() => !new URLSearchParams(location.search).has('start')")


def test_a_finger_moves_the_trends_and_two_fingers_widen_them(scene: Scene) -> None:
    page = scene.go("/trends?span=600")
    expect(page.locator("#window")).to_contain_text("10 minutes")
    page.locator("#charts .u-over").first.scroll_into_view_if_needed()
    box = plot(page)
    middle = box["y"] + box["height"] / 2
    tools = page.context.new_cdp_session(page)

    def touch(kind: str, *xs: float) -> None:
        points = [{"x": x, "y": middle, "id": number} for number, x in enumerate(xs)]
        tools.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    from_x = box["x"] + box["width"] * 0.3
    touch("touchStart", from_x)
    for step in range(1, 11):
        touch("touchMove", from_x + step * box["width"] * 0.05)
    touch("touchEnd")
    start, end = wait_for_window(page)
    assert end - start == pytest.approx(600 * ROOM, rel=0.02)
    assert end < scene.shop.t - 250, "half a window earlier"

    left, right = box["x"] + box["width"] * 0.4, box["x"] + box["width"] * 0.6
    touch("touchStart", left, right)
    for step in range(1, 11):
        touch("touchMove", left - step * box["width"] * 0.02, right + step * box["width"] * 0.02)
    touch("touchEnd")
    page.wait_for_function(
        "() => { const q = new URLSearchParams(location.search); return q.get('end') - q.get('start') < 250; }"
    )
    closer = window_of(page)
    assert closer is not None
    assert closer[1] - closer[0] == pytest.approx(200 * ROOM, rel=0.1), "the fingers spread to three times: a third is seen"


@pytest.mark.long
def test_a_mouse_drag_looks_closer_and_one_cursor_runs_over_all_charts(scene: Scene) -> None:
    page = scene.go("/trends?span=1200")
    expect(page.locator("#window")).to_contain_text("20 minutes")
    page.locator("#charts .u-over").first.scroll_into_view_if_needed()
    box = plot(page)
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.5, y)
    expect(page.locator("#charts-time")).to_contain_text(re.compile(r"\d\d:\d\d:\d\d"))
    crossed = page.evaluate(
        "() => [...document.querySelectorAll('#charts .u-cursor-x')]"
        ".filter(e => e.getBoundingClientRect().x > 0 && !e.classList.contains('u-off')).length"
    )
    drawn = page.locator("#charts canvas").count()
    assert crossed == drawn >= 3
    page.mouse.move(box["x"] + box["width"] * 0.25, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.75, y, steps=8)
    page.mouse.up()
    start, end = wait_for_window(page)
    assert end - start == pytest.approx(600 * ROOM, rel=0.05)


@pytest.mark.long
@on_a_desk
def test_wheel_keys_and_back_move_the_charts_and_what_is_seen_can_be_saved(scene: Scene, tmp_path: Path) -> None:
    page = scene.go("/trends?span=1200")
    expect(page.locator("#window")).to_contain_text("20 minutes")
    box = plot(page)
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] / 2)
    page.mouse.wheel(0, -400)
    wheeled = wait_for_window(page)
    assert 300 < wheeled[1] - wheeled[0] < 1000 * ROOM, "the wheel zooms in"
    page.go_back()
    page.wait_for_function("() => new URLSearchParams(location.search).get('span') === '1200'")
    expect(page.locator("#window")).to_contain_text("20 minutes")
    page.go_forward()
    assert wait_for_window(page) == wheeled, "the address says what is seen"

    charts = page.locator("#charts")
    charts.focus()

    def said() -> object:
        page.keyboard.press("ArrowRight")  # says nothing while the charts of the new window are still fetched
        page.keyboard.press("ArrowLeft")
        words = page.locator("#charts-said").inner_text()
        return re.search(r"\d\d:\d\d:\d\d: .*Suction before the fan [\d.]+ in", words)

    eventually(said, what="the keys read the charts")
    page.keyboard.press("-")
    page.wait_for_function("wide => { const q = new URLSearchParams(location.search); return q.get('end') - q.get('start') > wide"
                           " || q.get('span') > wide; }", arg=1.5 * (wheeled[1] - wheeled[0]))
    page.keyboard.press("Shift+ArrowLeft")
    start, end = wait_for_window(page)

    with page.expect_download() as table:
        page.get_by_role("button", name="Save as a table").click()
    lines = Path(table.value.path()).read_text().splitlines()
    head = next(csv.reader([lines[0]]))
    assert head[:3] == ["time", "Filter drag against clean (× clean)", "Suction before the fan (in. w.g.)"]
    found = [row for row in csv.reader(lines[1:]) if row[2]]
    times = [datetime.fromisoformat(row[0]).timestamp() for row in found]
    assert found
    assert start - 60 <= times[0] <= times[-1] <= end + 60, "what is seen, and no more"
    assert all(2.0 < float(row[2]) < 12.0 for row in found), "in the viewer's units"
    with page.expect_download() as picture:
        page.get_by_role("button", name="Save as a picture").click()
    data = Path(picture.value.path()).read_bytes()
    assert data.startswith(b"\x89PNG")
    width, height = struct.unpack(">II", data[16:24])
    assert width > 800
    assert height > 5 * 150, "all five charts"

    page.locator("#in-words summary").click()
    expect(page.locator("#sentences li")).to_have_count(5)
    expect(page.locator("#sentences li").first).to_contain_text("clean here at 1.75")


@pytest.mark.long
@on_a_desk
def test_any_series_may_be_shown_and_compared_with_before(scene: Scene) -> None:
    page = scene.go("/trends?span=600")
    expect(page.locator("#charts .chart")).to_have_count(5)
    page.locator("#what summary").click()
    page.get_by_label("Motor current").uncheck()
    expect(page.locator("#charts .chart")).to_have_count(4)
    page.get_by_label("Filter drag against clean").uncheck()
    page.get_by_label("Air density").check()
    expect(page.locator("#charts")).to_contain_text("Air density")
    before = re.compile(r"/api/v1/trends\?start=([\d.]+)&end=([\d.]+)")
    with page.expect_request(
        lambda request: (found := before.search(request.url)) is not None and float(found[2]) < scene.shop.t - 500
    ):
        page.get_by_label("Compare with").select_option("span")
    page.reload()
    expect(page.locator("#charts")).to_contain_text("Air density")


@on_a_phone
def test_what_happened_in_the_window_is_told_below(scene: Scene) -> None:
    with scene.pump.lock:
        scene.shop.note(EventKind.EMPTIED, "one bag")
        scene.shop.claim(Condition.BAG_FULL)
        scene.shop.step(400)
    page = scene.page
    with page.expect_response(re.compile("/api/v1/trends")) as answer:
        scene.go("/trends")
    width = page.locator("#charts .u-over").first.bounding_box()
    assert width is not None
    assert 10 < len(answer.value.json()["t"]) <= width["width"] + 12, "a chart never gets more points than it has pixels"
    expect(page.locator("#in-this-time")).to_contain_text("Chip bag emptied: one bag")
    expect(page.locator("#in-this-time")).to_contain_text("The chip bag is full")


@on_a_phone
def test_cleaning_is_entered_by_one_tap(scene: Scene) -> None:
    page = scene.go("/journal")
    page.get_by_role("button", name="Cleaned the filter").click()
    expect(page.locator(".said")).to_have_text("Written into the journal: filter cleaned.")
    expect(page.locator("#entries > li").first).to_contain_text("Filter cleaned")
    assert [event.kind for event in scene.shop.events] == [EventKind.CLEANED]


@pytest.mark.long
@on_a_desk
def test_an_entry_is_corrected_in_place(scene: Scene) -> None:
    page = scene.go("/journal")
    entry = page.locator("#entries > li").first
    entry.locator("summary").click()
    entry.get_by_label("What").select_option("replaced")
    entry.get_by_label("In your words").fill("new set of bags")
    entry.get_by_role("button", name="Save").click()
    expect(page.locator("#entries > li").first).to_contain_text("new set of bags")
    expect(page.locator("#entries > li").first).to_contain_text("corrected; before: Filter cleaned")


@on_a_phone
def test_an_alarm_is_put_off_with_an_end_and_taken_back(scene: Scene) -> None:
    with scene.pump.lock:
        scene.shop.claim(Condition.BAG_FULL)
        scene.shop.step(400)
    page = scene.go("/journal")
    page.get_by_role("link", name=re.compile("More about it.*The chip bag is full")).click()
    page.get_by_label("Remind me in").select_option("14400")
    page.get_by_label("Why").fill("no bags in the house")
    page.get_by_role("button", name="Remind me later").click()
    expect(page.locator(".verdict")).to_contain_text("Put off until")
    expect(page.locator("ol")).to_contain_text("no bags in the house")
    page.get_by_role("button", name="Remind me again now").click()
    expect(page.locator(".verdict")).to_contain_text("Not seen yet")


@pytest.mark.long
@on_a_desk
def test_a_refusal_is_told_where_it_was_asked(scene: Scene) -> None:
    page = scene.go("/journal")
    page.locator("summary", has_text="Switch an alarm off").click()
    page.get_by_label("Which").select_option("short_cycling")
    button = page.get_by_role("button", name="Switch it off")
    button.click()
    expect(page.locator(".said")).to_have_text("Switched off.")
    button.click()
    expect(page.locator(".said")).to_contain_text("already out of service")
    # A refusal shows on the browser's own console as well; that one is wanted.
    scene.watch.errors = [error for error in scene.watch.errors if "409" not in error]


def test_the_ducts_follow_the_gates(scene: Scene) -> None:
    page = scene.go("/ducts")
    expect(page.locator("#ducts h2").first).to_have_text("Open: planer")
    with scene.pump.lock:
        scene.shop.gates = ("lathe",)
    expect(page.locator("#ducts h2").first).to_have_text("Open: lathe")
    row = page.locator("tr", has_text="planer").first
    expect(row).to_contain_text("shut")
    drawing = page.locator("svg.ducts:visible")
    expect(drawing).to_contain_text("slow")


@on_a_phone
def test_the_tour_leads_from_step_to_step(scene: Scene) -> None:
    page = scene.go("/tour")
    expect(page.get_by_role("button", name="Start the tour")).to_be_visible()
    with scene.pump.lock:
        scene.shop.writer.status(
            "tour",
            {
                "active": True,
                "phase": "set",
                "step": 0,
                "steps": 3,
                "open_ports": [],
                "words": "Shut all gates.",
                "reason": "",
                "progress": 0.0,
                "measured": [],
                "skipped": [],
            },
        )
    expect(page.locator(".verdict")).to_contain_text("Shut all gates.")
    with scene.pump.lock:
        scene.shop.writer.status(
            "tour",
            {
                "active": True,
                "phase": "measure",
                "step": 0,
                "steps": 3,
                "open_ports": [],
                "words": "Measuring. Touch nothing.",
                "reason": "",
                "progress": 0.4,
                "measured": [],
                "skipped": [],
            },
        )
    expect(page.locator("progress")).to_have_attribute("value", "40")


@on_a_desk
def test_the_fan_curve_is_drawn(scene: Scene) -> None:
    page = scene.go("/fan")
    expect(page.locator("#curve canvas")).to_have_count(1)
    expect(page.locator("#points")).to_contain_text("now")
    numbers = page.evaluate(
        "async () => { const src = document.querySelector('script[src*=\"fan.js\"]').src;"
        " const { axisNumbers } = await import(src.replace('fan.js', 'charts.js'));"
        " return [axisNumbers([5, 7.5, 10], 2.5), axisNumbers([-0.2, 0, 1400, 12000], 0.1)]; }"
    )
    assert numbers == [["5.0", "7.5", "10.0"], ["\u22120.2", "0.0", "1400.0", "12\u202f000.0"]]


@on_a_phone
def test_the_page_says_when_it_has_lost_its_line(scene: Scene) -> None:
    page = scene.go()
    expect(page.locator("h1")).to_have_text("All good")
    with scene.hung():
        # An established stream that only stops: the process stands still, or the network is gone. No error tells it.
        expect(page.locator("h1")).to_contain_text("No contact since", timeout=90_000)
        expect(page.locator(".verdict")).to_have_attribute("data-tone", "silent")
        expect(page.locator("#link-lost")).to_contain_text("No contact since")
        assert page.locator('[data-tone=ok] > .shape > [href="#s-ok"]:visible').count() == 0, "nothing may look well"
    expect(page.locator("#link-lost")).to_be_hidden(timeout=90_000)
    expect(page.locator("h1")).to_have_text("All good")
    scene.watch.errors = [error for error in scene.watch.errors if "ERR_" not in error]
