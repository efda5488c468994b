"""``ductwarden init``: the questions at a terminal, the way back, mistakes, Ctrl-C and going on, and the file at the end."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

from daemon.cli.check import check
from daemon.cli.init import init
from daemon.config.load import load
from daemon.drafting.draft import draft_path, read_draft

app = typer.Typer()
app.command()(init)
app.command()(check)

SHOP = ["Barn", "", "640 ft", "", "6:30-19"]
WHEEL = ["2", "12 1/2 in", ""]
PLATE = ["", "2 hp", "", "", "11.2 A", "1.15"]
BAGS = ["", "2", "20 in", "32 in", "", ""]
NO_CYCLONE = [""]
MAIN = ["", "", "", "14 ft 6 in", "2x elbow 90 r/D 1.5"]
BENCH = ["a", "bench run", "", "", "D2729 4 in", "9 ft", ""]
PLANER = ["planer", "1", "", "", "", "6 ft", "", "flex 4 in", "5 ft", "", "", ""]
LATHE = ["a", "lathe", "", "", "", "7 ft", "", "", "", "", "-"]
NO_OUTLET_DUCT = [""]
REHEARSE = ["", "y"]
ALL = [
    *SHOP, *WHEEL, *PLATE, *BAGS, *NO_CYCLONE, *MAIN, *BENCH, "", *PLANER, *LATHE, "", *NO_OUTLET_DUCT,
    *REHEARSE, "", "", "", "", "",
]

BROKER = ALL.index("y") - 1
"""Where it is asked for a broker to listen at."""


@pytest.fixture(autouse=True)
def no_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    """What this computer has plugged in must not matter."""
    monkeypatch.setattr("daemon.finding.places.serial_ports", list)


def test_metric_stays_metric(tmp_path: Path) -> None:
    """From the question after the units on, no sample and no suggestion is in feet, inches or degrees Fahrenheit."""
    answers = ["Cellar", "2", "", "", "", "3", "", "no", "", "", "2", "500 mm", "800 mm", "", "", "", "", "", "", "6,2 m", ""]
    asked = sit(tmp_path / "shop.toml", *answers).output.partition("metres, pascals")[2]
    assert "such as 200 m" in asked
    assert "[20 C]" in asked
    assert re.findall(r"such as [\d.]+ (?:ft|in|F|cfm|hp)\b|\[[\d.]+ (?:ft|in|F|cfm|hp)\]", asked) == []
    assert "1.5 kW: a wheel of about 300 mm" in asked


def sit(shop: Path, *lines: str) -> Result:
    """One sitting that answers with these lines and ends with its last (as Ctrl-D does)."""
    return CliRunner().invoke(app, ["init", str(shop)], input="\n".join(lines) + "\n")


def test_from_nothing_to_a_file_that_check_accepts(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    result = sit(shop, *ALL, "w")
    assert result.exit_code == 0, result.output
    assert f"Written: {shop}" in result.output
    config = load(shop)
    assert (config.file.shop.name, config.design.port_names) == ("Barn", ("planer", "lathe"))
    assert config.design.runs[0].length_m == pytest.approx(14.5 * 0.3048)
    assert config.design.ports[1].needs_m3s is None, "a dash is none, though something was suggested"
    assert config.design.fan.generic
    checked = CliRunner().invoke(app, ["check", str(shop)])
    assert checked.exit_code == 0
    unwrapped = " ".join(result.output.split())
    for line in checked.output.splitlines():
        words = " ".join((line.rpartition(": ")[2] if line.startswith("note: ") else line).split())
        assert words in unwrapped, line
    assert not draft_path(shop).exists(), "the draft has done its work"
    assert shop.read_text().startswith("# ")


def test_mistakes_are_explained_and_asked_again(tmp_path: Path) -> None:
    result = sit(tmp_path / "shop.toml", *SHOP[:2], "640", "640 parsecs", "640 ft", "", "noon", "6:30-19", *WHEEL, "no")
    assert "'640' has no unit; write for example '640 ft'" in result.output
    assert "'parsecs' is not a unit of length" in result.output
    assert "'noon' is not two times of day" in result.output
    assert "About how strong is it?" in result.output


def test_points_are_taken_line_by_line_and_judged_together(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    points = ["0 cfm, 11.8 inwg", "400 cfm", "400 cfm, 11.6 inwg", "800 cfm, 12.6 inwg", "", "3450 rpm", ""]
    result = sit(shop, *SHOP, "1", *points, "<", "800 cfm, 9.1 inwg", "", "no")
    assert "'400 cfm' has 1 part" in result.output
    assert "pressure rises from point 2 to point 3" in " ".join(result.output.split())
    draft = read_draft(shop)
    assert draft is not None
    assert draft.of("fan")["points"] == "0 cfm; 11.8 inwg\n400 cfm; 11.6 inwg\n800 cfm; 9.1 inwg"


def test_help_and_the_way_back(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    # Back within a step, over the beginning of a step into the one before, and forward again over what was answered.
    result = sit(shop, "Bran", "<", "Barn", "", "?", "640 ft", "", "", "<", "", "", "650 ft", "", "", *WHEEL)
    assert "Thin air weighs less" in result.output
    draft = read_draft(shop)
    assert draft is not None
    assert (draft.of("shop")["name"], draft.of("shop")["altitude"]) == ("Barn", "650 ft")
    assert draft.of("fan")["wheel_diameter"] == "12 1/2 in"


def test_the_way_back_while_sensors_are_looked_for(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    before = ALL[: BROKER]
    result = sit(shop, *before, "<", "", "", "perhaps", "<", "", "", "y")
    words = " ".join(result.output.split())
    assert words.count("8 of 12 The duct after the fan") == 3, "from the first question, and from the last"
    assert "'perhaps': answer y or n, or Enter for no" in words
    draft = read_draft(shop)
    assert draft is not None
    assert [row["kind"] for row in draft.list_of("sources")] == ["simulator"]


def test_what_is_none_of_the_choices_is_told_by_their_numbers(tmp_path: Path) -> None:
    result = sit(tmp_path / "shop.toml", "Barn", "imperial", "3", "1", "")
    assert result.output.count("is none of these: type the number before one of them") == 2


@pytest.mark.slow
def test_ended_anywhere_it_goes_on_from_there(tmp_path: Path) -> None:
    """After any number of answers the sitting ends; a second one, told the rest, comes to the same file."""
    whole = tmp_path / "whole.toml"
    assert sit(whole, *ALL, "w").exit_code == 0
    for answered in range(1, len(ALL), 13):
        shop = tmp_path / f"shop{answered}.toml"
        first = sit(shop, *ALL[:answered])
        assert first.exit_code == 130
        assert "the same command goes on with it" in first.output
        # A list's letter and the offers of a search are no answers: they are asked anew.
        again = answered - 1 if ALL[answered - 1] == "a" or answered == BROKER + 1 else answered
        second = sit(shop, "", *ALL[again:], "w")
        assert second.exit_code == 0, second.output
        assert shop.read_text() == whole.read_text()


def test_an_existing_file_is_never_replaced_without_a_word(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    shop.write_text("mine\n")
    assert sit(shop, "n").exit_code == 0
    assert sit(shop, "").exit_code == 0
    assert shop.read_text() == "mine\n"
    result = sit(shop, "y", *ALL, "w")
    assert result.exit_code == 0, result.output
    load(shop)
    (kept,) = tmp_path.glob("shop.toml.20*")
    assert kept.read_text() == "mine\n"
    assert str(kept) in result.output


def test_an_unwanted_draft_is_set_aside_and_a_broken_one_told(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    sit(shop, *SHOP)
    sit(shop, "n", "Other barn")
    draft = read_draft(shop)
    assert draft is not None
    assert draft.unfinished is not None
    assert draft.unfinished.answers == {"name": "Other barn"}
    assert len(list(tmp_path.glob("shop.toml.draft.20*"))) == 1
    draft_path(shop).write_text("{")
    result = sit(shop, "n")
    assert result.exit_code == 3
    assert "is not the text of a draft" in result.output
    assert draft_path(shop).read_text() == "{"


def test_the_end_lists_the_steps_and_goes_back_to_one(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    result = sit(shop, *ALL, "1", "Old barn", "", "", "", "", "t", "nonsense", "99", "w")
    assert result.exit_code == 0, result.output
    assert load(shop).file.shop.name == "Old barn"
    assert 'name = "Old barn"' in result.output


def test_items_are_changed_and_taken_out(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    # The bench run is renamed and then taken out; its lathe goes to the main.
    runs = [*MAIN, *BENCH, "2", "far run", "", "", "", "", "", "-2", ""]
    lines = [*SHOP, *WHEEL, *PLATE, *BAGS, *NO_CYCLONE, *runs, *PLANER, "", *NO_OUTLET_DUCT, *REHEARSE, "", "", "", "", "", "w"]
    result = sit(shop, *lines)
    assert result.exit_code == 0, result.output
    assert load(shop).design.run_names == ("main",)
    assert "far run" in result.output


@pytest.mark.parametrize("name", ['the "old" barn', "x]\\n[fan", "# barn", "<b>barn</b>", "[bold red]barn[/]", "{0} %s"])
def test_hostile_names_come_out_as_they_went_in(tmp_path: Path, name: str) -> None:
    shop = tmp_path / "shop.toml"
    named = [name, *SHOP[1:], *WHEEL, *PLATE, *BAGS, *NO_CYCLONE, *MAIN, "", name, *PLANER[1:], "", *NO_OUTLET_DUCT, *REHEARSE]
    result = sit(shop, *named, "", "", "", "", "", "w")
    assert result.exit_code == 0, result.output
    assert load(shop).file.shop.name == name
    assert load(shop).design.port_names == (name,)
    assert name in result.output, "shown as it is, never read as markup"


def test_a_folder_is_told(tmp_path: Path) -> None:
    assert CliRunner().invoke(app, ["init", str(tmp_path)]).exit_code == 2
    assert CliRunner().invoke(app, ["init", str(tmp_path / "no" / "shop.toml")]).exit_code == 2


@pytest.mark.slow
def test_on_a_real_terminal_control_c_keeps_what_was_answered(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    program = "import typer; from daemon.cli.init import init; app = typer.Typer(); app.command()(init); app()"
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", program, str(shop)], stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
        env={**os.environ, "PYTHONPATH": os.getcwd(), "TERM": "xterm"},
    )
    os.close(theirs)
    try:
        _until(ours, "What do you call the shop?")
        os.write(ours, b"Barn\n")
        _until(ours, "Which units do you like?")
        os.write(ours, b"2\n")
        _until(ours, "How high above the sea")
        os.killpg(process.pid, signal.SIGINT)
        # Python misses a control-C in the instant before it waits for the terminal: it is pressed again where nothing comes.
        shown = _until(ours, "goes on with it.", lambda: os.killpg(process.pid, signal.SIGINT))
        assert "Stopped. What was answered is kept" in shown
        assert process.wait(90) == 130
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(90)
        os.close(ours)
    draft = read_draft(shop)
    assert draft is not None
    assert draft.unfinished is not None
    assert draft.unfinished.answers == {"name": "Barn", "units": "si"}


def _until(terminal: int, words: str, silent: Callable[[], None] = lambda: None) -> str:
    """What the terminal shows until these words come. ``silent`` is done whenever nothing was shown for ten seconds."""
    shown, deadline = "", time.monotonic() + 90.0
    while words not in shown:
        assert time.monotonic() < deadline, f"{words!r} did not come; shown: {shown!r}"
        if not select.select([terminal], [], [], 10.0)[0]:
            silent()
            continue
        try:
            shown += os.read(terminal, 4096).decode(errors="replace")
        except OSError:
            break
    return shown
