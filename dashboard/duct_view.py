"""The ducts as data: every run and port with its air, its velocity and whether that carries chips.

The drawing comes from the status document "shop" (``runs``, ``ports``), the air from the document "ducts":
``{"t", "pieces": {name: {"flow_m3s", "velocity_ms", "carrying_ms", "by_design", "in_use"}}}``, where ``by_design`` tells
that even the drawing has this piece below its carrying velocity with these gates, and ``in_use`` that an open port feeds
it. (``drawn``: ``flow_m3s``, ``inlet_pa`` and ``filter_pa`` of the drawing with these gates and clean bags; the page "Fan
curve" shows it.)
"""

from __future__ import annotations

from collections.abc import Mapping

from dashboard.machine_view import GUESS
from dashboard.now_view import state_words
from dashboard.shapes import Out, Quantity, Screen, dig, number, rows, shape_of, text
from dashboard.snapshot import Document, Snapshot
from dashboard.words import DASH, since

MAX_PIECES = 200


def ducts_out(snapshot: Snapshot, screen: Screen) -> Out:
    """The ducts made from a snapshot."""
    drawn = [("run", row) for row in rows(snapshot.shop, "runs")] + [("port", row) for row in rows(snapshot.shop, "ports")]
    if not drawn:
        why = "The drawing of the ducts is not there yet: it comes when the daemon runs."
        return {"known": False, "headline": why, "remark": "", "tone": "wait", "pieces": [], "shape": ""}
    running = text(snapshot.now, "state") == "running"
    gates = open_ports(snapshot)
    pieces = [_piece(kind, row, snapshot, screen, gates, running) for kind, row in drawn[:MAX_PIECES]]
    slow = [piece for piece in pieces if piece["tone"] == "soon"]
    by_design = [piece for piece in pieces if piece["tone"] == "plan"]
    remark = ""
    if slow:
        remark = f"Too slow to carry chips: {', '.join(piece['name'] for piece in slow)}."
    elif by_design:
        names = ", ".join(piece["name"] for piece in by_design)
        remark = f"Slow with these gates, even when all is well: {names}."
        if gates is not None:
            remark += " Open one more gate when you make chips."
    state = text(snapshot.now, "state")
    if not running:
        headline = state_words(snapshot, state)
    elif gates is None:
        headline = "Not known which gates are open"
    else:
        headline = f"Open: {', '.join(gates)}" if gates else "All gates shut"
    if snapshot.silent:
        headline = f"No word from the daemon since {since(snapshot.heard, snapshot.wall)}"
        remark = "What you see below is from then."
    judged = "ok" if running and gates is not None else "quiet" if state == "off" else "wait"
    tone = "silent" if snapshot.silent else "soon" if slow else "plan" if by_design else judged
    return {"known": True, "headline": headline, "remark": remark, "tone": tone, "pieces": pieces,
            "shape": shape_of([piece["name"] for piece in pieces])}


def open_ports(snapshot: Snapshot) -> tuple[str, ...] | None:
    """The open ports as the gate switches say, else as estimated; None where not known, a guess included."""
    told = dig(snapshot.now, "gates")
    if isinstance(told, Mapping):
        return tuple(str(port) for port, is_open in told.items() if is_open)
    found, sure = dig(snapshot.now, "estimate", "gates"), number(snapshot.now, "estimate", "gate_probability")
    if sure is not None and sure < GUESS:
        return None
    return tuple(str(port) for port in found) if isinstance(found, list | tuple) else None


def _piece(kind: str, row: Document, snapshot: Snapshot, screen: Screen, gates: tuple[str, ...] | None, running: bool) -> Out:
    """One run or port."""
    name = text(row, "name")
    air = dig(snapshot.ducts, "pieces", name) if running else None
    gated = kind == "port" and row.get("has_gate") is not False
    if gates is None and not _carries_all(row, snapshot):
        air = None  # how the air parts follows from the gates, and they are a guess
    flow, velocity, carrying = (number(air, key) for key in ("flow_m3s", "velocity_ms", "carrying_ms"))
    is_open = None if kind == "run" else True if not gated else None if gates is None else name in gates
    if kind == "run" and dig(air, "in_use") is False:
        is_open = False  # every port that it serves is shut: only leakage passes
    tone, words = _judge(velocity, carrying, is_open, text(snapshot.now, "state"), dig(air, "by_design") is True, gated)
    if gates is None and tone in ("plan", "soon"):
        tone, words = "wait", "slow, gates not known"
    shown_flow, shown_velocity = screen.quantity(flow, "flow", why=DASH), screen.quantity(velocity, "velocity", why=DASH)
    shown = [quantity.shown for quantity in (shown_flow, shown_velocity) if quantity.si is not None]
    length, hose, diameter = (number(row, key) or 0.0 for key in ("length_m", "hose_m", "diameter_m"))
    return {
        "name": name,
        "into": text(row, "into"),
        "kind": kind,
        "length_m": length,
        "hose_m": hose,
        "diameter_m": diameter,
        "size": screen.quantity(diameter, "diameter").shown,
        "length": screen.quantity(length + hose, "length").shown,
        "gate": "none" if not gated else "unknown" if is_open is None else "open" if is_open else "shut",
        "flow": shown_flow,
        "velocity": shown_velocity,
        "carrying": screen.quantity(carrying, "velocity", why=DASH),
        "needs": screen.quantity(number(row, "needs_m3s"), "flow", why="not stated") if kind == "port" else Quantity(shown=""),
        "tone": tone,
        "words": words,
        "air": " · ".join(shown) if tone != "quiet" else "",
    }


def _carries_all(row: Document, snapshot: Snapshot) -> bool:
    """Whether all the air of the fan passes here, however the gates stand."""
    first = [text(other, "name") for other in (*rows(snapshot.shop, "runs"), *rows(snapshot.shop, "ports"))
             if text(other, "into") == "fan"]
    return first == [text(row, "name")]


def _judge(
    velocity: float | None, carrying: float | None, is_open: bool | None, state: str, by_design: bool, gated: bool
) -> tuple[str, str]:
    if state == "off":
        return "quiet", "no air"
    if state != "running":
        return "wait", "air not known"
    if is_open is False:
        return "quiet", "shut"
    if is_open is None and gated:
        return "wait", "gate not known"
    if velocity is None:
        return "wait", "open, air not known" if is_open else "air not known"
    if carrying is None:
        return "wait", "open" if is_open else ""
    if velocity < 0.05 * carrying:
        return "quiet", "no air"
    if velocity >= carrying:
        return "ok", "carries chips"
    return ("plan", "slow by design") if by_design else ("soon", "too slow for chips")
