"""Changes of the ducts that nobody wrote down, found in the store or a recording, and offered to the journal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.baseline.model import Baseline
from analysis.compare.changes import Departure, FoundChange, find_changes
from analysis.compare.stretch import Stretch
from analysis.compare.verdict import percent
from analysis.duct.design import DuctDesign
from daemon.comparing.designs import baseline_of
from daemon.comparing.errors import CompareError
from daemon.comparing.periods import local_words
from daemon.comparing.reading import Span, from_recording, from_store
from daemon.config.config import Config
from daemon.store.codec import JournalEntry
from daemon.store.reader import Reader

KNOWN_KINDS = ("added_run", "changed")


@dataclass(frozen=True, slots=True)
class Found:
    """The changes, each stretch's departure, and for each change the journal entry that explains it, if any."""

    changes: tuple[FoundChange, ...]
    departures: tuple[Departure, ...]
    known: tuple[JournalEntry | None, ...]

    def lines(self) -> list[str]:
        """In words."""
        told = []
        for change, entry in zip(self.changes, self.known, strict=True):
            when = f"between {local_words(change.began_t)} and {local_words(change.ended_t)}"
            sure = f"95 % sure: {local_words(change.earliest_t)} to {local_words(change.latest_t)}"
            size = f"resistance {percent(change.resistance.value, True)} ({percent(change.resistance.low, True)} to " \
                f"{percent(change.resistance.high, True)})"
            line = f"{when} ({sure}): {change.words()}; {size}"
            told.append(line if entry is None else f"{line}; in the journal as entry {entry.id} ({entry.kind})")
        if not told:
            word = "stretch" if len(self.departures) == 1 else "stretches"
            told.append(f"no change of the ducts found in {len(self.departures)} {word} of running")
        return told


def in_store(config: Config, reader: Reader, span: Span) -> Found:
    """Changes within a span of the store."""
    baseline = baseline_of(reader, config.design, None)
    side = from_store(reader, config, span, config.design, config.design, baseline)
    if not side.stretches:
        raise CompareError("there is no running with known gates in that time")
    changes, departures = _search(config.design, side.stretches, baseline)
    entries = reader.journal(span.start, span.end, kinds=KNOWN_KINDS, limit=100_000)
    known = tuple(
        next((e for e in entries if change.earliest_t <= e.t <= change.latest_t), None) for change in changes)
    return Found(tuple(changes), tuple(departures), known)


def in_recording(config: Config, path: Path) -> Found:
    """Changes within a recording."""
    side, report = from_recording(config, path, config.design, config.design, None)
    if not side.stretches:
        raise CompareError(f"{path}: there is no running with known gates in it ({report.words()})")
    changes, departures = _search(config.design, side.stretches, None)
    return Found(tuple(changes), tuple(departures), tuple(None for _ in changes))


def _search(
    design: DuctDesign, stretches: Sequence[Stretch], baseline: Baseline | None
) -> tuple[list[FoundChange], list[Departure]]:
    try:
        return find_changes(design, stretches, baseline)
    except ImportError as error:
        raise CompareError(str(error)) from error
