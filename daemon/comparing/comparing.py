"""Puts a comparison together: readings, drawings, baseline, and what the owner said of the change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.baseline.model import Baseline, BaselineError
from analysis.compare.answer import Answer, answer
from analysis.compare.steady import Side, of_baseline
from analysis.duct.planning import compare
from daemon.comparing.designs import Designs, baseline_of, cut_of, designs_of
from daemon.comparing.periods import Progress, Span, around, from_recording, from_store, span_words
from daemon.config.config import Config
from daemon.errors import CompareError, SourceError
from daemon.replaying import read_baseline
from daemon.store.codec import JournalEntry
from daemon.store.reader import Reader


@dataclass(frozen=True, slots=True)
class Told:
    """What the owner said beside the periods: the change as drawn, the run that was cut, a name for it, a baseline's file;
    ``progress`` hears how far the reading is."""

    change: Path | None = None
    joined: str | None = None
    name: str = ""
    baseline: Path | None = None
    progress: Progress | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """A comparison with what a reader must know of it. ``drawn`` is what the drawing said of the air at each port."""

    shop: str
    name: str
    before_words: str
    after_words: str
    answer: Answer
    drawn: Mapping[str, float]


def between_spans(
    config: Config, reader: Reader, before: Span, after: Span, told: Told, entry: JournalEntry | None = None
) -> Report:
    """Two periods of the store."""
    if before.start < after.end and after.start < before.end:
        raise CompareError("the two periods overlap; the first must end before the second begins")
    # The drawing in the middle of a period: at its edges the old or the new file may still have been in force.
    middle = [0.5 * (span.start + span.end) for span in (before, after)]
    last = reader.last_t()
    if last is not None:
        middle[1] = max(after.start, min(middle[1], last))
    designs = designs_of(config, reader, middle[0], middle[1], told.change)
    baseline = _baseline(config, reader, designs, told, before.end)
    sides = [
        from_store(reader, span, designs.before, words, told.progress)
        for span, words in ((before, "the period before"), (after, "the period after"))]
    name = told.name or _entry_name(entry)
    where = "" if entry is None else entry.where
    return report_of(config, sides, designs, replace(told, name=name), (span_words(before), span_words(after)), baseline, where)


def around_entry(config: Config, reader: Reader, entry: JournalEntry, told: Told) -> Report:
    """The time before and after a journal entry."""
    before, after = around(reader, entry)
    return between_spans(config, reader, before, after, told, entry)


def between_recordings(config: Config, before: Path, after: Path, told: Told, reader: Reader | None = None) -> Report:
    """Two recordings."""
    designs = designs_of(config, None, None, None, told.change)
    baseline = _baseline(config, reader, designs, told, None)
    sides, notes = [], []
    for path in (before, after):
        try:
            found, report = from_recording(config, path, designs.before, path.name, told.progress)
        except SourceError as error:
            raise CompareError(str(error)) from error
        sides.append(found)
        if report.damaged or report.refused:
            notes.append(f"{path.name}: {report.words()}")
    designs = replace(designs, notes=(*designs.notes, *notes))
    return report_of(config, sides, designs, told, (f"recording {before.name}", f"recording {after.name}"), baseline)


def between_baselines(config: Config, reader: Reader, before: str, after: str, told: Told) -> Report:
    """Two stored baselines, step by step."""
    found = [_stored(reader, name) for name in (before, after)]
    designs = designs_of(config, reader, found[0].t, found[1].t, told.change)
    why = found[0].fits(designs.before)
    if why is not None:
        raise CompareError(f"the baseline {before!r} belongs to another drawing: {why}")
    sides = [of_baseline(one) for one in found]
    return report_of(config, sides, designs, told, (f"baseline {before}", f"baseline {after}"), found[0])


def report_of(
    config: Config, sides: list[Side], designs: Designs, told: Told, words: tuple[str, str],
    baseline: Baseline | None = None, where: str = "",
) -> Report:
    """The answer on two sides that were measured."""
    cut, altered = cut_of(designs, told.joined, where)
    if told.progress is not None:
        told.progress("comparing")
    found = answer(
        designs.before, sides[0], sides[1], baseline=baseline, joined=cut, altered=altered, name=told.name)
    found = replace(found, notes=(*found.notes, *designs.notes))
    return Report(config.file.shop.name, told.name, words[0], words[1], found, _drawn(designs, found))


def _drawn(designs: Designs, found: Answer) -> dict[str, float]:
    """What the drawings say of the air at each port, with the gates that it was measured with."""
    if designs.drawn is None:
        return {}
    old, new = designs.drawn
    told = {}
    for change in found.ports:
        if set(change.open_ports) <= set(new.port_names):
            try:
                plan = compare(old, new, [change.open_ports])
            except (ValueError, ArithmeticError):  # a drawing that the engine cannot solve says nothing of this port
                continue
            for one in plan.sets[0].changes:
                kind, _, name = one.where.partition(" ")
                if (one.measure, kind, name.strip("'\"")) == ("flow", "port", change.where) and one.before and one.difference:
                    told[change.where] = one.difference.value / one.before.value
    return told


def _baseline(
    config: Config, reader: Reader | None, designs: Designs, told: Told, before_t: float | None
) -> Baseline | None:
    if told.baseline is not None:
        return read_baseline(told.baseline, designs.before)
    return baseline_of(reader, designs.before, before_t)


def _entry_name(entry: JournalEntry | None) -> str:
    if entry is None or entry.kind != "added_run":
        return ""
    return f"new run ({entry.where or entry.text})" if entry.where or entry.text else "new run"


def _stored(reader: Reader, name: str) -> Baseline:
    row = reader.baseline(name)
    if row is None:
        known = ", ".join(repr(one["name"]) for one in reader.baselines()) or "none"
        raise CompareError(f"there is no baseline {name!r} in the store (there are: {known})")
    try:
        return Baseline.from_dict(row["document"])
    except BaselineError as error:
        raise CompareError(f"the baseline {name!r} cannot be read: {error}") from error
