"""What an interview shows on a terminal, and how its prompts read."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.units import System
from daemon.drafting.asking import Choice, Context, Question, Step
from daemon.drafting.desk import Listing
from daemon.drafting.draft import Draft
from daemon.drafting.outcome import Outcome, tree_lines
from daemon.finding.found import Found
from daemon.finding.places import Search

BACK, HELP, CLEAR = "<", "?", "-"
KEYS = "Enter takes what is in brackets.  ?  more about a question   <  one question back   -  none   Ctrl-C  stop for now"


def prompt_of(question: Question, system: System, default: str, offered: Sequence[Choice]) -> str:
    """A question as one line, with what Enter means."""
    words = question.words
    if offered:
        numbers = [value for value, _ in offered]
        return f"{words} [{numbers.index(default) + 1}]" if default in numbers else words
    if default:
        return f"{words} [{default}]"
    sample = question.sample(system)
    hints = [f"such as {sample}"] if sample else []
    if question.optional:
        hints.append(f"Enter: {question.nothing or 'none'}")
    return f"{words} ({'; '.join(hints)})" if hints else words


def said_as(text: str, offered: Sequence[Choice]) -> str:
    """The value that a number stands for; any other text as it is.

    >>> said_as("2", [("a", "one"), ("b", "two")]), said_as("b", [("a", "one"), ("b", "two")])
    ('b', 'b')
    """
    values = [value for value, _ in offered]
    if text not in values and text.isdecimal() and 1 <= int(text) <= len(offered):
        return values[int(text) - 1]
    return text


class Paper:
    """The terminal. Whatever is shown is plain text: nothing that an owner or a device wrote is read as markup."""

    def __init__(self, console: Console | None = None) -> None:
        self.console = console or Console(markup=False, highlight=False, emoji=False)

    def say(self, words: str) -> None:
        """A line."""
        self.console.print(words, soft_wrap=True)

    def title(self, words: str, lead: str) -> None:
        """A step begins."""
        self.console.print()
        self.console.rule(Text(words, style="bold"), align="left")
        self.console.print(Text(lead, style="dim"))

    def problem(self, words: str) -> None:
        """What is wrong."""
        self.console.print(Text(f"! {words}", style="bold red"))

    def note(self, words: str) -> None:
        """What should be known."""
        self.console.print(Text(f"* {words}", style="yellow"))

    def choices(self, offered: Sequence[Choice]) -> None:
        """What can be chosen, by number."""
        for number, (_, words) in enumerate(offered, start=1):
            self.say(f"  {number}  {words}")

    def help(self, question: Question, context: Context) -> None:
        """More about a question."""
        if question.help:
            self.note(question.help)
        if question.sample(context.system):
            self.note(f"for example: {question.sample(context.system)}")
        if question.optional:
            self.note(f"{CLEAR} or nothing: {question.nothing or 'none'}")
        if question.offers is not None:
            self.note(f"known: {', '.join(question.offers(context))}")
        self.note(KEYS)

    def items(self, found: Listing, draft: Draft) -> None:
        """What a list holds so far, and what is wrong with it."""
        self.console.print()
        for item in found.items:
            self.say(f"  {item.index + 1}  {item.title}{': ' + item.words if item.words else ''}")
        if found.pieces:
            self.lines(f"     {line}" for line in tree_lines(draft))
        if found.can_tell:
            self.note(found.can_tell)
        for words in (*found.troubles, *(words for item in found.items for words in item.troubles)):
            self.problem(words)

    def item_prompt(self, step: Step, count: int) -> str:
        """What can be done with a list."""
        acts = [f"a: add a {step.item}"]
        if count:
            acts += ["number: change it", "-number: take it out"]
        if step.name == "sources":
            acts.append("s: look for sensors")
        acts.append("Enter: go on" if count >= step.least else f"Enter: add a {step.item}")
        return "   ".join(acts)

    def wait_for(self, search: Search) -> None:
        """Wait until a search is done, showing what it does."""
        shown = ""
        while not search.wait(0.2):
            if search.words != shown:
                shown = search.words
                self.say(f"  {shown} ...")

    def found(self, found: Found) -> None:
        """What was heard at one place."""
        self.say(f"{found.where}: {found.said}")
        if found.rows:
            table = Table("name", "values", "between", "taken as", "reads now", box=None, pad_edge=True)
            for row in found.rows:
                taken = f"{row.channel} (by {row.why})" if row.channel else "not recognised"
                table.add_row(*(Text(cell) for cell in (row.name, str(row.count), row.spread, taken, row.reading)))
            self.console.print(table)
            for row in found.rows:
                if row.asks:
                    self.note(f"{row.name}: {row.asks}")
        for remark in found.remarks:
            self.note(remark)

    def outcome(self, outcome: Outcome) -> None:
        """What the configuration's own check says."""
        for line in outcome.summary:
            self.say(f"  {line}")
        for words in outcome.notes:
            self.note(words)
        for words in outcome.errors:
            self.problem(words)

    def lines(self, lines: Iterable[str]) -> None:
        """Several lines."""
        for line in lines:
            self.say(line)
