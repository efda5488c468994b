"""``ductwarden alarms`` against a store at work: what it shows, and what the daemon does when it is asked."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from analysis.conditions import Condition
from analysis.findings import Finding
from daemon.alarms.types import AlarmState
from daemon.answering import Answerer
from daemon.cli.alarms import alarms
from daemon.clock import LocalZone
from daemon.wording import local_time
from tests.daemon.alarms.shop_floor import T0, absent, present
from tests.daemon.telling.lives import Life, shop

BAG, SLOW = present(Condition.BAG_FULL), present(Condition.LOW_VELOCITY, "planer")


class Desk:
    """A daemon at work, and the command line beside it."""

    def __init__(self, folder: Path) -> None:
        self.config = shop(folder, '[[outlet]]\nkind = "log"\n')
        self.life = Life(self.config, T0)
        self.answerer = Answerer(self.life.pipeline, self.life.writer)

    def says(self, *arguments: str, code: int = 0, answers: bool = True) -> str:
        """What the command prints while the daemon answers requests."""
        app = typer.Typer()
        app.command()(alarms)
        said: list[object] = []

        def work() -> None:
            said.append(CliRunner().invoke(app, [str(self.config.path), *arguments]))

        thread = threading.Thread(target=work)
        thread.start()
        while thread.is_alive():
            if answers:
                self.answerer.answer_all(self.life.t)
                self.life.turn()
            thread.join(0.01)
        (result,) = said
        assert result.exit_code == code, result.output  # type: ignore[attr-defined]
        return result.output  # type: ignore[attr-defined,no-any-return]

    def states(self) -> dict[str, AlarmState]:
        return {alarm.condition.value: alarm.state for alarm in self.life.pipeline.desk.open()}

    def seconds(self, count: int, *findings: Finding) -> None:
        self.life.seconds(count, *findings)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path)
    yield made
    made.life.end()


def test_nothing_is_open(desk: Desk) -> None:
    desk.seconds(2)
    assert desk.says() == "no alarm is open\n"
    assert desk.says("history") == "no alarm in this time\n"
    assert desk.says("rates").splitlines()[0] == "0 alarms raised on 0 days"
    assert desk.says("acknowledge", "all") == "no alarm waits for your word\n"


def test_listed_acknowledged_and_over(desk: Desk) -> None:
    desk.seconds(70, BAG)
    raised = local_time(T0 + 1.0, LocalZone())
    assert desk.says().splitlines() == [
        "    1  Stop the fan: The chip bag is full", f"       not seen yet, since {raised}; very likely (90 %)"]
    (document,) = json.loads(desk.says("--json"))
    assert (document["id"], document["condition"], document["state"]) == (1, "bag_full", "unacknowledged")
    assert desk.says("acknowledge", "1") == "The chip bag is full: seen\n"
    assert "an alarm that is acknowledged cannot take the step" in desk.says("acknowledge", "1", code=3)
    desk.seconds(300, absent(Condition.BAG_FULL))
    assert desk.says() == "no alarm is open\n"
    (line,) = desk.says("history").splitlines()
    assert line.startswith(f"    1  {local_time(T0 + 61.0, LocalZone())}  The chip bag is full; seen after ")
    assert [row.split("  ")[-1] for row in desk.says("history", "1").splitlines()[1:]] == [
        "not seen yet (by ductwarden)", "seen (by owner)", "over (by ductwarden)"]


def test_shelved_for_a_time_by_the_daemons_clock_and_taken_back(desk: Desk) -> None:
    desk.seconds(70, BAG)
    desk.life.writer.status("daemon", {"event_t": desk.life.t, "pace": 1.0})
    desk.life.writer._statuses.all_due()
    desk.life.writer.flush(force=True)
    assert desk.says("shelve", "1", "--for", "4 h", "--reason", "new bags on Friday") == "The chip bag is full: put off\n"
    (alarm,) = desk.life.pipeline.desk.open()
    assert alarm.shelved_until == pytest.approx(desk.life.t + 4 * 3600.0, abs=5.0)
    assert "put off until" in desk.says()
    assert "kept quiet now: The chip bag is full (put off)" in desk.says("rates")
    assert "new bags on Friday" in desk.says("history", "1")
    desk.says("unshelve", "1")
    assert desk.states() == {"bag_full": AlarmState.UNACKNOWLEDGED}


def test_shelved_until_a_local_time(desk: Desk) -> None:
    desk.seconds(70, BAG)
    until = time.strftime("%Y-%m-%dT%H:%M", time.localtime(T0 + 86400.0))
    desk.says("shelve", "1", "--until", until)
    (alarm,) = desk.life.pipeline.desk.open()
    assert alarm.shelved_until == T0 + 86400.0
    desk.says("unshelve", "1")
    assert "cannot be shelved" in desk.says("shelve", "1", "--until", "2025-01-01", code=3)


def test_a_condition_out_of_service_and_back(desk: Desk) -> None:
    desk.seconds(5, SLOW)
    said = desk.says("out", "low_velocity", "--where", "planer", "--reason", "as it is")
    assert said == "low_velocity at planer is out of service\n"
    desk.seconds(700, SLOW)
    assert desk.states() == {"low_velocity": AlarmState.OUT_OF_SERVICE}
    assert "already out of service" in desk.says("out", "low_velocity", "--where", "planer", code=3)
    assert "is not out of service" in desk.says("return", "low_velocity", code=3)
    desk.says("return", "low_velocity", "--where", "planer")
    assert desk.states() == {"low_velocity": AlarmState.UNACKNOWLEDGED}


def test_acknowledge_all_and_the_rates(desk: Desk) -> None:
    desk.seconds(700, BAG, present(Condition.SENSOR_FAULT, "motor_a"))
    said = desk.says("acknowledge", "all").splitlines()
    assert sorted(said) == ["A sensor cannot be trusted: motor current (motor_a): seen", "The chip bag is full: seen"]
    assert desk.says("rates").splitlines()[:2] == [
        "2 alarms raised on 1 day", "most in ten minutes: 2 (1 can be followed, 10 are a flood)"]
    assert desk.says("rates", "--since", "2026-03-05").splitlines()[0] == "0 alarms raised on 0 days"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["silence"], "is not something to do"),
        (["acknowledge"], "acknowledge what? Give the ID"),
        (["acknowledge", "bag"], "is not the ID of an alarm"),
        (["shelve", "1"], "say until when"),
        (["shelve", "1", "--for", "4"], "no unit"),
        (["shelve", "1", "--for", "4 h", "--until", "2026-03-01"], "say until when"),
        (["out", "bag"], "is not a condition"),
    ],
)
def test_what_cannot_be_understood(desk: Desk, arguments: list[str], words: str) -> None:
    desk.seconds(1)
    assert words in " ".join(desk.says(*arguments, code=2).replace("│", " ").split())


@pytest.mark.slow
def test_a_daemon_that_does_not_answer_is_not_waited_for_long(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daemon.cli.common.WAIT_S", 0.05)
    desk.seconds(70, BAG)
    assert "has not answered yet" in desk.says("acknowledge", "1", answers=False)
