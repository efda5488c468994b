"""The ducts as data: every run and port with its air, its velocity and whether that carries chips.

The drawing comes from the status document "shop" (``runs``, ``ports``), the air from the document "ducts":
``{"t", "pieces": {name: {"flow_m3s", "velocity_ms", "carrying_ms", "by_design", "in_use"}}}``, where ``by_design`` tells
that even the drawing has this piece below its carrying velocity with these gates, and ``in_use`` that an open port feeds
it. (``drawn``: ``flow_m3s``, ``inlet_pa`` and ``filter_pa`` of the drawing with these gates and clean bags; the page "Fan
curve" shows it.)
"""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import BaseModel, Field

from dashboard.machine_view import GUESS
from dashboard.now_view import state_words
from dashboard.shapes import Quantity, Screen, dig, number, rows, shape_of, text
from dashboard.snapshot import Document, Snapshot
from dashboard.words import DASH, since

MAX_PIECES = 200


class PieceOut(BaseModel):
    """One run or port."""

    name: str = Field(examples=["east main"])
    into: str = Field(examples=["main"])
    kind: str = Field(examples=["run"])
    join: str = Field(default="", examples=["wye 45"])
    length_m: float
    hose_m: float
    diameter_m: float
    size: str = Field(examples=["6.00 in"])
    length: str = Field(examples=["11.0 ft"])
    is_open: bool | None = Field(examples=[True])
    gate: str = Field(default="none", examples=["open"], description="open, shut, unknown, or none where there is no gate")
    flow: Quantity
    velocity: Quantity
    carrying: Quantity
    needs: Quantity
    tone: str = Field(examples=["soon"])
    words: str = Field(examples=["too slow for chips"])
    air: str = Field(examples=["412 cfm · 3120 fpm"])


class DuctsOut(BaseModel):
    """The whole tree, fan first, in the order of the drawing."""

    known: bool
    why: str = Field(default="", examples=["The daemon has not told the drawing yet."])
    headline: str = Field(examples=["Open: planer"])
    remark: str = Field(default="", examples=["1 run is too slow to carry chips."])
    tone: str = Field(default="ok", examples=["ok"])
    pieces: list[PieceOut]
    shape: str = Field(default="", examples=["5f2c01aa"])


def ducts_out(snapshot: Snapshot, screen: Screen) -> DuctsOut:
    """The ducts made from a snapshot."""
    drawn = [("run", row) for row in rows(snapshot.shop, "runs")] + [("port", row) for row in rows(snapshot.shop, "ports")]
    if not drawn:
        why = "The drawing of the ducts is not there yet: it comes when the daemon runs."
        return DuctsOut(known=False, why=why, headline=why, pieces=[], tone="wait")
    running = text(snapshot.now, "state") == "running"
    gates = open_ports(snapshot)
    pieces = [_piece(kind, row, snapshot, screen, gates, running) for kind, row in drawn[:MAX_PIECES]]
    slow = [piece for piece in pieces if piece.tone == "soon"]
    by_design = [piece for piece in pieces if piece.tone == "plan"]
    remark = ""
    if slow:
        remark = f"Too slow to carry chips: {', '.join(piece.name for piece in slow)}."
    elif by_design:
        names = ", ".join(piece.name for piece in by_design)
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
    tone = "silent" if snapshot.silent else "soon" if slow else "plan" if by_design else "ok" if running else "quiet"
    return DuctsOut(
        known=True, headline=headline, remark=remark, tone=tone, pieces=pieces, shape=shape_of([piece.name for piece in pieces])
    )


def open_ports(snapshot: Snapshot) -> tuple[str, ...] | None:
    """The open ports as the gate switches say, else as estimated; None where not known, a guess included."""
    told = dig(snapshot.now, "gates")
    if isinstance(told, Mapping):
        return tuple(str(port) for port, is_open in told.items() if is_open)
    found, sure = dig(snapshot.now, "estimate", "gates"), number(snapshot.now, "estimate", "gate_probability")
    if sure is not None and sure < GUESS:
        return None
    return tuple(str(port) for port in found) if isinstance(found, list | tuple) else None


def _piece(
    kind: str, row: Document, snapshot: Snapshot, screen: Screen, gates: tuple[str, ...] | None, running: bool
) -> PieceOut:
    name = text(row, "name")
    air = dig(snapshot.ducts, "pieces", name) if running else None
    flow, velocity, carrying = (number(air, key) for key in ("flow_m3s", "velocity_ms", "carrying_ms"))
    is_open, gate = None, "none"
    if kind == "port":
        is_open = True if row.get("has_gate") is False else None if gates is None else name in gates
        if row.get("has_gate") is not False:
            gate = "unknown" if is_open is None else "open" if is_open else "shut"
    elif dig(air, "in_use") is False:
        is_open = False  # every port that it serves is shut: only leakage passes
    tone, words = _judge(velocity, carrying, is_open, text(snapshot.now, "state"), dig(air, "by_design") is True,
        gate != "none" or (kind == "run" and gates is None))
    shown_flow, shown_velocity = screen.quantity(flow, "flow", why=DASH), screen.quantity(velocity, "velocity", why=DASH)
    shown = [quantity.shown for quantity in (shown_flow, shown_velocity) if quantity.si is not None]
    length, hose, diameter = (number(row, key) or 0.0 for key in ("length_m", "hose_m", "diameter_m"))
    return PieceOut(
        name=name,
        into=text(row, "into"),
        kind=kind,
        join=text(row, "join"),
        length_m=length,
        hose_m=hose,
        diameter_m=diameter,
        size=screen.quantity(diameter, "diameter").shown,
        length=screen.quantity(length + hose, "length").shown,
        is_open=is_open,
        gate=gate,
        flow=shown_flow,
        velocity=shown_velocity,
        carrying=screen.quantity(carrying, "velocity", why=DASH),
        needs=screen.quantity(number(row, "needs_m3s"), "flow", why="not stated") if kind == "port" else Quantity(shown=""),
        tone=tone,
        words=words,
        air=" · ".join(shown) if tone != "quiet" else "",
    )


def _judge(
    velocity: float | None, carrying: float | None, is_open: bool | None, state: str, by_design: bool, gated: bool
) -> tuple[str, str]:
    if state == "off":
        return "quiet", "no air"
    if state != "running":
        return "wait", "air not known"
    if is_open is False:
        return "quiet", "shut"
    if velocity is None:
        return "wait", "open, air not known" if is_open else "air not known"
    if carrying is None:
        return "wait", "open" if is_open else ""
    if velocity < 0.05 * carrying:
        return "quiet", "no air"
    if is_open is None and gated:
        return "wait", "gate not known"
    if velocity >= carrying:
        return "ok", "carries chips"
    return ("plan", "slow by design") if by_design else ("soon", "too slow for chips")
