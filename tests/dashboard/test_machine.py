"""The ducts' drawing, the fan curve, the tour, the added run, the record, the health and the numbers for programs."""

from __future__ import annotations

import csv
import io
import itertools
import re
from typing import Any
from xml.etree import ElementTree

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from analysis.baseline.model import Baseline, StepSummary
from analysis.conditions import Condition
from analysis.duct.design import AsBuilt
from analysis.events import EventKind
from dashboard.assets import sheet
from dashboard.duct_drawing import WIDTH, drawing, place
from dashboard.duct_view import ducts_out
from dashboard.fan_view import as_built_line, curve_of
from dashboard.shapes import Out, Screen
from dashboard.snapshot import Snapshot
from tests.dashboard.shop import Shop, shop_document
from tests.dashboard.visitor import Visitor

# -- ducts ----------------------------------------------------------------------------------------------------------------


def pieces(client: Visitor) -> list[Out]:
    client.box.store.forget()
    return ducts_out(client.box.store.snapshot(), Screen("us"))["pieces"]  # type: ignore[no-any-return]


def test_the_drawing_is_well_formed_and_names_are_text(client: Visitor, shop: Shop) -> None:
    shop.documents["shop"]["ports"][0]["name"] = '"><script>&planer'
    shop.step(1)
    root = ElementTree.fromstring(str(drawing(pieces(client))))
    names = [element.text for element in root.iter() if element.get("class") == "name"]
    assert '"><script>&planer' in names
    assert not list(root.iter("script"))


def test_the_drawing_is_one_row_a_piece_to_one_scale(client: Visitor, shop: Shop) -> None:
    found = pieces(client)
    placed = place(found, WIDTH)
    assert {item.piece["name"] for item in placed} == {piece["name"] for piece in found}
    assert len({item.y for item in placed}) == len(placed), "no two pieces share a row"
    scales = [(item.x1 - item.x0) / (item.piece["length_m"] + item.piece["hose_m"]) for item in placed]
    assert max(scales) == pytest.approx(min(scales))
    assert max(item.x1 for item in placed) <= WIDTH
    rows = {item.piece["name"]: item for item in placed}
    for item in placed:
        if item.piece["into"] in rows:
            parent = rows[item.piece["into"]]
            assert item.y > parent.y
            assert item.x0 > parent.x0, "the line down to it passes left of every word between"
    root = ElementTree.fromstring(str(drawing(found)))
    assert [e.text for e in root.iter() if e.get("class") == "name"] == ["fan", *(item.piece["name"] for item in placed)]


def test_a_gate_is_drawn_as_it_stands(client: Visitor, shop: Shop) -> None:
    shop.gates = ("planer",)
    shop.step(2)
    gates = {piece["name"]: piece["gate"] for piece in pieces(client)}
    assert gates == {"planer": "open", "bandsaw": "shut", "lathe": "shut", "shaving horse": "shut"} | dict.fromkeys(
        ("main", "east main", "bench run"), "none"
    )


def test_a_drawing_that_goes_in_circles_is_not_followed_for_ever() -> None:
    base = {"length_m": 1.0, "hose_m": 0.0, "diameter_m": 0.1, "kind": "run"}

    runs = [{"name": "a", "into": "b", **base}, {"name": "b", "into": "a", **base}, {"name": "c", "into": "fan", **base}]
    found = ducts_out(Snapshot(0.0, shop={"runs": runs}), Screen("us"))
    assert [item.piece["name"] for item in place(found["pieces"], WIDTH)] == ["c"]


def test_a_slow_run_is_marked_by_words_shape_and_tone(client: Visitor, shop: Shop) -> None:
    """4000 fpm in a 4 in branch is 349 cfm (continuity: 0.08727 ft2 x 4000 ft/min); the shop moves less through two."""
    shop.gates = ("planer", "lathe")
    shop.step(2)
    found = client.fresh("/api/v1/ducts")
    lathe = next(piece for piece in found["pieces"] if piece["name"] == "lathe")
    assert lathe["velocity"]["si"] == pytest.approx(lathe["flow"]["si"] / 0.0081073, rel=1e-3)
    assert (lathe["tone"], lathe["words"]) == ("soon", "too slow for chips")
    assert "lathe" in found["remark"]
    assert next(piece for piece in found["pieces"] if piece["name"] == "bandsaw")["words"] == "shut"
    page = client.get("/ducts").text
    assert "m-soon" in page
    assert "too slow for chips" in page


def test_what_is_slow_by_design_is_a_remark_and_no_warning(client: Visitor, shop: Shop) -> None:
    shop.gates = ("planer",)
    shop.step(2)
    main = next(piece for piece in client.fresh("/api/v1/ducts")["pieces"] if piece["name"] == "main")
    assert (main["tone"], main["words"]) == ("plan", "slow by design")


# -- fan curve ----------------------------------------------------------------------------------------------------------------


def baseline(t: float) -> dict[str, Any]:
    step = StepSummary(("planer",), {"inlet_pa": -2400.0, "filter_pa": 180.0}, {}, 0.19, 0.002)
    return Baseline(t=t, name="first day", as_built=AsBuilt(fan_pressure=0.9, fan_flow=1.1), steps=(step,)).to_dict()


def test_the_drawn_curve_goes_through_its_points(client: Visitor, shop: Shop) -> None:
    """The demo shop's plate: 800 cfm at 9.1 in. w.g."""
    found = client.fresh("/api/v1/fan")
    assert found["known"]
    near = min(found["drawn"], key=lambda pair: abs(pair[0] - 0.377558))
    curve = curve_of(shop_document())
    assert curve is not None
    assert curve.pressure_scalar(0.377558)[0] == pytest.approx(9.1 * 249.089, rel=2e-3)
    assert near[1] == pytest.approx(curve.pressure_scalar(near[0])[0])
    assert found["now"]["rise_pa"] == pytest.approx(
        client.fresh()["signals"]["filter_pa"]["value"]["si"] - client.fresh()["signals"]["inlet_pa"]["value"]["si"], abs=1e-6
    )
    shop.step(400)
    assert len(client.fresh("/api/v1/fan")["cloud"]) >= 1, "whole minutes between others"


def test_the_as_built_curve_is_stretched_as_the_baseline_says() -> None:
    curve = curve_of(shop_document())
    assert curve is not None
    line = as_built_line(curve, {"document": baseline(0.0)})
    assert line[0][1] == pytest.approx(0.9 * curve.pressure_scalar(0.0)[0])
    assert line[-1][0] == pytest.approx(1.1 * curve.free_flow_m3s())
    assert as_built_line(curve, {"document": {"format": 99}}) == []
    assert as_built_line(curve, None) == []


def test_the_baseline_point_is_the_step_with_the_same_gates(client: Visitor, shop: Shop) -> None:
    shop.writer.baseline("first day", shop.t, baseline(shop.t))
    shop.step(1)
    found = client.fresh("/api/v1/fan")
    assert found["baseline"]["rise_pa"] == pytest.approx(2580.0)
    shop.gates = ("lathe",)
    shop.step(1)
    assert client.fresh("/api/v1/fan")["baseline"] is None


@pytest.mark.parametrize("points", [None, [], [[0, 1]], [["x", 2], [3, 4], [5, 6]], [[3, 1], [2, 1], [1, 1]], "nonsense"])
def test_a_curve_that_makes_no_sense_is_no_curve(points: object) -> None:
    assert curve_of({"fan": {"points": points}}) is None


# -- tour and added run -------------------------------------------------------------------------------------------------------


def test_the_tour_shows_one_instruction_at_a_time(client: Visitor, shop: Shop) -> None:
    assert client.fresh("/api/v1/tour")["active"] is False
    assert "Start the tour" in client.get("/tour").text
    shop.writer.status(
        "tour",
        {
            "active": True,
            "phase": "set",
            "step": 1,
            "steps": 8,
            "open_ports": ["planer"],
            "words": "Open planer.",
            "reason": "",
            "progress": 0.0,
            "measured": [[]],
            "skipped": [],
        },
    )
    shop.tell()
    found = client.fresh("/api/v1/tour")
    assert (found["title"], found["may_ready"], found["measured"]) == ("Step 2 of 8", True, ["all shut"])
    assert {gate["name"]: gate["is_open"] for gate in found["gates"]}["planer"] is True
    assert sum(gate["is_open"] for gate in found["gates"]) == 1
    assert "The gates are set: measure" in client.get("/tour").text


def test_a_finished_tour_reports_as_built_against_as_drawn(client: Visitor, shop: Shop) -> None:
    lines = [{"kind": "port", "name": "lathe", "ratio": 1.3, "sd": 0.05, "words": "look for a crushed hose"}]
    shop.writer.status("tour", {"active": False, "phase": "done", "report": lines, "notes": ["no zero was found"]})
    shop.tell()
    found = client.fresh("/api/v1/tour")
    assert found["active"] is False
    assert found["report"] == [
        {"what": "run to the lathe", "shown": "1.30 times the drawing, ± 0.13", "words": "look for a crushed hose"}
    ]
    assert "crushed hose" in client.get("/tour").text


def test_the_added_run_speaks_of_air_at_the_ports(client: Visitor, shop: Shop) -> None:
    assert client.fresh("/api/v1/added-run")["known"] is False
    shop.writer.status(
        "added_run",
        {
            "name": "sander",
            "verdict": "lost",
            "lines": ["Yes: the sander takes air from the ports."],
            "ports": [
                {"name": "planer", "before_m3s": 0.2, "after_m3s": 0.192, "duct": "−4.0 %", "filter": "0.0 %", "drawn": "−2.0 %"}
            ],
        },
    )
    shop.tell()
    found = client.fresh("/api/v1/added-run")
    port = found["ports"][0]
    assert (found["title"], port["duct"], port["drawn"]) == ("Yes – some ports lost air", "−4.0 %", "−2.0 %")
    assert "Yes: the sander takes air" in client.get("/added-run").text


# -- record, health, numbers --------------------------------------------------------------------------------------------------


def test_the_record_counts_by_month_and_as_a_table(client: Visitor, shop: Shop) -> None:
    shop.note(EventKind.CLEANED, "=HYPERLINK(1)")
    shop.note(EventKind.EMPTIED)
    shop.step(3480)
    shop.switch(False)
    shop.step(120)
    month = client.fresh("/api/v1/record")["months"][0]
    assert (month["month"], month["cleaned"], month["emptied"], month["starts"]) == ("March 2026", 1, 1, 1)
    assert month["hours"] == pytest.approx(1.0, abs=0.05)
    answer = client.get("/api/v1/record.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.reader(io.StringIO(answer.text)))
    assert rows[1][0] == "March 2026"
    assert any(cell.startswith("'=") for row in rows for cell in row), "a spreadsheet must not take a note for a formula"
    assert not any(cell.startswith("=") for row in rows for cell in row)


def test_health_tells_of_what_was_refused(client: Visitor, shop: Shop) -> None:
    found = client.fresh("/api/v1/health")
    source = found["sources"][0]
    assert (source["name"], source["refused"]) == ("unit", [{"words": "checksum", "count": 2, "shown": "2"}])
    assert {sensor["channel"]: sensor["state"] for sensor in found["sensors"]}["air_rh"] == "not fitted"
    assert ("Room on the disk", "12.4 GB") in [(fact["words"], fact["shown"]) for fact in found["facts"]]
    page = client.get("/health").text
    assert "checksum" in page
    assert "once" in page
    assert "1 times" not in page
    assert "Not fitted: " in page


def test_the_numbers_for_programs_are_openmetrics(client: Visitor, shop: Shop) -> None:
    """Read back with the parser of the format's reference library."""
    shop.claim(Condition.BAG_FULL)
    shop.step(400)
    client.box.store.forget()
    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    families = {family.name: family for family in text_string_to_metric_families(answer.text)}
    now = client.get("/api/v1/now").json()
    assert families["ductwarden_inlet_pascals"].samples[0].value == pytest.approx(now["signals"]["inlet_pa"]["value"]["si"])
    alarms = {sample.labels["condition"]: sample.value for sample in families["ductwarden_alarms_open"].samples}
    assert alarms["bag_full"] == 1
    assert set(alarms) == {condition.value for condition in Condition}
    states = {sample.labels["ductwarden_fan_state"]: sample.value for sample in families["ductwarden_fan_state"].samples}
    assert states["running"] == 1
    assert sum(states.values()) == 1
    assert "ductwarden_air_celsius" not in families, "what is not known is left out"
    assert families["ductwarden_refused_inputs"].type == "counter"


def test_the_numbers_before_there_are_any(empty: Visitor) -> None:
    families = list(text_string_to_metric_families(empty.get("/metrics").text))
    assert "ductwarden_fan_state" not in {family.name for family in families}


def test_every_page_works_with_and_without_data(client: Visitor, empty: Visitor) -> None:
    paths = ("/", "/trends", "/ducts", "/fan", "/journal", "/tour", "/added-run", "/record", "/health", "/shop", "/wall")
    for visitor, path in itertools.product((client, empty), paths):
        answer = visitor.get(path)
        assert answer.status_code == 200, path
        assert answer.text.count("<h1") == 1
        assert answer.text.count(f"<style>{sheet()[0]}</style>") == 1, path
        text = answer.text.replace(sheet()[0], "", 1)
        assert not re.search(r"<script(?![^>]*\bsrc=)|<style(?!></style>)|\sstyle=|\son\w+=", text)
        assert "None" not in re.sub(r"<[^>]+>", "", text).replace("None yet", "").replace("None.", "")


def test_the_description_of_the_interface_has_examples_and_the_error_shape(client: Visitor) -> None:
    description = client.get("/api/v1/openapi.json").json()
    paths = description["paths"]
    assert {"/api/v1/now", "/api/v1/trends", "/api/v1/alarms", "/api/v1/journal", "/healthz", "/metrics"} <= set(paths)
    assert not any(path.startswith("/static") or path == "/" for path in paths)
    for path, methods in paths.items():
        for method, told in methods.items():
            assert told.get("summary"), (path, method)
            for parameter in told.get("parameters", []):
                assert parameter.get("examples") or parameter["schema"].get("examples"), (path, parameter["name"])
            if path.startswith("/api/"):
                assert told["responses"]["404"]["content"]["application/json"]["schema"]["$ref"].endswith("/ErrorOut")
    schemas = description["components"]["schemas"]
    units = next(p for p in paths["/api/v1/now"]["get"]["parameters"] if p["name"] == "units")
    assert "us or si" in units["description"]
    assert schemas["JournalIn"]["properties"]["text"]["examples"]


def test_a_run_has_a_page_with_its_air_its_need_and_its_last_month(client: Visitor, shop: Shop) -> None:
    shop.claim(Condition.BLOCKED_RUN, "shaving horse")
    shop.step(900)
    assert '<a href="/ducts/shaving%20horse">' in client.get("/ducts").text
    page = client.get("/ducts/shaving%20horse").text
    assert "350 cfm" in page
    assert "A run is plugged: shaving horse" in page
    assert client.get("/ducts/bandsaw").text.count("No alarm and no journal entry.") == 1
    nothing = client.get("/ducts/no-such-run", headers={"accept": "text/html"})
    assert nothing.status_code == 404
    assert "<h1>There is no such page</h1>" in nothing.text, "an error is a page, not a line for programs"
