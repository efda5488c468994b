"""Every page in a real browser: no console error, accessible, light enough for a phone on a slow network."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.browsing import DESKTOP, PHONE, Watch, context_of
from tests.browser.furnished import PAGES, furnished, weight_and_paint
from tests.support.thoroughness import THOROUGH

pytestmark = pytest.mark.slow

BUDGET = 60_000
"""Bytes that a page may move in all, compressed."""


DARK = ("/", "/trends", "/ducts")
"""Looked at in the dark on a desk too; the others under ``--long`` only."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A shop with something on every page."""
    with furnished(tmp_path_factory.mktemp("pages")) as made:
        yield made


@pytest.fixture(params=["phone-light", pytest.param("desktop-dark", marks=pytest.mark.long)])
def page(request: pytest.FixtureRequest, browser: Browser, place: str) -> Iterator[Page]:
    device, scheme = request.param.split("-")
    context = context_of(browser, phone=device == "phone", dark=scheme == "dark", base_url=place)
    made = context.new_page()
    made.set_default_timeout(60_000)
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
        looks = (("light", PHONE), ("dark", DESKTOP))
        for scheme, size in looks if path in DARK or os.environ.get(THOROUGH) else looks[:1]:
            page.set_viewport_size(size)  # type: ignore[arg-type]
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (path, scheme)
            assert page.locator("h1").count() == 1, path
            if not source:
                continue
            # In the dark it is the colours that differ.
            rules = "" if scheme == "light" or os.environ.get(THOROUGH) else ", runOnly: ['color-contrast']"
            result: dict[str, Any] = page.evaluate(f"axe.run(document, {{resultTypes: ['violations']{rules}}})")
            assert len(result["passes"]) > (0 if rules else 10), "axe did look"
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


@pytest.mark.parametrize("path", [PAGES[0], *(pytest.param(path, marks=pytest.mark.long) for path in PAGES[1:])])
def test_a_page_is_light(browser: Browser, place: str, path: str) -> None:
    """How soon it shows itself is measured by ``python -m tests.bench.pages``."""
    weight, _ = weight_and_paint(browser, place, path, slower=1)
    assert 1_000 < weight <= BUDGET
