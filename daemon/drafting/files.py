"""The two files of a first run: the draft, kept after every answer, and the configuration, written when its owner says so."""

from __future__ import annotations

import contextlib
import os
import tempfile
from datetime import datetime
from pathlib import Path

from daemon.drafting.draft import LONGEST_DRAFT, Draft, from_json, to_json
from daemon.errors import ConfigError


def draft_path(shop: Path) -> Path:
    """Where the draft of a configuration is kept: beside it."""
    return shop.with_name(shop.name + ".draft")


def read_draft(shop: Path) -> Draft | None:
    """The draft that was left; None without one. Raises :class:`ConfigError` for a file that cannot be read as one."""
    path = draft_path(shop)
    try:
        with path.open("rb") as file:
            raw = file.read(4 * LONGEST_DRAFT + 1)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror or error}"]) from error
    try:
        return from_json(raw.decode("utf-8"))
    except (UnicodeDecodeError, ConfigError) as error:
        words = error.problems[0] if isinstance(error, ConfigError) else "is not text"
        raise ConfigError([f"{path}: {words}; move it away to begin anew"]) from error


def keep_draft(shop: Path, draft: Draft) -> None:
    """Write the draft. Raises :class:`ConfigError` where that is not possible."""
    _write(draft_path(shop), to_json(draft))


def forget_draft(shop: Path) -> None:
    """The configuration is written; the draft has done its work."""
    draft_path(shop).unlink(missing_ok=True)


def set_aside(shop: Path, now: datetime) -> Path | None:
    """Move an unwanted draft away under its date; None where there is none."""
    path = draft_path(shop)
    if not path.exists():
        return None
    aside = _dated(path, now)
    path.rename(aside)
    return aside


def publish(shop: Path, text: str, now: datetime) -> Path | None:
    """Write the configuration whole or not at all; a file that was there is kept under its date, whose path is returned.

    Only ``shop`` itself (where it is a link, what it leads to) and that copy are written. Raises :class:`ConfigError`.
    """
    target = Path(os.path.realpath(shop))
    if target.is_dir():
        raise ConfigError([f"{shop}: is a folder; name a file, such as {shop / 'shop.toml'}"])
    kept = None
    if target.exists():
        kept = _dated(target, now)
        try:
            kept.write_bytes(target.read_bytes())
            kept.chmod(target.stat().st_mode & 0o777)
        except OSError as error:
            raise ConfigError([f"{kept}: the older file cannot be kept: {error.strerror or error}"]) from error
    _write(target, text)
    return kept


def _dated(path: Path, now: datetime) -> Path:
    """A name with the date that nobody bears yet."""
    stem = f"{path.name}.{now:%Y-%m-%d-%H%M%S}"
    found = path.with_name(stem)
    number = 1
    while found.exists():
        number += 1
        found = path.with_name(f"{stem}-{number}")
    return found


def _write(path: Path, text: str) -> None:
    """All of it, or the old file stays: a new file beside it is filled, brought to the disk and put in its place."""
    try:
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o644
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise ConfigError([f"{path}: cannot be written: {error.strerror or error}"]) from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, mode)
        os.replace(name, path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise ConfigError([f"{path}: cannot be written: {error.strerror or error}"]) from error
