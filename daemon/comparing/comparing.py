"""Puts a comparison together: readings, drawings, baseline, and what the owner said of the change."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from analysis.baseline.model import Baseline, BaselineError
from analysis.compare.comparison import Comparison, compare_periods
from analysis.compare.problem import NotEnough
from analysis.compare.steps import of_baseline
from analysis.compare.stretch import Gathered
from analysis.compare.unknowns import Assumed
from daemon.comparing.designs import Designs, assumed_of, baseline_of, designs_of
from daemon.comparing.errors import CompareError
from daemon.comparing.periods import around, span_words
from daemon.comparing.reading import Span, from_recording, from_store
from daemon.config.config import Config
from daemon.store.codec import JournalEntry
from daemon.store.reader import Reader


@dataclass(frozen=True, slots=True)
class Told:
    """What the owner said beside the periods: the change as drawn, the run that was cut, a name for it."""

    change: Path | None = None
    joined: str | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """A comparison with what a reader must know of it."""

    shop: str
    name: str
    before_words: str
    after_words: str
    comparison: Comparison
    designs: Designs
    assumed: Assumed


def between_spans(
    config: Config, reader: Reader, before: Span, after: Span, told: Told, entry: JournalEntry | None = None
) -> Report:
    """Two periods of the store."""
    # The drawing in the middle of a period: at its edges the old or the new file may still have been in force.
    middle = [0.5 * (span.start + span.end) for span in (before, after)]
    last = reader.last_t()
    if last is not None:
        middle[1] = max(after.start, min(middle[1], last))
    designs = designs_of(config, reader, middle[0], middle[1], told.change)
    baseline = baseline_of(reader, designs.before, before.end)
    sides = [
        from_store(reader, config, span, designs.before, shop, baseline)
        for span, shop in ((before, designs.before), (after, designs.after))]
    name = told.name or _entry_name(entry)
    return _report(
        config, sides, designs, baseline, told, name, "" if entry is None else entry.where, span_words(before),
        span_words(after))


def around_entry(config: Config, reader: Reader, entry: JournalEntry, told: Told) -> Report:
    """The time before and after a journal entry."""
    before, after = around(reader, entry)
    return between_spans(config, reader, before, after, told, entry)


def between_recordings(config: Config, before: Path, after: Path, told: Told, reader: Reader | None = None) -> Report:
    """Two recordings. Gate marks are used where they are, else the estimator infers the gates."""
    designs = designs_of(config, None, None, None, told.change)
    baseline = baseline_of(reader, designs.before, None)
    sides, words, notes = [], [], []
    for path, shop in ((before, designs.before), (after, designs.after)):
        found, report = from_recording(config, path, designs.before, shop, baseline)
        sides.append(found)
        words.append(f"recording {path.name}")
        if report.damaged or report.refused:
            notes.append(f"{path.name}: {report.words()}")
    designs = replace(designs, notes=(*designs.notes, *notes))
    return _report(config, sides, designs, baseline, told, told.name, "", words[0], words[1])


def between_baselines(config: Config, reader: Reader, before: str, after: str, told: Told) -> Report:
    """Two stored baselines, step by step."""
    found = [_stored(reader, name) for name in (before, after)]
    designs = designs_of(config, reader, found[0].t, found[1].t, told.change)
    why = found[0].fits(designs.before)
    if why is not None:
        raise CompareError(f"the baseline {before!r} belongs to another drawing: {why}")
    return _report(
        config, [of_baseline(one) for one in found], designs, found[0], told, told.name, "", f"baseline {before}",
        f"baseline {after}")


def between_gathered(
    config: Config, before: Gathered, after: Gathered, designs: Designs, told: Told, words: tuple[str, str],
    baseline: Baseline | None = None,
) -> Report:
    """Two periods that were gathered already (a guided check)."""
    return _report(config, [before, after], designs, baseline, told, told.name, "", words[0], words[1])


def _report(
    config: Config, sides: list[Gathered], designs: Designs, baseline: Baseline | None, told: Told, name: str,
    where: str, before_words: str, after_words: str,
) -> Report:
    assumed = assumed_of(designs, told.joined, where)
    try:
        found = compare_periods(
            designs.before, sides[0], sides[1], baseline=baseline, assumed=assumed, drawn=designs.drawn)
    except NotEnough as error:
        raise CompareError(f"{error}. {_left_out(sides)}") from error
    found = replace(found, notes=(*found.notes, *designs.notes))
    return Report(config.file.shop.name, name, before_words, after_words, found, designs, assumed)


def _left_out(sides: list[Gathered]) -> str:
    parts = []
    for word, side in zip(("before", "after"), sides, strict=True):
        reasons = ", ".join(
            f"{seconds / 60.0:.0f} min: {why}" for why, seconds in sorted(side.left_out_s.items(), key=lambda row: -row[1]))
        parts.append(f"{word}: {side.running_s / 60.0:.0f} min of running" + (f", left out {reasons}" if reasons else ""))
    return "; ".join(parts).capitalize()


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
