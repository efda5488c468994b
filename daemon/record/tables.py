"""The record's tables as CSV: SI units, as in the column names; times in UTC, days by the shop's clock."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from daemon.alarms.picture import stamp
from daemon.record.facts import RecordFacts
from daemon.store.export import harmless

Row = Sequence[object]


def tables(facts: RecordFacts) -> dict[str, str]:
    """Name of the table -> its text. Unknown values are empty cells."""
    return {
        "days": _text(
            ("day", "running_s", "starts", "energy_j", "flow_m3s_mean", "drag_ratio_end", "alarms", "done"),
            ((d.day.isoformat(), round(d.run_s, 1), d.starts, _n(d.energy_j), _n(d.flow_m3s), _n(d.drag_ratio), d.alarms,
              "; ".join(e.kind for e in d.done)) for d in facts.days)),
        "gate-sets": _text(
            ("open", "seconds", "inlet_pa_mean", "inlet_pa_sd", "inlet_pa_expected", "filter_pa_mean", "motor_a_mean",
             "flow_m3s_mean", "flow_sd", "flow_m3s_expected", "flow_lost"),
            (_gate_set_row(facts, number) for number in range(len(facts.gate_sets)))),
        "ports": _text(
            ("port", "open_s", "flow_m3s_mean", "flow_m3s_least", "flow_m3s_most", "needs_m3s"),
            ((p.name, round(p.seconds, 1), _n(p.flow_m3s), _n(p.least_m3s), _n(p.most_m3s), _n(p.needs_m3s))
             for p in facts.ports)),
        "drag": _text(
            ("t", "drag_ratio_mean", "drag_ratio_min", "drag_ratio_max"),
            ((stamp(p.t), _n(p.mean), _n(p.least), _n(p.most)) for p in facts.drag)),
        "cleanings": _text(
            ("t", "kind", "by", "drag_ratio_before", "drag_ratio_after", "running_since_s", "text"),
            ((stamp(c.entry.t), c.entry.kind, c.entry.by, _n(c.before), _n(c.after), _n(c.since_s), c.entry.text)
             for c in facts.cleanings)),
        "alarms": _text(
            ("id", "condition", "where", "urgency", "state", "since", "raised", "acknowledged", "cleared", "done"),
            ((a.alarm.id, a.alarm.condition.value, a.alarm.where, a.alarm.urgency.value, a.alarm.state.value,
              stamp(a.alarm.since_t), stamp(a.alarm.raised_t), stamp(a.alarm.acknowledged_t), stamp(a.alarm.cleared_t),
              "; ".join(f"{e.kind}: {e.text}" if e.text else e.kind for e in a.done)) for a in facts.alarms)),
        "sensors": _text(
            ("channel", "zero_mean", "zero_sd", "first_week", "last_week", "worst_day", "accuracy", "missing_running_s"),
            ((s.channel, _n(s.zero.value if s.zero else None), _n(s.zero.sd if s.zero else None), _n(s.first), _n(s.last),
              _n(s.worst), _n(s.accuracy), round(sum(s.missing.values()), 1)) for s in facts.sensors)),
        "not-watched": _text(("from", "to"), ((stamp(g.start_t), stamp(g.end_t)) for g in facts.gaps)),
    }


def _gate_set_row(facts: RecordFacts, number: int) -> Row:
    found = facts.gate_sets[number]
    mean = {name: one.value for name, one in found.means.items()}
    inlet = found.means.get("inlet_pa")
    return (
        # An empty cell means unknown, so all shut needs a word of its own.
        None if found.open_ports is None else "|".join(found.open_ports) or "none", round(found.seconds, 1),
        _n(mean.get("inlet_pa")), _n(inlet.sd if inlet else None), _n(found.expected.get("inlet_pa")),
        _n(mean.get("filter_pa")), _n(mean.get("motor_a")), _n(mean.get("flow_m3s")), _n(found.flow_sd),
        _n(found.expected.get("flow_m3s")), _n(found.flow_lost),
    )


def _n(value: float | None) -> str | None:
    return None if value is None else f"{value:.6g}"


def _text(names: Sequence[str], rows: Iterable[Row]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    for row in rows:
        writer.writerow([harmless(cell) for cell in row])
    return out.getvalue()
