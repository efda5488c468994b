"""The HTML pages. Each is made from the same data as its JSON, so that it is right before any script has run."""

from __future__ import annotations

from typing import Annotated, Any

from anyio import to_thread
from fastapi import APIRouter, Query, Request
from fastapi.responses import FileResponse, JSONResponse, RedirectResponse, Response
from pydantic import ValidationError

from analysis.conditions import TEXTS, Condition
from analysis.events import EventKind
from analysis.readings import CHANNELS
from dashboard.added_run_view import report_file
from dashboard.alarm_view import BLANK, alarm_out
from dashboard.box import UNITS_COOKIE, RowId, box_of, screen_of
from dashboard.demo_view import PACES
from dashboard.duct_drawing import drawing
from dashboard.duct_view import ducts_out
from dashboard.forms import form_of, local_path
from dashboard.journal_view import WRITABLE, JournalIn, entry_out
from dashboard.now_view import is_fitted
from dashboard.page import html
from dashboard.problems import Refused
from dashboard.record_view import NOTHING
from dashboard.routes import alarms, health, journal, machine
from dashboard.shapes import SERIES, SYSTEMS, Out, rows, text
from dashboard.snapshot import Snapshot
from dashboard.trend_view import EVENT_WORDS, event_words
from dashboard.words import day_and_time

router = APIRouter()

SPANS: tuple[tuple[int, str], ...] = (
    (0, "Last run"),
    (3600, "1 h"),
    (86400, "1 day"),
    (7 * 86400, "1 week"),
    (30 * 86400, "30 days"),
    (365 * 86400, "1 year"),
)
"""How far back the charts reach: seconds (0: the last run) and words."""
PAGE_ROWS = 50
SHOP = (
    ("fan", "Fan curve", "/fan", "Where the fan works now, and where it did when all was new."),
    ("run-check", "Did my new run hurt?", "/added-run", "Whether an added run costs the other ports air."),
    ("tour", "Baseline tour", "/tour", "Show it what your ducts really do: open the gates one by one."),
    ("record", "Maintenance record", "/record", "Month by month: what was done and how it ran, to print or to keep."),
    ("health", "Health", "/health", "Sensors, where the readings come from, notices, what can be judged here."),
    ("wall", "Wall view", "/wall", "One colour and one sentence, to be read across the shop."),
)
"""The pages behind "Shop": name, title, path, one line."""
PastT = Annotated[float | None, Query(ge=0, le=1e11)]
FIRST_SERIES = ("drag_ratio", "inlet_pa", "filter_pa", "flow_m3s", "motor_a")
"""What the page "Trends" shows first."""


@router.get("/")
def now_page(request: Request) -> Response:
    """The shop now."""
    return html(request, "now", "now.html", blank=BLANK, paces=PACES)


@router.get("/wall")
def wall_page(request: Request) -> Response:
    """The shop now, to be read from across the room."""
    return html(request, "wall", "wall.html")


@router.get("/trends")
def trends_page(request: Request) -> Response:
    """Any series over any time."""
    words = {name: SERIES[name].words for name in dict.fromkeys((*FIRST_SERIES, *SERIES))}
    return html(request, "trends", "trends.html", spans=SPANS, words=words, chosen=FIRST_SERIES, **_window(request))


def _window(request: Request) -> dict[str, Any]:
    """The last run, and the series that this shop can have: channels that are fitted, and all that is estimated."""
    store = box_of(request).store
    snapshot = store.snapshot()
    clock = snapshot.clock
    runs = [] if snapshot.problem or clock is None else store.reader.runs(clock - 90 * 86400.0, clock, 50)
    # A run of a few seconds shows nothing; where there are only such, the latest must do.
    run = next((run for run in runs if (run.end_t or clock or 0.0) - run.start_t > 120.0), runs[0] if runs else None)
    return {
        "fitted": [name for name in SERIES if name not in CHANNELS or is_fitted(snapshot, name)],
        "run_start": "" if run is None else run.start_t,
        "run_end": "" if run is None or run.end_t is None else run.end_t,
    }


@router.get("/ducts")
def ducts_page(request: Request) -> Response:
    """The drawing with its air."""
    ducts = machine.read_ducts(request)
    return html(request, "ducts", "ducts.html", ducts=ducts, drawing=drawing(ducts["pieces"]))


MONTH_S = 30 * 86400.0


@router.get("/ducts/{name:path}")
def run_page(request: Request, name: str) -> Response:
    """One run or port: its air now, what it needs, and what its last month brought."""
    store = box_of(request).store
    snapshot = store.snapshot()
    screen = screen_of(request, snapshot)
    ducts = ducts_out(snapshot, screen)
    at = next((at for at, piece in enumerate(ducts["pieces"]) if piece["name"] == name), None)
    if at is None:
        raise Refused(404, f"The drawing has no run or port called {name[:60]!r}.")
    now = snapshot.clock or snapshot.wall
    happened = [
        (alarm.since_t, day_and_time(alarm.since_t), alarm_out(alarm, screen, now)["title"], f"/alarms/{alarm.id}")
        for alarm in store.alarms_between(now - MONTH_S, now)
        if alarm.where == name
    ] + [
        (entry.t, day_and_time(entry.t), f"{event_words(entry.kind)}{f': {entry.text}' if entry.text else ''}", "")
        for entry in store.journal_between(now - MONTH_S, now)
        if entry.where == name and not entry.removed
    ]
    happened.sort(reverse=True)
    return html(request, "ducts", "run.html", p=ducts["pieces"][at], at=at, shape_mark=ducts["shape"], happened=happened)


@router.get("/alarms")
def alarms_page() -> Response:
    """Alarms stand in the journal; old links still work."""
    return RedirectResponse("/journal#h-open", status_code=307)


@router.get("/alarms/{alarm_id}")
def alarm_page(request: Request, alarm_id: RowId) -> Response:
    """One alarm with its history and what may be done."""
    found = alarms.one_alarm(request, alarm_id)
    alarm = found["alarm"]
    margin = 1800.0
    end = alarm["raised_t"] if alarm["cleared_t"] is None else alarm["cleared_t"]
    return html(
        request,
        "alarms",
        "alarm.html",
        a=alarm,
        steps=found["transitions"],
        look_start=round(alarm["since_t"] - margin),
        look_end=round(end + margin),
    )


@router.get("/journal")
def journal_page(request: Request, before_t: PastT = None) -> Response:
    """The alarms that stand, what to enter, and everything that happened, alarms and entries together."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    entries = [] if snapshot.problem else box.store.journal(before_t, PAGE_ROWS)
    past = [] if snapshot.problem else box.store.alarms(before_t, PAGE_ROWS)
    # Both lists are cut where the shorter one ends, so that the next page begins where this one stops.
    ends = [rows[-1].t if rows is entries else rows[-1].raised_t for rows in (entries, past) if len(rows) == PAGE_ROWS]  # type: ignore[union-attr]
    cut = max(ends, default=0.0)
    happened: list[tuple[float, str, Out]] = []
    happened += [(entry.t, "entry", entry_out(entry)) for entry in entries if entry.t >= cut]
    screen = screen_of(request, snapshot)
    happened += [(alarm.raised_t, "alarm", alarm_out(alarm, screen, snapshot.clock)) for alarm in past if alarm.raised_t >= cut]
    happened.sort(key=lambda row: -row[0])
    return html(
        request,
        "journal",
        "journal.html",
        blank=BLANK,
        happened=happened,
        older_t=cut - 1e-3 if cut else None,
        places=places(snapshot),
        kinds=[(kind.value, EVENT_WORDS[kind]) for kind in WRITABLE],
        conditions=[(condition.value, TEXTS[condition].title) for condition in Condition],
    )


@router.get("/fan")
def fan_page(request: Request) -> Response:
    """The fan curve."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    return html(request, "fan", "fan.html", fan=machine.fan_of(box, snapshot, screen_of(request, snapshot)))


@router.get("/tour")
def tour_page(request: Request) -> Response:
    """The baseline tour."""
    return html(request, "tour", "tour.html", tour=machine.read_tour(request))


@router.get("/added-run")
def added_run_page(request: Request) -> Response:
    """The check of an added run."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    entries = [] if snapshot.problem else box.store.reader.journal(kinds=("added_run", "changed"), limit=50)
    told = [
        {"id": entry.id, "words": f"{day_and_time(entry.t)}: {entry.text or entry.where or EVENT_WORDS[EventKind(entry.kind)]}"}
        for entry in entries
    ]
    return html(
        request,
        "run-check",
        "added_run.html",
        check=machine.read_added_run(request),
        places=places(snapshot),
        runs=[text(run, "name") for run in rows(snapshot.shop, "runs")],
        entries=told,
        baselines=[str(row["name"]) for row in machine.baselines_of(box)],
    )


@router.get("/added-run/files/{name}")
def added_run_file(request: Request, name: str) -> Response:
    """The report of the last comparison as one file."""
    path = report_file(box_of(request).settings.store, name)
    if path is None:
        raise Refused(404, "There is no such file of a comparison.")
    return FileResponse(path, media_type="text/html", filename="added-run.html")


@router.get("/record")
def record_page(request: Request) -> Response:
    """The maintenance record."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    found = NOTHING if snapshot.problem else machine.read_record(request)
    return html(request, "record", "record.html", record=found)


@router.get("/health")
def health_page(request: Request) -> Response:
    """The health of the daemon, its sources and its sensors."""
    return html(request, "health", "health.html", health=health.read_health(request))


@router.get("/shop")
def shop_page(request: Request) -> Response:
    """What is not looked at every day."""
    return html(request, "shop", "shop.html", tiles=SHOP)


@router.get("/more")
def more_page() -> Response:
    """Old links still work."""
    return RedirectResponse("/shop", status_code=307)


@router.get("/manifest.webmanifest")
def manifest(request: Request) -> Response:
    """What a phone needs to keep the page on its home screen."""
    assets = box_of(request).assets
    found = {
        "name": "ductwarden", "short_name": "ductwarden", "start_url": "/", "scope": "/", "display": "standalone",
        "background_color": "#f3f0e8", "theme_color": "#f3f0e8",
        "icons": [
            {"src": assets.url("mark.svg"), "sizes": "any", "type": "image/svg+xml"},
            {"src": assets.url("mark.png"), "sizes": "192x192", "type": "image/png"},
        ],
    }  # fmt: skip
    return JSONResponse(found, media_type="application/manifest+json")


def places(snapshot: Snapshot) -> list[str]:
    """Ports, runs and fitted channels: where something can be."""
    names = [text(row, "name") for key in ("ports", "runs") for row in rows(snapshot.shop, key)]
    return [name for name in names if name] + [name for name in CHANNELS if is_fitted(snapshot, name)]


@router.get("/static/{version}/{name}")
def static_file(request: Request, version: str, name: str) -> Response:
    """A static file; an old version's path leads to the present file, so that a page left open overnight still works."""
    return box_of(request).assets.answer(request, name)


@router.post("/alarms/{alarm_id}/answer")
def answer(request: Request, alarm_id: RowId) -> Response:
    """The alarm's button without a script: answer it, and back to the page."""
    alarms.answer(request, alarm_id)
    return RedirectResponse("/", status_code=303)


@router.post("/journal")
async def enter(request: Request) -> Response:
    """The journal's form without a script."""
    form = await form_of(request)
    try:
        entry = JournalIn.model_validate({name: form[name] for name in ("kind", "text", "where", "at") if form.get(name)})
    except ValidationError as error:
        raise Refused(
            422, "The entry has a part that cannot be used.", [str(item["loc"][-1]) for item in error.errors()]
        ) from error
    await to_thread.run_sync(journal.add, request, entry)
    return RedirectResponse("/journal", status_code=303)


@router.post("/units")
async def switch_units(request: Request) -> Response:
    """Remember on this device which units to show."""
    form = await form_of(request)
    answer = RedirectResponse(local_path(form.get("back", "/")), status_code=303)
    if form.get("units") in SYSTEMS:
        answer.set_cookie(UNITS_COOKIE, form["units"], max_age=400 * 86400, httponly=True, samesite="strict")
    return answer
