"""The store -> the facts of one month's record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import tzinfo

from analysis.estimator.rezero import BOUNDS
from analysis.events import EventKind
from daemon.alarms.rates import raised_times
from daemon.alarms.types import Alarm, AlarmState
from daemon.config.config import Config
from daemon.record import minutes
from daemon.record.facts import (
    AlarmFacts,
    CleaningFacts,
    DayFacts,
    Gap,
    RecordFacts,
    SensorFacts,
)
from daemon.record.frame_pass import AT_REST, GAP_S, FramePass, joined, pass_over
from daemon.record.period import Month, PeriodError
from daemon.record.reference import Reference, gate_set_facts, port_facts
from daemon.store.reader import JournalEntry, Reader
from daemon.wording import local_time

MOST_ROWS = 100_000
SOON_S = 2 * 3600.0
"""What is written down up to this long after an alarm is over is taken as what was done about it."""
_CLEANINGS = (EventKind.CLEANED.value, EventKind.REPLACED.value)


def gather(config: Config, reader: Reader, month: Month, now: float, tz: tzinfo) -> RecordFacts:
    """Everything that the record of ``month`` says, as far as event time ``now`` [s].

    Raises :class:`PeriodError` where nothing of the month is in the store, StoreError where it cannot be read.
    """
    start, end = month.start_t, month.end_t - 1e-3
    table = minutes.minute_table(reader, month)
    seen = pass_over(reader.frame_rows(start, end), month)
    seen_from, raw_from = _reach(reader, month)
    if not len(table) and seen.first_t is None:
        raise PeriodError(f"nothing of {month.name} is in the store; {_holds(reader, tz)}")
    until = min(month.end_t, max(now, seen.last_t or start))
    journal = tuple(reversed(reader.journal(start, end, MOST_ROWS)))
    alarms, told, held_back = _alarms(reader, month, until)
    energy, energy_words = minutes.energy_by_day(table, config.design.motor)
    reference = Reference.of(config, reader, month, tz)
    gate_sets = gate_set_facts(seen, reference)
    return RecordFacts(
        shop=config.file.shop.name,
        units=config.units,
        month=month,
        until_t=until,
        seen_from_t=seen_from,
        days=tuple(_days(month, table, energy, _starts(reader, month), journal, told)),
        reference=reference.words,
        gate_sets=gate_sets,
        ports=port_facts(gate_sets, config.design),
        drag=minutes.drag_by_hour(table),
        cleanings=tuple(_cleanings(reader, table, journal)),
        alarms=alarms,
        held_back=held_back,
        journal=journal,
        sensors=tuple(_sensors(config, seen, month)),
        gaps=tuple(_gaps(seen, month, seen_from, raw_from, until)),
        raw_from_t=raw_from,
        drawings=tuple(_drawings(reader, month, tz)),
        price=config.file.record.price,
        energy_words=energy_words,
    )


def _reach(reader: Reader, month: Month) -> tuple[float, float | None]:
    """From when anything is kept, and from when single frames are, where that is later and matters to the month."""
    first = reader.first_t()
    raw = next(reader.frame_rows(lot=1), None)
    seen_from = month.end_t if first is None else first
    raw_from = month.end_t if raw is None else raw[0] / 1000.0
    pruned = raw_from - seen_from > GAP_S and raw_from > month.start_t
    return seen_from, min(raw_from, month.end_t) if pruned else None


def _holds(reader: Reader, tz: tzinfo) -> str:
    first, last = reader.first_t(), reader.last_t()
    if first is None or last is None:
        return "it is empty"
    return f"it holds {local_time(first, tz)} to {local_time(last, tz)}"


def _starts(reader: Reader, month: Month) -> Mapping[int, int]:
    starts: dict[int, int] = {}
    for run in reader.runs(month.start_t, month.end_t, MOST_ROWS):
        day = month.day_of(run.start_t)
        starts[day] = starts.get(day, 0) + 1
    return starts


def _days(
    month: Month, table: minutes.Minutes, energy: Mapping[int, float], starts: Mapping[int, int],
    journal: Sequence[JournalEntry], told: Sequence[float],
) -> Iterator[DayFacts]:
    running, flow, drag = minutes.running_by_day(table), minutes.flow_by_day(table), minutes.drag_at_ends(table)
    for number, day in enumerate(month.dates):
        yield DayFacts(
            day=day,
            run_s=running.get(number, 0.0),
            starts=starts.get(number, 0),
            energy_j=energy.get(number),
            flow_m3s=flow.get(number),
            drag_ratio=drag.get(number),
            done=tuple(entry for entry in journal if month.day_of(entry.t) == number),
            alarms=sum(month.day_of(t) == number for t in told),
        )


def _cleanings(
    reader: Reader, table: minutes.Minutes, journal: Sequence[JournalEntry]
) -> Iterator[CleaningFacts]:
    for entry in journal:
        if entry.kind not in _CLEANINGS:
            continue
        former = reader.journal(end=entry.t - 1e-3, limit=1, kinds=_CLEANINGS)
        yield CleaningFacts(
            entry,
            before=minutes.drag_near(table, entry.t, after=False),
            after=minutes.drag_near(table, entry.t, after=True),
            since_s=reader.running_seconds(former[0].t, entry.t) if former else None,
        )


def _alarms(reader: Reader, month: Month, until: float) -> tuple[tuple[AlarmFacts, ...], list[float], int]:
    """Alarms that a person was told of and that stood in the month; when they were told in it; how many were held back."""
    found: list[AlarmFacts] = []
    told: list[float] = []
    held_back = 0
    for alarm in reversed(reader.alarms(end=month.end_t - 1e-3, limit=MOST_ROWS)):
        if alarm.cleared_t is not None and alarm.cleared_t < month.start_t:
            continue
        steps = reader.transitions(alarm.id)
        times = raised_times(steps)
        if not times:
            hidden = any(step.after is AlarmState.SUPPRESSED for step in steps)
            held_back += hidden and alarm.raised_t >= month.start_t
            continue
        told += [t for t in times if month.start_t <= t < month.end_t]
        seen = tuple(step for step in steps if step.t <= until)
        found.append(AlarmFacts(alarm, seen, _done_about(reader, alarm, until)))
    return tuple(found), told, held_back


def _done_about(reader: Reader, alarm: Alarm, until: float) -> tuple[JournalEntry, ...]:
    over = until if alarm.cleared_t is None else min(until, alarm.cleared_t + SOON_S)
    return tuple(reversed(reader.journal(alarm.raised_t, max(over, alarm.raised_t), MOST_ROWS)))


def _sensors(config: Config, seen: FramePass, month: Month) -> Iterator[SensorFacts]:
    days = len(month.dates)
    for spec in config.sensors:
        rest = seen.rest.get(spec.channel, {})
        first, last = joined(rest[d] for d in sorted(rest) if d < 7), joined(rest[d] for d in sorted(rest) if d >= days - 7)
        means = [mean.value for mean in (sums.mean() for sums in rest.values()) if mean is not None]
        yield SensorFacts(
            channel=spec.channel,
            rests_at_zero=spec.channel in AT_REST,
            zero=joined(rest.values()),
            first=None if first is None else first.value,
            last=None if last is None else last.value,
            worst=max(means, key=abs) if means else None,
            accuracy=spec.sd,
            bound=BOUNDS.get(spec.channel),
            missing=dict(seen.missing.get(spec.channel, {})),
        )


def _gaps(
    seen: FramePass, month: Month, seen_from: float, raw_from: float | None, until: float
) -> Iterator[Gap]:
    """When nobody watched: not before the store began, and not where single frames are no longer kept."""
    begin = max(month.start_t, seen_from, raw_from or 0.0)
    if seen.first_t is None:
        if begin < until and raw_from is None:
            yield Gap(begin, until)
        return
    if seen.first_t - begin > GAP_S:
        yield Gap(begin, seen.first_t)
    yield from seen.gaps
    if seen.last_t is not None and until - seen.last_t > GAP_S:
        yield Gap(seen.last_t, until)


def _drawings(reader: Reader, month: Month, tz: tzinfo) -> Iterator[str]:
    for row in reversed(reader.configurations()):
        first, last = row["first_t"], row["last_t"]
        if (first is None or first < month.end_t) and (last is None or last >= month.start_t):
            began = "" if first is None else f" from {local_time(first, tz)}"
            yield f"{row['hash'][:12]}{began}"
