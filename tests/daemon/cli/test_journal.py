"""``ductwarden journal`` against a store at work: adding, correcting, striking out, and what the detectors hear of it."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from analysis.events import EventKind, ShopEvent
from daemon.answering import Answerer
from daemon.cli.journal import journal
from tests.daemon.telling.lives import Life, shop

T0 = 1_772_355_600.0


class Desk:
    """A daemon at work whose detectors' events are written down, and the command line beside it."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.config = shop(folder, '[[outlet]]\nkind = "log"\n')
        self.life = Life(self.config, T0)
        self.answerer = Answerer(self.life.pipeline, self.life.writer)
        self.heard: list[EventKind] = []
        happened = self.life.pipeline.happened

        def hear(event: ShopEvent) -> None:
            self.heard.append(event.kind)
            happened(event)

        monkeypatch.setattr(self.life.pipeline, "happened", hear)

    def says(self, *arguments: str, code: int = 0) -> str:
        """What the command prints while the daemon answers requests."""
        app = typer.Typer()
        app.command()(journal)
        said: list[object] = []
        thread = threading.Thread(
            target=lambda: said.append(CliRunner().invoke(app, [str(self.config.path), *arguments])))
        thread.start()
        while thread.is_alive():
            self.answerer.answer_all(self.life.t)
            self.life.writer.flush(force=True)
            thread.join(0.01)
        (result,) = said
        assert result.exit_code == code, result.output  # type: ignore[attr-defined]
        return result.output  # type: ignore[attr-defined,no-any-return]


def test_an_entry_that_the_daemon_found_is_marked_and_can_be_corrected_and_struck_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = Desk(tmp_path, monkeypatch)
    assert "empty" in desk.says()
    desk.life.writer.event(ShopEvent(T0 + 60.0, EventKind.CLEANED, by="ductwarden", text="The drag fell."))
    desk.life.writer.flush(force=True)
    assert "(found by ductwarden)" in desk.says()
    assert "corrected" in desk.says("replaced", "--correct", "1")
    listed = desk.says()
    for words in ("replaced", "The drag fell.", "it said cleaned"):
        assert words in listed
    assert "found by ductwarden" not in listed  # it is the owner's word now
    assert desk.heard == [EventKind.REPLACED]
    assert "corrected" in desk.says("--correct", "1", "--where", "planer")
    assert desk.heard == [EventKind.REPLACED]  # another place is nothing new to learn from
    assert "removed" in desk.says("--strike", "1")
    assert "empty" in desk.says()
    assert "no journal entry 1" in desk.says("--strike", "1", code=3)
    desk.life.writer.close()


def test_what_cannot_be_corrected_is_refused_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk(tmp_path, monkeypatch)
    desk.says("emptied", "half full")
    assert desk.heard == [EventKind.EMPTIED]
    for arguments, words in (
        (("--correct", "1"), "needs what should stand there"),
        (("cleaned", "--correct", "7"), "no journal entry 7"),
        (("washed", "--correct", "1"), "not a kind of entry"),
        (("cleaned", "--strike", "1"), "nothing else"),
    ):
        said = " ".join(desk.says(*arguments, code=2).replace("│", " ").split())
        assert words in said, said
    desk.life.writer.close()
