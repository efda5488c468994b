"""The words of ``ductwarden run``, which are read without the library of the other commands."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import daemon.cli.init
from daemon.__main__ import app, main
from daemon.cli import watch
from daemon.cli.commands import GROUPS
from daemon.errors import ConfigError


@pytest.mark.parametrize(
    "words", [[], ["a.toml", "b.toml"], ["a.toml", "--no-such"], ["a.toml", "--pace", "nan"], ["a.toml", "--pace", "0"],
              ["a.toml", "--wait-for-clock", "-1"], ["a.toml", "--wait-for-clock", "soon"], ["a.toml", "--dash"]],
)
def test_words_that_are_not_understood_end_with_exit_code_2(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        watch.main(words)
    assert ended.value.code == 2
    assert "ductwarden: run: " in capsys.readouterr().err


def test_its_options_and_its_place_among_the_commands(capsys: pytest.CaptureFixture[str]) -> None:
    given = watch.parser().parse_args(["shop.toml", "--no-dashboard", "--pace", "20", "--log-file", "x.log"])
    assert (given.shop, given.dashboard, given.pace, given.log_file) == (Path("shop.toml"), False, 20.0, Path("x.log"))
    assert watch.WORDS.split(".")[0] in " ".join(CliRunner().invoke(app, ["--help"]).output.replace("│", "").split())
    with pytest.raises(SystemExit) as ended:
        watch.main(["--help"])
    assert ended.value.code == 0
    assert "--wait-for-clock" in capsys.readouterr().out


def test_a_missing_configuration_without_a_terminal_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["ductwarden", "run", str(tmp_path / "none.toml")])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == ConfigError.exit_code
    assert "none.toml: cannot be read" in capsys.readouterr().err


@pytest.mark.parametrize("written", [True, False])
def test_at_a_terminal_the_first_run_page_is_offered_and_the_daemon_begins_anew_after_it(
    written: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[list[str]] = []

    def begin_anew(program: str, words: list[str]) -> None:
        begun.append([program, *words])
        sys.exit(77)

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(daemon.cli.init, "serve_setup", lambda shop, port: written)
    monkeypatch.setattr(os, "execv", begin_anew)
    with pytest.raises(SystemExit) as ended:
        watch.main([str(tmp_path / "none.toml")])
    assert ended.value.code == (77 if written else 2)
    assert begun == ([[sys.executable, sys.executable, *sys.orig_argv[1:]]] if written else [])


def test_a_file_that_the_system_refuses_is_told_by_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = tmp_path / "day.csv"
    recording.write_text("t,inlet_pa\n0,-1\n")
    barn = Path(daemon.cli.init.__file__).parents[1] / "demo" / "chair-barn.toml"
    monkeypatch.setattr(
        sys, "argv", ["ductwarden", "replay", str(recording), "--config", str(barn), "--findings", str(tmp_path)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 6
    assert capsys.readouterr().err == f"ductwarden: {tmp_path}: is a directory\n"


@pytest.mark.parametrize(("words", "said"), [
    (["demo", "--port", "banana"], "demo: Invalid value for '--port': a whole number is needed; see ductwarden demo --help"),
    (["check"], "check: name the configuration to check, such as shop.toml; see ductwarden check --help"),
    (["expect"], "expect: Missing argument 'SHOP'; see ductwarden expect --help"),
    (["wrong"], "No such command 'wrong'"),
    (["run"], "run: the following arguments are required: SHOP; see ductwarden run --help"),
    (["check", "none.toml"], "none.toml: cannot be read: No such file or directory"),
])
def test_every_refusal_is_one_line_of_one_form(
    words: list[str], said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["ductwarden", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert capsys.readouterr().err == f"ductwarden: {said}\n"


def test_the_help_has_four_groups_and_the_readme_tells_every_command() -> None:
    shown = CliRunner().invoke(app, ["--help"], env={"COLUMNS": "200"}).output
    assert [title for title in GROUPS if f"─ {title} ─" in shown] == list(GROUPS)
    readme = (Path(daemon.cli.init.__file__).parents[2] / "README.md").read_text()
    names = [name for group in GROUPS.values() for name in group]
    assert [name for name in names if f"`ductwarden {name} " not in readme and f"`ductwarden {name}`" not in readme] == []
    assert CliRunner().invoke(app, ["--version"]).output.startswith("ductwarden 0.")


def test_options_and_refusals_name_no_type_of_the_program() -> None:
    plain = " ".join(CliRunner().invoke(app, ["calibrate", "--help"], env={"COLUMNS": "200"}).output.split())
    assert "<text>" in plain
    assert not [word for word in ("<bool>", "<str>", "<float", "<int", "list[") if word in plain]
    refused = CliRunner().invoke(app, ["demo", "--port", "banana"], env={"COLUMNS": "200"}).output
    assert "Invalid value for '--port': a whole number is needed" in refused
