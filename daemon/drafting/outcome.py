"""The end of the questions: the file's text, what the configuration's own check says about it, and what it cannot tell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from analysis.duct import stock
from analysis.duct.design import FAN
from daemon.config.ducting import PortTable, RunTable
from daemon.config.load import parse
from daemon.config.summary import summary
from daemon.drafting.about_ducts import PORTS, RUNS
from daemon.drafting.about_watching import GATE
from daemon.drafting.checks import Trouble, troubles
from daemon.drafting.draft import Draft
from daemon.drafting.toml_text import shop_toml
from daemon.errors import ConfigError


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
            more = [f"{row['at']} along it"] if row.get("at") and "at" in step.tree(row) else []
            more += [f"{row.get('hose_length', '')} of hose"] if hose else []
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


@dataclass(frozen=True, slots=True)
class Outcome:
    """``text`` of the file; ``errors`` with the step they belong to, whose places are ``troubles``; ``summary`` as ``check``
    prints it, and its ``notes``; ``good`` whether it would be accepted."""

    text: str
    troubles: tuple[Trouble, ...]
    errors: tuple[str, ...]
    summary: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def good(self) -> bool:
        """The configuration's own check accepts the text."""
        return not self.errors


def outcome(draft: Draft, path: Path) -> Outcome:
    """The file for a draft, judged as if it were read from ``path``."""
    text = shop_toml(draft)
    found = tuple(troubles(draft, final=True))
    try:
        config = parse(text, path)
    except ConfigError as error:
        return Outcome(text, found, tuple(error.problems), (), ())
    doubts = tuple(trouble.words for trouble in found if trouble.severity == "warning")
    wrong = tuple(trouble.words for trouble in found if trouble.severity == "error")
    return Outcome(text, found, wrong, tuple(summary(config)), (*cannot_tell(draft), *doubts))


def cannot_tell(draft: Draft) -> Iterator[str]:
    """What the answers leave open, and what would close it."""
    if draft.of("filter").get("drop_known") == "no":
        yield (
            "the drop of clean bags is a guess: until a baseline tour with clean bags, or the first hours after a cleaning, it "
            "cannot tell how far the bags are loaded, nor how much air that costs"
        )
    if draft.of("fan").get("how") == "unknown":
        yield (
            "the fan's curve is a guess from its motor, good to 35 %: until a baseline tour it tells faults that come suddenly, "
            "and trends, but not whether the shop has the air that its drawing promises"
        )
    if draft.of("motor").get("known") == "no":
        yield "without the motor's plate it cannot tell an overload, nor compare the current with what it should be"
    if draft.of("separator").get("fitted") == "unknown":
        yield "the separator's loss is left out: the ducts seem longer than they are until a baseline tour has measured them"
    if all(row.get("kind") == "simulator" for row in draft.list_of("sources")):
        yield "its readings are simulated from your own drawing: put your sensors in place of the simulator when they speak"
    ports = {row.get("name") for row in draft.list_of("ports")}
    for row in draft.list_of("sources"):
        carried = (line.partition(" = ")[0] for line in row.get("topics", "").split("\n"))
        for name in sorted({one.removeprefix(GATE) for one in carried if one.startswith(GATE)} - ports):
            yield f"a topic carries the gate of {name!r}, but there is no such port: give one of them the other's name"
    unsaid = sum(1 for row in draft.list_of("ports") if not row.get("needs"))
    if unsaid:
        yield f"{unsaid} of the ports do not say how much air they need: whether they get enough cannot be judged there"
