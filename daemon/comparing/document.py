"""The comparison as plain JSON values: for ``--json``, and for the dashboard's page."""

from __future__ import annotations

from typing import Any

from analysis.compare.comparison import Comparison, Drawn, Period, SetCompared
from analysis.compare.judge import MeasureChange
from analysis.compare.mixture import Interval
from analysis.compare.verdict import outcome, port_words, verdict
from daemon.comparing.comparing import Report
from daemon.comparing.finding import Found

Document = dict[str, Any]

_UNIT = {"flow": "m3/s", "velocity": "m/s", "inlet static pressure": "Pa"}
WORDS_OF_OUTCOME = {
    "lost": "At least one port has lost more than 2 % of its air to the change.",
    "kept": "No port has lost more than 2 % of its air to the change.",
    "unclear": "Whether a port has lost more than 2 % of its air is not clear yet.",
}


def as_json(report: Report) -> Document:
    """Everything, SI values, changes as fractions."""
    found = report.comparison
    return {
        "shop": report.shop, "name": report.name, "outcome": outcome(found), "verdict": verdict(found, report.name),
        "before": {"words": report.before_words, **_period(found.before)},
        "after": {"words": report.after_words, **_period(found.after)},
        "joined": dict(found.joined), "said": list(report.assumed.joined), "leak_cm2": _interval(found.leak_cm2),
        "hose_sd": found.hose_sd, "sets": [_set(one) for one in found.sets],
        "only_before": [list(map(list, group)) for group in found.only_before],
        "only_after": [list(map(list, group)) for group in found.only_after], "notes": list(found.notes),
    }


def dashboard_document(report: Report, name: str) -> Document:
    """The status document "added_run", once there is an answer: the air at each port, the ducts' part alone.

    ``after_m3s`` is the flow with the ducts as they are now and the bags as they were before, so that the filter's part
    is taken out; ``expected_m3s`` what was drawn, None where nothing was. ``what`` says which periods were compared.
    """
    found = report.comparison
    told = outcome(found)
    used = [f"{period.seconds / 60.0:.0f} running minutes" for period in (found.before, found.after)]
    return {
        "phase": "done", "name": name, "verdict": told, "words": WORDS_OF_OUTCOME[told],
        "what": f"Before: {report.before_words}, {used[0]}. After: {report.after_words}, {used[1]}.",
        "sentences": verdict(found, report.name or "new run"), "ports": [_port(found, change) for change in found.ports],
        "notes": list(found.notes),
    }


def found_document(found: Found) -> list[Document]:
    """Found changes for the dashboard: those that the journal does not have yet are offered to it."""
    return [
        {
            "t": change.event().t, "words": change.words(), "began_t": change.began_t, "ended_t": change.ended_t,
            "earliest_t": change.earliest_t, "latest_t": change.latest_t, "resistance": change.resistance.value,
            "low": change.resistance.low, "high": change.resistance.high, "entry": None if entry is None else entry.id}
        for change, entry in zip(found.changes, found.known, strict=True)]


def _port(found: Comparison, change: MeasureChange) -> Document:
    drawn = drawn_of(found, change)
    return {
        "name": change.where, "before_m3s": change.before, "after_m3s": change.before * (1.0 + change.duct.value),
        "expected_m3s": None if drawn is None else change.before * (1.0 + drawn.change.value),
        "sd_m3s": change.before * change.duct.sd, "words": port_words(change, drawn),
    }


def drawn_of(found: Comparison, change: MeasureChange) -> Drawn | None:
    """What was drawn of a change, None where nothing was."""
    return found.home(change).drawn.get((change.measure, change.where))


def _period(period: Period) -> Document:
    return {
        "began_t": period.began_t, "ended_t": period.ended_t, "seconds": period.seconds, "runs": period.runs,
        "left_out_s": dict(period.left_out_s),
    }


def _set(one: SetCompared) -> Document:
    judged = one.judged
    return {
        "open": list(judged.open_ports), "group": list(map(list, judged.group)), "seconds": list(judged.seconds),
        "runs": list(judged.runs),
        "changes": [_change(change, one.drawn.get((change.measure, change.where))) for change in judged.changes],
        "measured": {
            name: {
                "before": plain.before, "after": plain.after, "change": _interval(plain.change),
                "block_length": list(plain.lengths), "worth": list(plain.worth)} for name, plain in one.plain.items()},
        "enough": [
            {"port": row.where, "sd": row.sd, "more_s": row.more_s, "best_sd": row.best_sd, "limits": dict(row.limits)}
            for row in one.enough],
    }


def _change(change: MeasureChange, drawn: Drawn | None) -> Document:
    return {
        "measure": change.measure, "where": change.where, "unit": _UNIT[change.measure], "before": change.before,
        "after": change.after, "total": _interval(change.total), "duct": _interval(change.duct),
        "filter": _interval(change.filter), "air": _interval(change.air), "mains": _interval(change.mains),
        "p": change.p, "claimed": change.claimed,
        "drawn": None if drawn is None else {"change": _interval(drawn.change), "gap": _interval(drawn.gap)},
    }


def _interval(interval: Interval) -> Document:
    return {"value": interval.value, "low": interval.low, "high": interval.high, "sd": interval.sd, "p": interval.p}
