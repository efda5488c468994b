"""The questions of a first run, asked at a terminal: with defaults, help, a way back, and a draft kept after every answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

from daemon.cli.interview_words import BACK, CLEAR, HELP, Paper, prompt_of, said_as
from daemon.drafting.asking import WHOLE, Context, Question, Step
from daemon.drafting.checks import read_answer
from daemon.drafting.desk import SetupDesk
from daemon.drafting.draft import Answers
from daemon.drafting.steps import STEPS, after, before, enough, first_open, step_named
from daemon.finding.places import BrokerPlace, Place, PortPlace

Turn = Literal["on", "back"]
Prompt = Callable[[str], str]


class _WentBackError(Exception):
    """The owner wants to be one question back while sensors are looked for."""


class Interview:
    """One sitting. ``desk`` holds the answers, ``paper`` shows, ``prompt`` asks for a line (it may raise what ends a sitting)."""

    def __init__(self, desk: SetupDesk, paper: Paper, prompt: Prompt) -> None:
        self.desk, self._paper, self._prompt = desk, paper, prompt

    def run(self, begin: Step | None = None) -> None:
        """From ``begin`` (else from where the draft was left) to the end of the questions."""
        left = self.desk.draft.unfinished
        step = begin or (step_named(left.step) if left is not None else None) or first_open(self.desk.draft)
        while step is not None:
            self._paper.title(f"{STEPS.index(step) + 1} of {len(STEPS)}  {step.title}", step.lead)
            turn = self._many(step) if step.many else "on" if self._answered(step, None) else "back"
            if turn == "back":
                step = before(step) or step
            elif begin is not None:
                return
            else:
                step = after(step)

    # One item or step: its questions in turn

    def _answered(self, step: Step, index: int | None) -> bool:
        """Have a step or item answered and kept; False when the owner went back before the first question."""
        desk, left = self.desk, self.desk.draft.unfinished
        rows = desk.draft.list_of(step.name)
        known = desk.draft.of(step.name) if not step.many else {} if index is None else rows[index]
        quiet: set[str] = set()
        if left is not None and left.step == step.name and left.index == index:
            known, quiet = {**known, **left.answers}, set(left.answers)
        while True:
            given = self._walk(step, index, known, quiet)
            if given is None:
                desk.store(replace(desk.draft, unfinished=None))
                return False
            checked = desk.save(step.name, index, given)
            if checked.good:
                return True
            for words in checked.problems.values():
                self._paper.problem(words)
            # Ask again for what is wrong; what only shows in the whole may be put right at any question.
            known, quiet = given, set() if WHOLE in checked.problems else set(given) - set(checked.problems)

    def _walk(self, step: Step, index: int | None, known: Answers, quiet: set[str]) -> Answers | None:
        """Ask the step's questions, those in ``quiet`` only where they are not ``known``; None for the way back out of it."""
        given: dict[str, str] = {}
        path: list[int] = []
        at = 0
        while at < len(step.questions):
            question = step.questions[at]
            if not question.asked(given):
                at += 1
                continue
            answer: str | None = known.get(question.name)
            if question.name not in quiet or answer is None or not (answer or question.optional):
                answer = self._ask(step, question, Context(self.desk.draft, given, index), known)
                if answer is None:
                    if not path:
                        return None
                    at, quiet, known = path.pop(), set(), {**known, **given}
                    for later in step.questions[at:]:
                        given.pop(later.name, None)
                    continue
                self.desk.store(self.desk.draft.with_unfinished(step.name, index, {**given, question.name: answer}))
            path.append(at)
            given[question.name] = answer
            at += 1
        return given

    def _ask(self, step: Step, question: Question, context: Context, known: Answers) -> str | None:
        """One answer that was read well; None for the way back."""
        if question.kind == "lines":
            return self._ask_lines(step, question, context, known)
        default = known.get(question.name) or (question.suggest(context) if question.suggest is not None else "")
        offered = list(question.choices(context)) if question.choices is not None else []
        if offered and default not in [value for value, _ in offered]:
            default = "" if question.optional else offered[0][0]
        while True:
            self._paper.choices(offered)
            text = self._prompt(prompt_of(question, context.system, default, offered)).strip()
            if text == BACK:
                return None
            if text == HELP:
                self._paper.help(question, context)
                continue
            text = "" if text == CLEAR and question.optional else said_as(text or default, offered)
            if text and offered and question.kind == "choice" and " ".join(text.split()) not in [value for value, _ in offered]:
                self._paper.problem(f"{text!r} is none of these: type the number before one of them")
                continue
            try:
                return read_answer(step, question, text, context)
            except ValueError as error:
                self._paper.problem(str(error))

    def _ask_lines(self, step: Step, question: Question, context: Context, known: Answers) -> str | None:
        lines = [line for line in known.get(question.name, "").split("\n") if line]
        self._paper.say(f"{question.words}. One a line, such as {question.sample(context.system)}; an empty line ends them.")
        show = True
        while True:
            for number, line in enumerate(lines if show else (), start=1):
                self._paper.say(f"  {number}: {line}")
            show = False
            text = self._prompt(f"  {len(lines) + 1}").strip()
            if text == HELP:
                self._paper.help(question, context)
            elif text == BACK:
                if not lines:
                    return None
                lines.pop()
                show = True
            elif text:
                try:
                    read_answer(step, question, text, context)
                    lines.append(text)
                except ValueError as error:
                    self._paper.problem(str(error))
            else:
                try:
                    return read_answer(step, question, "\n".join(lines), context)
                except ValueError as error:
                    self._paper.problem(str(error))

    # A step with many items

    def _many(self, step: Step) -> Turn:
        desk, left = self.desk, self.desk.draft.unfinished
        if left is not None and left.step == step.name:
            self._paper.say(f"Going on with the {step.item} that was left in the middle.")
            at = left.index
            self._answered(step, at if at is not None and at < len(desk.draft.list_of(step.name)) else None)
        if step.name == "sources" and not desk.draft.list_of(step.name) and not self._look_for_sensors():
            return "back"
        if not enough(step, desk.draft):
            if step.name == "sources":
                self._paper.say("Nothing was taken over: describe it yourself.")
            if not self._answered(step, None) and not enough(step, desk.draft):
                return "back"
        while True:
            found = desk.listing(step.name)
            rows = found.items
            self._paper.items(found, desk.draft)
            text = self._prompt(self._paper.item_prompt(step, len(rows))).strip().lower()
            if text == BACK:
                return "back"
            if text == "" and not desk.pass_on(step.name):
                return "on"
            if text == "s" and step.name == "sources":
                self._look_for_sensors()
            elif text in ("a", ""):
                self._answered(step, None)
            elif text.lstrip("-").isdecimal() and 1 <= int(text.lstrip("-")) <= len(rows):
                number = int(text.lstrip("-")) - 1
                if text.startswith("-"):
                    desk.remove(step.name, number)
                else:
                    self._answered(step, number)
            else:
                self._paper.problem(f"{text!r} is none of these")

    # Sensors that are there already

    def _look_for_sensors(self) -> bool:
        """Listen at the ports that are there, then at a broker if there is one; offer what was found, and the simulator. False
        when the owner went back."""
        try:
            self._look()
        except _WentBackError:
            return False
        return True

    def _look(self) -> None:
        desk, ports = self.desk, self.desk.ports()
        places: list[Place] = [PortPlace(port) for port in ports]
        if ports:
            self._paper.say(f"Serial ports here: {', '.join(ports)}")
            if not self._yes("Listen at them for sensors? Nothing is sent to them.", True):
                places = []
        else:
            self._paper.say("There is no serial port here.")
        broker = self._prompt("A broker to listen at: host or host:port (Enter: none)").strip()
        if broker == BACK:
            raise _WentBackError
        if broker:
            user = self._prompt("  user name there (Enter: none)").strip() or None
            secret = self._prompt("  the file whose first line is the password (Enter: none)").strip() if user else ""
            places.append(BrokerPlace(broker, user, desk.shop.parent / secret if secret else None))
        if places:
            desk.listening.begin(places)
            self._paper.wait_for(desk.listening)
            if any(found.open for found in desk.listening.found):
                for found in desk.listening.found:
                    self._paper.found(found)
                if self._yes("Some names say nothing. Switch the fan on with a gate open, and listen again?", True):
                    desk.listening.begin()
                    self._paper.wait_for(desk.listening)
            for number, found in enumerate(desk.listening.found):
                self._paper.found(found)
                if found.source is not None and self._yes("Take this over?", True):
                    for words in desk.take(number):
                        self._paper.problem(words)
        if not desk.draft.list_of("sources") and self._yes(
            "No sensors yet? Your own shop can be simulated meanwhile, to look around. Do that?", False
        ):
            desk.rehearse()

    def _yes(self, words: str, default: bool) -> bool:
        while True:
            text = self._prompt(f"{words} [{'Y/n' if default else 'y/N'}]").strip().lower()
            if text == BACK:
                raise _WentBackError
            if text in ("", "y", "yes", "n", "no"):
                return default if text == "" else text.startswith("y")
            self._paper.problem(f"{text!r}: answer y or n, or Enter for {'yes' if default else 'no'}")
