"""The comparison on a terminal."""

from __future__ import annotations

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from analysis.compare.comparison import SetCompared
from analysis.compare.judge import MeasureChange
from analysis.compare.verdict import group_words, percent, span, verdict
from analysis.units import System, show
from daemon.comparing.comparing import Report

KIND = {"flow": "flow", "velocity": "velocity", "inlet static pressure": "pressure"}
READING_WORDS = {
    "inlet_pa": "static pressure before the fan", "filter_pa": "pressure over the filter", "motor_a": "motor current",
    "pitot_pa": "velocity pressure in the main",
}


def print_report(console: Console, report: Report, system: System) -> None:
    """The verdict first, then the tables, then what must be known."""
    found = report.comparison
    console.print(f"{report.shop}: before ({report.before_words}) and after ({report.after_words})")
    for sentence in verdict(found, report.name):
        console.print(f"- {sentence}")
    for one in found.sets:
        console.print(set_table(one, system))
    console.print(
        "The ducts' part is told at the bags and in the air of the period before; behind it, its 95 % interval. * is clear"
        " of chance, all claims of this report together.", highlight=False)
    for words, period in (("before", found.before), ("after", found.after)):
        left = ", ".join(f"{seconds / 60.0:.0f} min: {why}" for why, seconds in period.left_out_s.items())
        console.print(
            f"{words}: {period.seconds / 60.0:.0f} min in {period.runs} runs used" + (f"; left out {left}" if left else ""))
    for note in found.notes:
        console.print(f"note: {note}")


def set_table(one: SetCompared, system: System) -> Table:
    """The measures of one gate set."""
    minutes = " and ".join(f"{seconds / 60.0:.0f}" for seconds in one.judged.seconds)
    title = f"{group_words(one.judged.group)}: {minutes} min, {one.judged.runs[0]} and {one.judged.runs[1]} runs"
    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for head in ("measure", "before", "after", "change", "ducts", "filter", "air", "mains", "drawn"):
        table.add_column(head, justify="left" if head == "measure" else "right", no_wrap=head != "measure")
    for change in one.judged.changes:
        table.add_row(*change_cells(change, one, system))
    return table


def short_words(change: MeasureChange) -> str:
    """``flow at planer``, ``inlet static pressure``, ``velocity in main``."""
    joint = {"flow": " at ", "velocity": " in "}.get(change.measure, "")
    return f"{change.measure}{joint}{change.where}"


def change_cells(change: MeasureChange, one: SetCompared, system: System) -> list[str]:
    """One row of the table."""
    kind = KIND[change.measure]
    drawn = one.drawn.get((change.measure, change.where))
    star = "*" if change.claimed else ""
    return [
        short_words(change), show(change.before, kind, system), show(change.after, kind, system),
        percent(change.total.value, True), f"{percent(change.duct.value, True)}{star} ({span(change.duct)})",
        percent(change.filter.value, True), percent(change.air.value, True), percent(change.mains.value, True),
        "" if drawn is None else percent(drawn.change.value, True),
    ]
