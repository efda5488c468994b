"""The end of the questions: the file's text, what the configuration's own check says about it, and what it cannot tell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from daemon.config.load import parse
from daemon.config.summary import summary
from daemon.drafting.about_watching import GATE
from daemon.drafting.draft import Draft
from daemon.drafting.toml_text import shop_toml
from daemon.drafting.whole import Trouble, troubles
from daemon.errors import ConfigError


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
        yield f"{unsaid} of the ports do not say how much air they need: whether they get enough cannot be told there"
