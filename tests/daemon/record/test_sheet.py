"""The printed sheet, its tables, and the command that makes them."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC
from html.parser import HTMLParser
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from analysis.events import EventKind
from daemon.alarms.types import AlarmState
from daemon.cli.alarms import rates
from daemon.cli.files import record
from daemon.clock import LocalZone
from daemon.config.config import Config
from daemon.digest_facts import week_facts
from daemon.errors import DuctwardenError
from daemon.record.facts import Mean, RecordFacts, SensorFacts
from daemon.record.period import Month
from daemon.record.sheet import sheet
from daemon.record.tables import tables
from daemon.record.view import verdict
from daemon.store.reader import Reader
from tests.browser.browsing import chromium
from tests.daemon.record.shopping import Ledger, barn
from tests.daemon.record.test_gather import at, facts
from tests.daemon.store.making import step

U, A, N = AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL
NASTY = '<script>alert("chips")</script> & more'
VOID = {"meta", "line", "circle", "polyline", "br"}


def busy_month(folder: Path) -> Config:
    """A month with something in every part of the sheet."""
    config = barn(
        folder, '[record]\nenergy_price = "0.40 EUR/kWh"', **{'name = "Chair maker\'s barn"': 'name = "Barn <of> chairs & more"'})
    book = Ledger(config)
    book.idle(at(2, 6), at(3, 9))
    for day in range(3, 29):
        drag = 1.1 + 0.05 * (day % 13)
        book.run(at(day, 9), 130, gates=("planer",) if day % 2 else ("lathe", "shaving horse"), drag=drag)
        book.idle(at(day, 9, 3), at(day, 9, 30))
        if day % 13 == 12:
            book.note(at(day, 17), EventKind.CLEANED)
        raised = at(day, 10)
        book.writer.transition(step(day, N, U, raised))
        book.writer.transition(step(day, U, A, raised + 600.0, raised, acknowledged_t=raised + 600.0))
        book.writer.transition(step(day, A, N, raised + 3600.0, raised, acknowledged_t=raised + 600.0, cleared_t=raised + 3600.0))
    book.note(at(5, 10, 30), EventKind.EMPTIED, text=NASTY)
    book.note(at(6, 10, 30), EventKind.CHANGED, "ductwarden", "=1+1")
    book.close()
    return config


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> tuple[Config, RecordFacts, str]:
    config = busy_month(tmp_path_factory.mktemp("shop"))
    found = facts(config)
    return config, found, sheet(found, UTC, at(2, month=4), "0.0", 1.75)


class Reading(HTMLParser):
    """Every tag is closed where it must be; addresses that a page would fetch; the text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []
        self.tags: set[str] = set()
        self.text = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.fetched += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "data")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in VOID
        self.handle_starttag(tag, attrs)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text += data


def test_the_sheet_needs_nothing_else_and_is_whole(month: tuple[Config, RecordFacts, str]) -> None:
    page = Reading(month[2])
    assert page.open == []
    assert page.fetched == []
    assert not {"script", "link", "img", "iframe"} & page.tags
    assert "url(" not in month[2]
    assert "@import" not in month[2]


def test_what_people_wrote_stays_text(month: tuple[Config, RecordFacts, str]) -> None:
    assert "<script>" not in month[2]
    text = " ".join(Reading(month[2]).text.split())
    assert NASTY in text
    assert "Barn <of> chairs & more: dust collection, monthly record" in text


def test_it_says_what_it_is_and_is_not(month: tuple[Config, RecordFacts, str]) -> None:
    """The published guidance, as far as it was seen; and never more than a supplement."""
    text = " ".join(Reading(month[2]).text.split())
    for words in (
        "not a statutory thorough examination and test", "HSG258 (2nd edition, 2011)", "Regulation 9 of COSHH",
        "at least every 14 months", "5 years on secondary pages only", "no exposure measurement",
    ):
        assert words in text


def test_every_part_is_there(month: tuple[Config, RecordFacts, str]) -> None:
    _, found, page = month
    text = " ".join(Reading(page).text.split())
    assert "March 2026" in text
    assert f"{found.run_s / 3600.0:.1f} h on 26 days, 26 starts" in text
    assert "cleaned twice" in text
    assert "emptied once" in text
    assert "26 raised, 26 of them to stop the fan" in text
    assert "Watched from Mon 2, 06:00 on" in text
    assert "lathe + shaving horse" in text
    assert "something changed: =1+1 (found from the readings)" in text
    assert "right to about 25 %" in text
    assert page.count('class="cleaned"') == 2
    assert "Not watched" in text
    assert "zero holds within its accuracy" in text
    assert page.count("<tr class=\"idle\">") == 31 - 26


def test_a_month_that_is_not_over_says_so(tmp_path: Path) -> None:
    config = busy_month(tmp_path)
    found = facts(config, now=at(29, 12))
    text = " ".join(Reading(sheet(found, UTC, at(29, 12), "0.0", None)).text.split())
    assert "(so far: up to Sun 29, 12:00)" in text


def test_the_tables_are_csv_in_si_and_harmless(month: tuple[Config, RecordFacts, str]) -> None:
    _, found, _ = month
    made = {name: list(csv.DictReader(io.StringIO(text))) for name, text in tables(found).items()}
    days = made["days"]
    assert [row["day"] for row in days] == [f"2026-03-{day:02d}" for day in range(1, 32)]
    assert sum(float(row["running_s"]) for row in days) == pytest.approx(found.run_s, abs=2.0)
    assert sum(float(row["energy_j"]) for row in days if row["energy_j"]) == pytest.approx(found.energy_j, rel=1e-4)
    assert days[0]["energy_j"] == ""
    assert {row["open"] for row in made["gate-sets"]} == {"planer", "lathe|shaving horse"}
    assert float(made["gate-sets"][0]["inlet_pa_mean"]) == pytest.approx(-2100.0)
    assert len(made["alarms"]) == 26
    assert made["alarms"][0]["raised"] == "2026-03-03T10:00:00.000Z"
    assert made["cleanings"][0]["text"] == ""
    assert all(not re.match(r"[=+@]", cell) for rows in made.values() for row in rows for cell in row.values())


@pytest.mark.parametrize(
    ("worst", "words"),
    [
        (3.0, "zero holds within its accuracy"), (-19.0, "zero holds"), (-45.0, "it is taken out at every standstill"),
        (70.0, "too far off to be believed"), (None, "not seen at rest"),
    ],
)
def test_what_the_zero_says(worst: float | None, words: str) -> None:
    zero = None if worst is None else Mean(100, worst, 1.0)
    assert words in verdict(SensorFacts("inlet_pa", True, zero, worst, worst, worst, 10.0, 60.0, {}))


def run(*arguments: str) -> tuple[int, str]:
    app = typer.Typer()
    app.command()(record)
    result = CliRunner().invoke(app, list(arguments))
    if isinstance(result.exception, DuctwardenError):
        return result.exception.exit_code, str(result.exception)
    return result.exit_code, result.output


def test_the_command_writes_the_sheet_and_its_tables(tmp_path: Path) -> None:
    config = busy_month(tmp_path)
    target = tmp_path / "records" / "2026"
    code, said = run(str(config.path), "--month", "2026-03", "--to", str(target))
    assert code == 0, said
    assert {path.name for path in target.iterdir()} == {"record-2026-03.html"} | {
        f"record-2026-03-{name}.csv" for name in ("days", "gate-sets", "ports", "drag", "cleanings", "alarms", "sensors",
                                                  "not-watched")}
    assert "alarms: 26 raised, 26 of them to stop the fan" in said
    assert "26 raised, 26 of them to stop the fan" in (target / "record-2026-03.html").read_text()
    reader = Reader(config.at(config.file.store.file))
    month = Month.of("2026-03", LocalZone())
    assert next(rates(reader, month.start_t, month.end_t)).startswith("26 alarms raised on"), "one count everywhere"
    assert sum(week_facts(reader, month.start_t, month.end_t).raised.values()) == 26, "in the digest as well"
    reader.close()
    assert run(str(config.path), "--month", "2026-3")[0] == 2
    code, said = run(str(config.path), "--month", "2020-01", "--to", str(target))
    assert (code, "nothing of January 2020 is in the store" in said) == (2, True)
    (tmp_path / "file").write_text("")
    assert run(str(config.path), "--month", "2026-03", "--to", str(tmp_path / "file" / "sub"))[0] in (2, 4)


@pytest.mark.slow
def test_it_prints_on_either_paper_without_losing_a_column(month: tuple[Config, RecordFacts, str]) -> None:
    with chromium() as browser:
        page = browser.new_page()
        page.emulate_media(media="print")
        for paper, width_mm in (("A4", 210.0), ("Letter", 215.9)):
            page.set_viewport_size({"width": int((width_mm - 24.0) / 25.4 * 96.0), "height": 1000})
            page.set_content(month[2])
            wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            assert wide <= 0, f"{wide} px too wide for {paper}"
            printed = page.pdf(format=paper)
            assert printed.startswith(b"%PDF-")
            assert 2 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 5
