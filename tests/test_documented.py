"""A setting, condition, detector or command that nobody can read about does not exist for its user."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.conditions import TEXTS, Condition
from daemon.cli.commands import COMMANDS
from daemon.config.model import ShopFile

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text()
NOTES = "\n".join(path.read_text() for path in sorted((ROOT / "hardware_notes").rglob("*.md")))
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_is_in_the_readme(name: str) -> None:
    assert f"ductwarden {name}" in README


@pytest.mark.parametrize("condition", list(Condition))
def test_every_condition_has_words_and_is_in_the_readme(condition: Condition) -> None:
    text = TEXTS[condition]
    assert text.title
    assert text.meaning
    assert text.action
    assert f"`{condition.value}`" in README


@pytest.mark.parametrize("table", sorted(ShopFile.model_fields))
def test_every_table_of_the_configuration_is_in_the_readme(table: str) -> None:
    assert f"[{table}" in README or f"[[{table}]]" in README


def test_the_contributors_guide_names_the_layers_and_the_failure_table() -> None:
    for words in ("## The data's way", "## Layers", "## Failure table", "## Where things stand", "## Change log"):
        assert words in DEVELOPERS
    headings = [line for line in DEVELOPERS.splitlines() if line.startswith("## ")]
    assert headings[-1] == "## Change log"
