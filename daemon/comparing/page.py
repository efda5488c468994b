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
from daemon.comparing.plots import change_chart, fan_chart, port_bars, reading_rows
from daemon.comparing.words import READING_WORDS, change_cells

_STYLE = """
:root{--paper:#fbfaf7;--ink:#20262b;--soft:#5d676f;--line:#d9d6cd;--before:#1f6f8b;--after:#b4541a;--duct:#7a4f9a;
--filter:#a98a1d;--drawn:#20262b;--good:#2d7a4b;--bad:#a33227;--wait:#8a6d1a;color-scheme:light dark}
@media (prefers-color-scheme:dark){:root{--paper:#171b1e;--ink:#e7e4dc;--soft:#a2a9ae;--line:#3a4146;--before:#6fc0db;
--after:#ee9a62;--duct:#c39ae0;--filter:#dcbf55;--drawn:#f5f2ea;--good:#79cf9c;--bad:#f08a7d;--wait:#e0c266}}
@media print{:root{--paper:#fff;--ink:#000;--soft:#444;--line:#bbb;--before:#1f6f8b;--after:#b4541a;--duct:#7a4f9a;
--filter:#a98a1d;--drawn:#000;--good:#2d7a4b;--bad:#a33227;--wait:#8a6d1a}section{break-inside:avoid}}
*{box-sizing:border-box}body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,sans-serif}
main{max-width:62rem;margin:0 auto;padding:1.5rem 1rem 3rem}h1{font-size:1.6rem;line-height:1.2;margin:0 0 .3rem}
h2{font-size:1.15rem;margin:2rem 0 .5rem;border-top:1px solid var(--line);padding-top:1rem}p{margin:.4rem 0}
.soft{color:var(--soft)}.outcome{font-size:1.2rem;font-weight:600;margin:1rem 0;padding:.6rem .9rem;
border-left:.4rem solid var(--wait)}.outcome.kept{border-color:var(--good)}.outcome.lost{border-color:var(--bad)}
ul{padding-left:1.2rem;margin:.5rem 0}li{margin:.25rem 0}.scroll{overflow-x:auto}
table{border-collapse:collapse;font-size:.9rem;font-variant-numeric:tabular-nums;min-width:100%}
th,td{padding:.3rem .6rem;border-bottom:1px solid var(--line);text-align:right;white-space:nowrap}
th:first-child,td:first-child{text-align:left}caption{text-align:left;font-weight:600;padding:.4rem 0}
svg{width:100%;height:auto;max-width:60rem;display:block}svg text{font:13px system-ui,sans-serif;fill:var(--ink)}
svg .tick{fill:var(--soft);font-size:12px}svg .label{font-weight:600}svg line,svg path{fill:none}
.grid{stroke:var(--line)}.zero{stroke:var(--soft)}.ink{stroke:var(--ink);stroke-width:1.6}
.thin{stroke:var(--soft);stroke-width:1.2}rect.duct{fill:var(--duct);opacity:.75}rect.filter{fill:var(--filter);opacity:.7}
.drawn{fill:none;stroke:var(--drawn);stroke-width:2}.curve{stroke:var(--soft);stroke-width:2}
.move{stroke:var(--soft);stroke-dasharray:3 3}circle.before{fill:var(--before)}circle.after{fill:var(--after)}
circle.duct{fill:var(--duct)}line.before{stroke:var(--before)}line.after{stroke:var(--after)}.faint{opacity:.28}
rect.doubt{fill:var(--after);opacity:.16}.found{stroke:var(--after);stroke-width:2}
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
    if found.ports:
        parts += [
            "<section><h2>Air at the ports</h2>",
            _key((("duct", "the ducts' part, with its 95 % interval"), ("filter", "the filter's part"))),
            '<p class="soft">An open diamond is what was drawn.</p>' if report.designs.drawn else "",
            port_bars(found), "</section>",
        ]
    parts += [
        "<section><h2>The fan's operating point</h2>",
        _key((("before", "before"), ("duct", "ducts changed, bags as before"), ("after", "after"))),
        fan_chart(found, system),
        '<p class="soft">The curve is the fan as fitted to the readings, in the air of the drawing.</p></section>',
        "<section><h2>Measures in numbers</h2>",
        *(_set_table(one, system) for one in found.sets),
        '<p class="soft">Ducts: at the bags and in the air of the period before; behind it its 95 % interval. An asterisk:'
        " clear of chance, all claims of this page together (Holm's correction).</p></section>",
        "<section><h2>What the taps read</h2>",
        _key((("before", "before"), ("after", "after"))),
        *(f"<h3>{escape(group_words(one.judged.group))}</h3>{reading_rows(one, system)}{_plain_table(one, system)}"
          for one in found.sets),
        '<p class="soft">Each tick is the mean of ten seconds. The change of the mean is that of the readings themselves,'
        " whatever caused it; its 95 % interval is from a block bootstrap whose blocks are as long as the readings are"
        " correlated.</p></section>",
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


def changes_page(shop: str, told: Sequence[Departure], changes: Sequence[FoundChange], lines: Sequence[str], span: str) -> str:
    """Found changes of the ducts as one HTML file."""
    title = f"Changes of the ducts in {shop}"
    parts = [
        f"<h1>{escape(title)}</h1>", "<ul>", *(f"<li>{escape(line)}</li>" for line in lines), "</ul>",
        "<section><h2>Resistance of the ducts</h2>",
        change_chart(told, changes, span) if told else "<p>There is nothing to show.</p>",
        '<p class="soft">Each dot is a stretch of running with known gates, its resistance against what is expected of the'
        " gate set at the drag that the bags had then. A line is a change, the band around it where the change lies in"
        " 95 % of cases.</p></section>",
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
    return f'<div class="scroll"><table>{told}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def _left_out(reasons: dict[str, float] | object) -> str:
    assert isinstance(reasons, dict)
    return ", ".join(f"{seconds / 60.0:.0f} min because {why}" for why, seconds in reasons.items())
