"""The ducts as far as they are drawn: pieces in SI for a drawing, and a tree of text for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pydantic import ValidationError

from analysis import units
from analysis.duct import stock
from analysis.duct.design import FAN
from daemon.config.ducting import PortTable, RunTable
from daemon.drafting.about_ducts import PORTS, RUNS
from daemon.drafting.draft import Draft


@dataclass(frozen=True, slots=True)
class Piece:
    """One run or port as drawn; lengths in m. ``words`` are its measures as the owner wrote them."""

    name: str
    into: str
    kind: str
    join: str
    length_m: float
    hose_m: float
    diameter_m: float
    needs_m3s: float | None
    words: str


def pieces(draft: Draft) -> list[Piece]:
    """Every run and port that can be read, in the order of the draft."""
    found: list[Piece] = []
    for step, table in ((RUNS, RunTable), (PORTS, PortTable)):
        for row in draft.list_of(step.name):
            try:
                read = table.model_validate(step.tree(row))
            except ValidationError:
                continue
            hose = (read.hose_length or 0.0) if isinstance(read, PortTable) else 0.0
            words = f"{row.get('pipe', '')}, {row.get('length', '')}"
            if hose:
                words += f" + {row.get('hose_length', '')} hose"
            found.append(Piece(
                read.name, read.into, step.item, read.join, read.length, hose, stock.pipe(read.pipe).inside_diameter_m,
                read.needs if isinstance(read, PortTable) else None, words,
            ))
    return found


def tree_lines(draft: Draft) -> Iterator[str]:
    """The ducts from the fan outwards, indented; what leads nowhere comes last."""
    drawn = pieces(draft)
    seen: set[int] = set()

    def walk(into: str, indent: str) -> Iterator[str]:
        for at, piece in enumerate(drawn):
            if piece.into != into or at in seen:
                continue
            seen.add(at)
            system: units.System = "si" if draft.of("shop").get("units") == "si" else "us"
            needs = "" if piece.needs_m3s is None else f", needs {units.show(piece.needs_m3s, 'flow', system)}"
            joined = "" if piece.into == FAN else f" ({piece.join})"
            name = piece.name if piece.kind == "run" else f"[{piece.name}]"
            yield f"{indent}{name}: {piece.words}{joined}{needs}"
            if piece.kind == "run":
                yield from walk(piece.name, indent + "  ")

    if drawn:
        yield "fan"
    yield from walk(FAN, "  ")
    for at, piece in enumerate(drawn):
        if at not in seen:
            yield f"  not joined to the fan: {piece.name}"
