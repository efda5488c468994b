"""The draft and the configuration on the disk: nothing is lost, nothing else is touched."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import pytest

from daemon.drafting.draft import Draft, draft_path, forget_draft, keep_draft, publish, read_draft, set_aside
from daemon.errors import ConfigError

NOW = datetime(2026, 3, 1, 9, 30, 15)
DRAFT = Draft(answers={"shop": {"name": "barn"}}, passed=frozenset({"shop"}))


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    return tmp_path / "shop.toml"


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_draft_is_kept_read_and_forgotten(shop: Path) -> None:
    assert read_draft(shop) is None
    keep_draft(shop, DRAFT)
    assert read_draft(shop) == DRAFT
    assert names(shop.parent) == {"shop.toml.draft"}
    forget_draft(shop)
    assert read_draft(shop) is None


def test_a_draft_that_cannot_be_read_is_told_and_can_be_moved_away(shop: Path) -> None:
    draft_path(shop).write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="move it away"):
        read_draft(shop)
    assert set_aside(shop, NOW) == shop.with_name("shop.toml.draft.2026-03-01-093015")
    assert read_draft(shop) is None
    assert set_aside(shop, NOW) is None


def test_the_first_file_is_written_and_nothing_else(shop: Path) -> None:
    assert publish(shop, "a = 1\n", NOW) is None
    assert shop.read_text() == "a = 1\n"
    assert names(shop.parent) == {"shop.toml"}


def test_an_older_file_is_kept_under_its_date_each_time(shop: Path) -> None:
    shop.write_text("old")
    shop.chmod(0o600)
    first = publish(shop, "new", NOW)
    assert first is not None
    assert first.name == "shop.toml.2026-03-01-093015"
    assert first.read_text() == "old"
    assert (shop.stat().st_mode & 0o777, first.stat().st_mode & 0o777) == (0o600, 0o600)
    second = publish(shop, "newer", NOW)
    assert second is not None
    assert (second.name, second.read_text()) == ("shop.toml.2026-03-01-093015-2", "new")
    assert shop.read_text() == "newer"


def test_what_a_link_leads_to_is_written_and_the_link_stays(shop: Path, tmp_path: Path) -> None:
    real = tmp_path / "elsewhere"
    real.mkdir()
    shop.symlink_to(real / "true.toml")
    publish(shop, "x", NOW)
    assert shop.is_symlink()
    assert (real / "true.toml").read_text() == "x"


def test_where_it_cannot_be_written_it_is_told_and_the_old_file_stays(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ConfigError, match="is a folder"):
        publish(shop.parent, "x", NOW)
    with pytest.raises(ConfigError, match="cannot be written"):
        publish(shop.parent / "no" / "shop.toml", "x", NOW)
    shop.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ConfigError, match="No space left"):
        publish(shop, "new", NOW)
    assert shop.read_text() == "old"
    assert not [name for name in names(shop.parent) if name.startswith(".")], "no half file is left"
