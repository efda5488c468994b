"""The comparison as JSON, as the dashboard's document, on a terminal, as one HTML file, and as CSV: the same words in all."""

from __future__ import annotations

import csv
from html import escape
from pathlib import Path
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from analysis.compare.answer import and_words, gates_words, percent, span
from analysis.compare.difference import Change
from analysis.compare.mixture import Interval
from analysis.units import System, show
from daemon.comparing.comparing import Report

Document = dict[str, Any]

REPORT = "report.html"
WORDS = {"flow": "airflow at {}", "velocity": "velocity in the main", "inlet": "static pressure before the fan"}
KIND = {"flow": "flow", "velocity": "velocity", "inlet": "pressure"}
UNIT = {"flow": "m3/s", "velocity": "m/s", "inlet": "Pa"}
HEADS = ("Port", "Before", "After", "From the ducts", "From the filter", "Predicted")
MEASURE = (
    "Airflow with only the named gates open. Change from the ducts: with the filter as it was before, and its 95 % interval."
    " Change from the filter: comes back when you clean it.")


def as_json(report: Report) -> Document:
    """Everything, SI values, changes as fractions."""
    found = report.answer
    return {
        "shop": report.shop, "name": report.name, "verdict": found.verdict, "lines": list(found.lines), "why": found.why,
        "before": report.before_words, "after": report.after_words, "hours": list(found.hours),
        "changes": [
            {
                "measure": c.measure, "where": c.where, "open": list(c.open_ports), "unit": UNIT[c.measure],
                "before": c.before, "after": c.after, "duct": _interval(c.duct), "filter": _interval(c.filter),
                "claimed": c.measure == "flow" and c.where in found.claimed}
            for c in found.changes],
        "short": [{"port": n.port, "share": n.share, "before": n.before} for n in found.short],
        "drawn": dict(report.drawn), "notes": list(found.notes),
    }


def dashboard_document(report: Report, name: str) -> Document:
    """The status document "added_run", once there is an answer."""
    found = report.answer
    return {
        "phase": "done", "name": name, "verdict": found.verdict, "lines": list(found.lines),
        "what": f"Before: {report.before_words}. After: {report.after_words}.", "offer_check": not found.known,
        "ports": [
            {
                "name": c.where, "gates": gates_words(c.open_ports) if len(c.open_ports) > 1 else "", "before_m3s": c.before,
                "after_m3s": c.after, "duct": span(c.duct), "filter": percent(c.filter.value),
                "drawn": "" if c.where not in report.drawn else percent(report.drawn[c.where])}
            for c in found.ports],
        "others": [
            f"{_where(c)}, with {gates_words(c.open_ports)}: {span(c.duct)}" for c in found.changes
            if (c.measure == "inlet" and len(c.open_ports) <= 1) or (c.measure == "velocity" and len(c.open_ports) == 1)],
        "notes": list(found.notes),
    }


def _interval(interval: Interval) -> Document:
    return {"value": interval.value, "low": interval.low, "high": interval.high, "p": interval.p}


def _where(change: Change) -> str:
    return WORDS[change.measure].format(change.where)


def _row(change: Change, report: Report, system: System) -> list[str]:
    kind, drawn = KIND[change.measure], report.drawn.get(change.where)
    name = change.where
    others = [p for p in change.open_ports if p != change.where]
    if others:
        name += f" (with {and_words(others)})"
    return [
        name, show(change.before, kind, system), show(change.after, kind, system), span(change.duct),
        percent(change.filter.value), "" if drawn is None or change.measure != "flow" else percent(drawn)]


def print_report(console: Console, report: Report, system: System) -> None:
    """The answer first, then the table, then what must be known."""
    for line in report.answer.lines:
        console.print(line, highlight=False)
    if report.answer.ports:
        table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
        for head in HEADS if report.drawn else HEADS[:-1]:
            table.add_column(head, justify="left" if head == "Port" else "right")
        for change in report.answer.ports:
            row = _row(change, report, system)
            table.add_row(*(row if report.drawn else row[:-1]))
        console.print(table)
        console.print(MEASURE, highlight=False)
    console.print(f"Before: {report.before_words}. After: {report.after_words}.", highlight=False)
    for note in report.answer.notes:
        console.print(f"note: {note}", highlight=False)


_STYLE = """:root{color-scheme:light dark}body{margin:0;font:16px/1.5 system-ui,sans-serif}
main{max-width:60rem;margin:0 auto;padding:1.5rem 1rem 3rem}h1{font-size:1.6rem;line-height:1.2}
.answer{border-left:.4rem solid #888;padding:.2rem .9rem;font-size:1.15rem}
.lost{border-color:#b3541e}.kept{border-color:#2e7d4f}
table{border-collapse:collapse;font-variant-numeric:tabular-nums}th,td{padding:.3rem .6rem;border-bottom:1px solid #8886;
text-align:right}th:first-child,td:first-child{text-align:left}.scroll{overflow-x:auto}.soft{opacity:.75}
summary{cursor:pointer;font-weight:600;padding:.6rem 0}"""


def page(report: Report, system: System) -> str:
    """The report as one HTML file: no script, nothing fetched, light and dark, fit for paper."""
    found = report.answer
    title = escape(f"Did the {report.name or 'new run'} reduce suction?")

    def table(rows: list[list[str]], heads: tuple[str, ...]) -> str:
        head = "".join(f'<th scope="col">{escape(h)}</th>' for h in heads)
        body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
        return f'<div class="scroll"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'

    parts = [
        f"<h1>{title}</h1>", f'<div class="answer {found.verdict}">', *(f"<p>{escape(x)}</p>" for x in found.lines), "</div>",
        f'<p class="soft">{escape(report.shop)}. Before: {escape(report.before_words)}. After: {escape(report.after_words)}.</p>']
    if found.ports:
        parts += [table([_row(c, report, system) for c in found.ports], HEADS), f'<p class="soft">{escape(MEASURE)}</p>']
        others = [c for c in found.changes if c.measure != "flow"]
        rows = [
            [f"{_where(c)}, {gates_words(c.open_ports)}", *_row(c, report, system)[1:5]] for c in others]
        parts += ["<details><summary>Other measures</summary>", table(rows, ("Measure", *HEADS[1:5])), "</details>"]
    notes = "".join(f"<li>{escape(n)}</li>" for n in found.notes)
    parts.append(f"<details><summary>Good to know</summary><ul>{notes}</ul></details>")
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width,'
        f'initial-scale=1"><title>{title}</title><style>{_STYLE}</style></head><body><main>{"".join(parts)}</main></body></html>\n')


def folder_of(store: Path) -> Path:
    """Where the report of a store's comparison is kept for the dashboard."""
    return store.with_name(f"{store.stem}.added-run")


def write_page(report: Report, path: Path, system: System) -> None:
    """Write :func:`page`, whole or not at all. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    part.write_text(page(report, system), encoding="utf-8")
    part.replace(path)


def write_csv(report: Report, path: Path) -> int:
    """A row for each measure and gate set. Sizes in SI, changes in per cent; returns their number."""
    rows = report.answer.changes
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(
            ["gates", "measure", "where", "before", "after", "duct_pct", "duct_low_pct", "duct_high_pct", "filter_pct"])
        for c in rows:
            numbers = (c.before, c.after, 100 * c.duct.value, 100 * c.duct.low, 100 * c.duct.high, 100 * c.filter.value)
            writer.writerow([gates_words(c.open_ports), c.measure, c.where, *(f"{v:.6g}" for v in numbers)])
    return len(rows)
