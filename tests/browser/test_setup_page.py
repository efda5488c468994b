"""The first-run page in a real browser: from nothing to a configuration that ``check`` accepts."""

from __future__ import annotations

import importlib.util
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import typer
from playwright.sync_api import Browser, Page, expect
from typer.testing import CliRunner

from daemon.cli.check import check
from daemon.config.load import load
from daemon.drafting.desk import SetupDesk
from daemon.finding.found import Found, from_lines
from daemon.finding.places import Place, PortPlace, Search
from dashboard.setup_app import SetupServer
from tests.browser.browsing import DESKTOP, PHONE, context_of, visit
from tests.support.waiting import GENEROUS_S

pytestmark = pytest.mark.slow

PORT = "/dev/serial/by-id/usb-board-if00"
POINTS = "0 cfm, 11.8 inwg, 0.85 hp\n400 cfm, 11.6 inwg, 1.25 hp\n800 cfm, 9.1 inwg, 1.8 hp\n1200 cfm, 3.4 inwg, 2.3 hp"
HOSTILE = '<img src=x onerror="window.hacked=1"> "]\\n[fan] {{7*7}}'
REFUSED = "error: Failed to load resource: the server responded with a status of 422 (Unprocessable Entity)"
"""What the browser notes when a form is sent back with its mistakes."""


seen = threading.Event()


def listen(place: Place, say: Any, before: Found | None = None) -> Found:
    """A board that speaks once it was seen that somebody listens."""
    assert isinstance(place, PortPlace)
    say(f"listening at {place.path}, 115200 baud")
    seen.wait(GENEROUS_S)
    return from_lines(place.path, [b'{"inlet_pa": -2100.5, "filter_pa": 310.2, "motor_a": 9.4}'] * 4, 115_200)


@dataclass
class FirstRun:
    """A shop without a configuration, its setup page, and a visitor who is watched."""

    shop: Path
    page: Page

    def go_on(self) -> None:
        """The button that ends a step."""
        self.page.get_by_role("button", name="Go on").click()
        self.page.wait_for_load_state()

    def give(self, **answers: str) -> None:
        """Answer questions as a person does: type, choose, or tick."""
        for name, value in answers.items():
            field = self.page.locator(f'[name="{name}"]')
            if field.count() > 1:
                self.page.locator(f'[name="{name}"][value="{value}"]').check()
            elif field.evaluate("e => e.tagName") == "SELECT":
                field.select_option(value)
            else:
                field.fill(value)
            field.first.evaluate("e => e.blur()")

    def add(self, what: str, **answers: str) -> None:
        """One more run or port."""
        self.page.get_by_role("link", name=f"Add a {what}").click()
        self.give(**answers)
        self.page.get_by_role("button", name="Add this").click()
        expect(self.page.get_by_role("heading", level=2, name="So far", exact=True)).to_be_visible()

    def at(self, title: str) -> None:
        """This step is shown."""
        expect(self.page.get_by_role("heading", level=1)).to_have_text(title)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[SetupServer]:
    made = SetupServer(SetupDesk(tmp_path / "shop.toml", Search(listen), lambda: [PORT]), 0)
    made.start()
    yield made
    made.stop()


LONG = pytest.mark.long
on_a_desk = pytest.mark.parametrize("first", [pytest.param("phone-light", marks=LONG), "desktop-dark"], indirect=True)


@pytest.fixture(params=["phone-light", pytest.param("desktop-dark", marks=LONG)])
def first(request: pytest.FixtureRequest, browser: Browser, server: SetupServer, tmp_path: Path) -> Iterator[FirstRun]:
    device, scheme = request.param.split("-")
    with visit(browser, phone=device == "phone", dark=scheme == "dark") as (page, watch):
        page.goto(server.url)
        yield FirstRun(tmp_path / "shop.toml", page)
    assert [error for error in watch.errors if error != REFUSED] == []
    assert watch.strays == []


def ducts(first: FirstRun, port: str = "planer") -> None:
    """Everything up to the sensors."""
    first.give(name="Barn", altitude="640 ft")
    first.go_on()
    first.give(points=POINTS)
    first.go_on()
    first.give(power="2 hp")
    first.go_on()
    first.give(bag_diameter="20 in", bag_height="2 ft 8 in")
    first.go_on()
    first.go_on()
    first.at("The runs")
    first.add("run", length="14 ft", fittings="2x elbow 90 r/D 1.5")
    first.add("run", name="bench run", pipe="D2729 4 in", length="9 ft")
    first.go_on()
    first.add("port", name=port, into="main", join="wye 45", length="6 ft", hose="flex 4 in", hose_length="5 ft")
    first.add("port", name="lathe", into="bench run", length="7 ft")
    first.go_on()
    first.at("The duct after the fan")
    first.go_on()
    first.at("Where readings come from")


def test_from_nothing_to_a_configuration_that_check_accepts(first: FirstRun) -> None:
    page = first.page
    ducts(first, HOSTILE)
    seen.clear()
    page.get_by_role("button", name=f"Listen at {PORT}").click()
    expect(page.locator("[data-search]")).to_contain_text("listening at")
    seen.set()
    page.get_by_role("button", name="Take this over").click()
    first.go_on()
    expect(page.get_by_text("with both pressures and the current it can tell")).to_be_visible()
    looks_well(page, "sensors")
    first.go_on()
    first.go_on()
    first.go_on()
    first.at("Read it and write it")
    expect(page.get_by_role("heading", name="The configuration is complete")).to_be_visible()
    assert page.locator("svg.ducts:visible").count() == 1
    looks_well(page, "review")
    assert not first.shop.exists()
    page.get_by_role("button", name="Write").click()
    first.at("It is written")
    assert page.evaluate("window.hacked") is None
    config = load(first.shop)
    assert config.design.port_names == (HOSTILE, "lathe")
    assert {spec.channel for spec in config.sensors} == {"inlet_pa", "filter_pa", "motor_a"}
    app = typer.Typer()
    app.command()(check)
    checked = CliRunner().invoke(app, [str(first.shop)])
    assert checked.exit_code == 0
    assert "Barn: 2 ports, 2 runs" in checked.output


def test_questions_come_and_go_and_an_answer_is_checked_at_once(first: FirstRun) -> None:
    page = first.page
    page.goto("/".join([*page.url.split("/")[:3], "setup", "fan"]))
    expect(page.locator('[name="points"]')).to_be_visible()
    expect(page.locator('[name="wheel_diameter"]')).to_be_hidden()
    first.give(how="wheel")
    expect(page.locator('[name="points"]')).to_be_hidden()
    expect(page.locator('[name="wheel_diameter"]')).to_be_visible()
    first.give(wheel_diameter="12")
    wrong = page.locator("#x-wheel_diameter")
    expect(wrong).to_have_text("'12' has no unit; write for example '12 in'")
    expect(page.locator('[name="wheel_diameter"]')).to_have_attribute("aria-invalid", "true")
    first.give(wheel_diameter="12 1/2 in")
    expect(wrong).to_be_hidden()
    first.go_on()
    first.at("The motor")


@on_a_desk
def test_suggestions_follow_what_was_chosen_and_never_what_was_typed(first: FirstRun) -> None:
    page = first.page
    base = "/".join(page.url.split("/")[:3])
    first.give(name="Barn")
    page.goto(f"{base}/setup/runs/new")
    expect(page.locator('[data-field="join"]')).to_be_hidden()
    first.give(length="14 ft")
    page.get_by_role("button", name="Add this").click()
    page.goto(f"{base}/setup/ports/new")
    needs = page.locator('[name="needs"]')
    expect(needs).to_have_value("370 cfm")
    first.give(pipe="spiral 6 in")
    expect(needs).to_have_value("790 cfm")
    first.give(needs="600 cfm", pipe="D2729 4 in")
    page.wait_for_timeout(400)
    expect(needs).to_have_value("600 cfm")


@on_a_desk
def test_a_refused_form_says_so_and_leads_to_the_question_by_keyboard(first: FirstRun) -> None:
    page = first.page
    base = "/".join(page.url.split("/")[:3])
    page.goto(f"{base}/setup/runs/new")
    page.locator('[name="length"]').focus()
    page.keyboard.type("14")
    page.keyboard.press("Enter")
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("'14' has no unit")
    expect(alert).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator('[name="length"]')).to_be_focused()
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type("14 ft")
    page.keyboard.press("Enter")
    first.at("The runs")
    expect(page.locator("svg.ducts:visible")).to_have_count(1)


def test_it_works_without_a_script(browser: Browser, server: SetupServer, tmp_path: Path) -> None:
    context = context_of(browser, java_script_enabled=False)
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.goto(server.url)
    first = FirstRun(tmp_path / "shop.toml", page)
    page.locator('[name="name"]').fill("Barn")
    first.go_on()
    page.locator('[name="points"]').fill(POINTS)
    first.go_on()
    first.at("The motor")
    context.close()


def test_a_stranger_on_this_computer_sees_nothing(browser: Browser, server: SetupServer) -> None:
    context = context_of(browser)
    page = context.new_page()
    page.goto(server.url.partition("/login")[0] + "/setup/shop")
    expect(page.get_by_text("it carries the key to this page")).to_be_visible()
    context.close()


AXE = importlib.util.find_spec("axe_playwright_python")
PRESSED = "[...document.querySelectorAll('button, a.button, summary, nav a, select, label.check')]"
LOOK = "[...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary')]"


STEPS = (
    "shop", "fan", "motor", "filter", "separator", "runs", "runs/new", "runs/1", "ports", "ports/2", "discharge", "sources",
    "sources/new?kind=mqtt", "sensors", "sensors/1", "outlets", "outlets/new?kind=apprise", "dashboard", "review", "done",
)


@LONG
@pytest.mark.parametrize("first", ["phone-light"], indirect=True)
def test_every_step_is_accessible_and_fits(first: FirstRun) -> None:
    """The edges, the labels and the size of what is pressed (WCAG 2.2, 2.5.5), and axe-core where it is installed: all its rules
    (WCAG 2.0 to 2.2 A and AA and its best practices) on a phone in the light, the contrast again on a desk in the dark, where
    the same page has other colours."""
    page = first.page
    base = "/".join(page.url.split("/")[:3])
    ducts(first)
    page.get_by_role("button", name="No sensors yet").click()
    for path in STEPS:
        page.goto(f"{base}/setup/{path}")
        looks_well(page, path)


def looks_well(page: Page, path: str) -> None:
    """On a phone in the light and on a desk in the dark; ends with the screen as it was."""
    assert page.locator("h1").count() == 1, path
    if AXE is not None:
        assert AXE.submodule_search_locations is not None
        page.evaluate((Path(AXE.submodule_search_locations[0]) / "axe.min.js").read_text())
    found: list[str] = []
    for dark in (True, False):
        page.set_viewport_size(DESKTOP if dark else PHONE)  # type: ignore[arg-type]
        page.emulate_media(color_scheme="dark" if dark else "light")
        found += faults(page, path, dark)
    assert found == []


def faults(page: Page, path: str, dark: bool) -> list[str]:
    """What is wrong with the page as it stands; what must not be at all fails at once."""
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
    assert page.evaluate(
        f"{LOOK}.filter(e => e.checkVisibility() && !(e.labels?.length || e.textContent.trim())).map(e => e.outerHTML)"
    ) == [], path
    small = page.evaluate(
        f"{PRESSED}.filter(e => e.checkVisibility())"
        ".map(e => [e.innerText, e.getBoundingClientRect()]).filter(([, b]) => b.width < 44 || b.height < 44)"
        ".map(([t, b]) => `${t} ${b.width}x${b.height}`)"
    )
    assert small == [], path
    if AXE is None:
        return []
    rules = ", runOnly: ['color-contrast']" if dark else ""
    result: dict[str, Any] = page.evaluate(f"axe.run(document, {{resultTypes: ['violations']{rules}}})")
    assert len(result["passes"]) > (0 if dark else 10), "axe did look"
    return [
        f"{path}: {fault['id']} ({fault['impact']}): {fault['help']}: "
        + "; ".join(node["html"][:160] for node in fault["nodes"][:3])
        for fault in result["violations"]
    ]
