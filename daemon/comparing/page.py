"""The comparison as one HTML file: no script, nothing fetched, light and dark, fit for paper."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path

from analysis.compare.changes import Departure, FoundChange
from analysis.compare.comparison import SetCompared
from analysis.compare.verdict import group_words, outcome, percent, verdict
from analysis.units import System, show
from daemon.comparing.comparing import Report
from daemon.comparing.document import WORDS_OF_OUTCOME
from daemon.comparing.palette import css
from daemon.comparing.plots import Chart, changes_chart, charts
from daemon.comparing.words import READING_WORDS, change_cells

_STYLE = css() + """
*{box-sizing:border-box}body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,sans-serif}
main{max-width:70rem;margin:0 auto;padding:1.5rem 1rem 3rem}h1{font-size:1.6rem;line-height:1.2;margin:0 0 .3rem}
h2{font-size:1.15rem;margin:2rem 0 .5rem;border-top:1px solid var(--line);padding-top:1rem}p{margin:.4rem 0}
h3{font-size:1rem;margin:1.2rem 0 .3rem}
.soft{color:var(--soft)}.outcome{font-size:1.2rem;font-weight:600;margin:1rem 0;padding:.6rem .9rem;
border-left:.4rem solid var(--wait)}.outcome.kept{border-color:var(--good)}.outcome.lost{border-color:var(--bad)}
ul{padding-left:1.2rem;margin:.5rem 0}li{margin:.25rem 0}.scroll{overflow-x:auto}
table{border-collapse:collapse;font-size:.9rem;font-variant-numeric:tabular-nums;min-width:100%}
th,td{padding:.3rem .45rem;border-bottom:1px solid var(--line);text-align:right;white-space:nowrap}
th:first-child,td:first-child{text-align:left}caption{text-align:left;font-weight:600;padding:.4rem 0}
figure{margin:0}svg{width:100%;min-width:34rem;height:auto;max-width:60rem;display:block}
.key span{display:inline-block;margin-right:1.2rem}.key i{display:inline-block;width:.8em;height:.8em;margin-right:.35em;
border-radius:50%;vertical-align:-.05em}
"""


def page(report: Report, system: System) -> str:
    """The whole file."""
    found = report.comparison
    told = outcome(found)
    title = f"Before and after: {report.name or 'a change of the ducts'}"
    parts = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="soft">{escape(report.shop)}. Before: {escape(report.before_words)}, {_used(report, 0)}.'
        f" After: {escape(report.after_words)}, {_used(report, 1)}.</p>",
        f'<p class="outcome {told}">{escape(WORDS_OF_OUTCOME[told])}</p>',
        "<ul>", *(f"<li>{escape(sentence)}</li>" for sentence in verdict(found, report.name)), "</ul>",
    ]
    told_charts = charts(found, system, report.designs.drawn is not None)
    parts += [_figure(chart) for chart in told_charts if not chart.name.startswith("readings")]
    parts += [
        "<section><h2>Measures in numbers</h2>",
        *(_set_table(one, system) for one in found.sets),
        '<p class="soft">Ducts: at the bags and in the air of the period before; behind it its 95 % interval. An asterisk:'
        " clear of chance, all claims of this page together.</p></section>",
        *(_figure(chart, _plain_table(one, system)) for chart, one in zip(
            [chart for chart in told_charts if chart.name.startswith("readings")], found.sets, strict=True)),
        '<p class="soft">The change of the mean is that of the readings themselves, whatever caused it; its 95 % interval is'
        " from a block bootstrap whose blocks are as long as the readings are correlated.</p>",
        "<section><h2>What must be known</h2><ul>",
        *(f"<li>{escape(note[0].upper() + note[1:])}.</li>" for note in found.notes),
        f"<li>From run to run the losses of a port differ by about {percent(found.hose_sd)}: a hose never lies the same"
        " way twice. The intervals reckon with that.</li>",
        "<li>It is taken for granted that pipe, hose and hood of the compared ports are as they were.</li>",
        *(f"<li>{words.capitalize()}, left out: {escape(_left_out(period.left_out_s))}.</li>"
          for words, period in (("before", found.before), ("after", found.after)) if period.left_out_s),
        "</ul></section>",
    ]
    return _whole(title, parts)


def _figure(chart: Chart, more: str = "") -> str:
    note = f'<p class="soft">{escape(chart.note)}</p>' if chart.note else ""
    return (
        f"<section><h2>{escape(chart.heading)}</h2>{_key(chart.key)}"
        f'<figure class="scroll" tabindex="0">{chart.drawing.markup()}</figure>{note}{more}</section>')


def changes_page(shop: str, told: Sequence[Departure], changes: Sequence[FoundChange], lines: Sequence[str]) -> str:
    """Found changes of the ducts as one HTML file."""
    title = f"Changes of the ducts in {shop}"
    parts = [
        f"<h1>{escape(title)}</h1>", "<ul>", *(f"<li>{escape(line)}</li>" for line in lines), "</ul>",
        _figure(changes_chart(told, changes)) if told else "<p>There is nothing to show.</p>",
        '<p class="soft">Each dot is a stretch of running with known gates. A line is a change, the band around it where the'
        " change lies in 95 % of cases.</p>",
    ]
    return _whole(title, parts)


def write_page(report: Report, path: Path, system: System) -> None:
    """Write :func:`page`."""
    path.write_text(page(report, system), encoding="utf-8")


def _whole(title: str, parts: Sequence[str]) -> str:
    body = "\n".join(part for part in parts if part)
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>\n'
        f'<meta name="viewport" content="width=device-width,initial-scale=1">\n<style>{_STYLE}</style></head>\n'
        f"<body><main>\n{body}\n</main></body></html>\n")


def _used(report: Report, side: int) -> str:
    period = (report.comparison.before, report.comparison.after)[side]
    return f"{period.seconds / 60.0:.0f} running minutes in {period.runs} run{'s' if period.runs != 1 else ''}"


def _key(rows: Sequence[tuple[str, str]]) -> str:
    spans = "".join(f'<span><i style="background:var(--{kind})"></i>{escape(words)}</span>' for kind, words in rows)
    return f'<p class="key soft">{spans}</p>'


def _set_table(one: SetCompared, system: System) -> str:
    minutes = " and ".join(f"{seconds / 60.0:.0f}" for seconds in one.judged.seconds)
    caption = (
        f"{group_words(one.judged.group)}: {minutes} minutes, {one.judged.runs[0]} and {one.judged.runs[1]} runs")
    heads = ("Measure", "Before", "After", "Change", "Ducts", "Filter", "Air", "Mains", "Drawn")
    rows = [change_cells(change, one, system) for change in one.judged.changes]
    return _table(caption, heads, rows)


def _plain_table(one: SetCompared, system: System) -> str:
    kinds = {"motor_a": "current"}
    rows = []
    for name, plain in one.plain.items():
        kind = kinds.get(name, "pressure")
        rows.append([
            READING_WORDS[name], show(abs(plain.before), kind, system), show(abs(plain.after), kind, system),
            percent(plain.change.value, True), f"{percent(plain.change.low, True)} to {percent(plain.change.high, True)}",
            f"{plain.lengths[0]:.0f} and {plain.lengths[1]:.0f}",
        ])
    return _table("", ("Reading", "Before", "After", "Change", "95 % interval", "Blocks drawn together"), rows)


def _table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(word)}</th>' for word in heads)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    told = f"<caption>{escape(caption)}</caption>" if caption else ""
    table = f"<table>{told}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    return f'<div class="scroll" tabindex="0" role="group">{table}</div>'


def _left_out(reasons: dict[str, float] | object) -> str:
    assert isinstance(reasons, dict)
    return ", ".join(f"{seconds / 60.0:.0f} min because {why}" for why, seconds in reasons.items())
