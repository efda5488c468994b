"""The ducts as far as they are drawn: pieces in SI for a drawing, and a tree of text for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pydantic import ValidationError

from analysis.duct import stock
from analysis.duct.design import FAN
from daemon.config.ducting import PortTable, RunTable
from daemon.drafting.about_ducts import PORTS, RUNS
from daemon.drafting.draft import Draft


@dataclass(frozen=True, slots=True)
class Piece:
    """One run or port as drawn; lengths in m. ``words`` are its measures as the owner wrote them, ``more`` its hose and
    what its machine needs."""

    name: str
    into: str
    kind: str
    join: str
    length_m: float
    hose_m: float
    diameter_m: float
    words: str
    more: str = ""


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
            words = f"{row.get('length', '')} of {row.get('pipe', '')}"
            more = [f"{row.get('hose_length', '')} of hose"] if hose else []
            more += [f"needs {row['needs']}"] if row.get("needs") else []
            found.append(Piece(
                read.name, read.into, step.item, read.join, read.length, hose, stock.pipe(read.pipe).inside_diameter_m,
                words, ", ".join(more),
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
            joined = "" if piece.into == FAN else f" ({piece.join})"
            name = piece.name if piece.kind == "run" else f"[{piece.name}]"
            yield f"{indent}{name}: {piece.words}{joined}{', ' if piece.more else ''}{piece.more}"
            if piece.kind == "run":
                yield from walk(piece.name, indent + "  ")

    if drawn:
        yield "fan"
    yield from walk(FAN, "  ")
    for at, piece in enumerate(drawn):
        if at not in seen:
            yield f"  not joined to the fan: {piece.name}"
