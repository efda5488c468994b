"""Status documents of another version, or spoiled ones: every page is still made, and what is unknown is said to be."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from dashboard.added_run_view import added_run_out
from dashboard.duct_drawing import drawing
from dashboard.duct_view import ducts_out
from dashboard.fan_view import fan_out
from dashboard.health_view import health_out
from dashboard.metrics import metrics_text
from dashboard.now_view import now_out
from dashboard.shapes import Screen
from dashboard.snapshot import Snapshot
from dashboard.tour_view import tour_out
from tests.dashboard.shop import shop_document
from tests.support.thoroughness import examples

LEAVES = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**20), 10**20), st.floats(allow_nan=True, allow_infinity=True), st.text(max_size=12)
)
JSON = st.recursive(
    LEAVES,
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=8), inner, max_size=4)),
    max_leaves=8,
)
KEYS = {
    "now": ["t", "state", "run_s", "values", "quality", "gates", "estimate", "expected"],
    "estimate": ["flow_m3s", "flow_sd", "drag_ratio", "flow_lost", "gates", "gate_probability", "alternatives", "notes"],
    "shop": ["name", "units", "runs", "ports", "filter", "motor", "design", "channels", "fan", "material"],
    "daemon": ["event_t", "pace", "version", "frames", "counters", "memory_bytes", "started_wall_t", "disk_free_bytes"],
    "ducts": ["pieces", "drawn", "t"],
    "tour": ["active", "phase", "step", "steps", "open_ports", "words", "progress", "measured", "skipped", "report", "notes"],
    "added_run": [
        *("name", "verdict", "words", "ports", "phase", "what", "lines", "notes", "others", "check"),
        *("kept", "truth", "offer_check", "busy", "trouble", "entry"),
    ],
    "source": ["name", "kind", "state", "connected", "samples", "refused", "unknown_channels", "last_t", "last_error"],
    "claim": ["condition", "claim", "reason", "action", "forecast_s", "forecast_low_s", "forecast_high_s"],
}


def document(name: str) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({}, optional=dict.fromkeys(KEYS[name], JSON))


SNAPSHOTS = st.builds(
    Snapshot,
    wall=st.just(1.8e9),
    heard=st.one_of(st.none(), st.just(1.8e9 - 3)),
    now=st.one_of(
        document("now"), st.builds(lambda now, estimate: {**now, "estimate": estimate}, document("now"), document("estimate"))
    ),
    shop=document("shop"),
    daemon=document("daemon"),
    ducts=document("ducts"),
    tour=document("tour"),
    added_run=document("added_run"),
    sources=st.lists(document("source"), max_size=2).map(tuple),
    outlets=st.lists(document("source"), max_size=2).map(tuple),
    detectors=st.lists(document("claim"), max_size=3).map(tuple),
)


AS_JSON: TypeAdapter[Any] = TypeAdapter(Any)


def everything(snapshot: Snapshot, systems: Sequence[str] = ("us", "si")) -> None:
    for system in systems:
        screen = Screen(system)  # type: ignore[arg-type]
        health, ducts = health_out(snapshot, screen, 0), ducts_out(snapshot, screen)
        for document in (now_out(snapshot, screen), health, ducts, fan_out(snapshot, screen, None, None), tour_out(snapshot, []),
                         added_run_out(snapshot, screen)):
            assert AS_JSON.dump_json(document)
        drawing(ducts["pieces"])
        metrics_text(snapshot, health)


@given(SNAPSHOTS)
@settings(max_examples=examples(40), deadline=None)
def test_no_document_breaks_a_page(snapshot: Snapshot) -> None:
    everything(snapshot)


def spoil(found: Any, at: int, by: Any) -> tuple[Any, int]:
    """``found`` with its ``at``-th part replaced; returns how many parts it has besides."""
    if at == 0:
        return by, -1
    at -= 1
    if isinstance(found, dict):
        out: dict[Any, Any] = {}
        for key, value in found.items():
            out[key], at = (value, at) if at < 0 else spoil(value, at, by)
        return out, at
    if isinstance(found, list):
        rows = []
        for value in found:
            row, at = (value, at) if at < 0 else spoil(value, at, by)
            rows.append(row)
        return rows, at
    return found, at


@pytest.mark.parametrize("by", [
    *(None, "x", 1e308, [1, "a", None]),
    *(pytest.param(by, marks=pytest.mark.long) for by in (-1, float("nan"), [], {}, {"a": {"b": 1}}, True)),
])
def test_no_single_spoiled_part_of_the_drawing_breaks_a_page(by: Any) -> None:
    whole = shop_document()
    at = 1
    while True:
        shop, rest = spoil(whole, at, by)
        if rest >= 0:
            break
        now = {"t": 1.8e9, "state": "running", "estimate": {"gates": ["planer"]}}
        everything(Snapshot(1.8e9, heard=1.8e9, now=now, shop=shop), ("us", "si")[at % 2 :][:1])
        at += 1
    assert at > 80, "every part was spoiled once"
