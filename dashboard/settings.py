"""What the dashboard must be told, and the rules that keep it from being opened to a network by accident."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path

from daemon.errors import ConfigError
from dashboard.access import hash_password


def is_loopback(host: str) -> bool:
    """Whether ``host`` can be reached from this computer only.

    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("0.0.0.0")
    (True, True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class DashboardSettings:
    """Settings of the dashboard.

    ``store`` the SQLite file; ``host``/``port`` where to listen; ``allow_hosts`` names by which a browser may call it
    besides the address it listens on; ``password_hash`` as made by :func:`dashboard.access.hash_password`;
    ``view_without_password`` whether looking is free for everybody (changing never is, once there is a password);
    ``silent_after_s`` how long without a word from the daemon until the page says so; ``alone`` that the dashboard is a
    process of its own, which looks whether the daemon still lives; ``poll_s`` how often the store is
    asked for live pages; ``max_live_pages`` how many pages may be fed live at a time.
    """

    store: Path
    host: str = "127.0.0.1"
    port: int = 8765
    allow_hosts: tuple[str, ...] = ()
    password_hash: str | None = None
    view_without_password: bool = False
    silent_after_s: float = 15.0
    alone: bool = False
    poll_s: float = 1.0
    max_live_pages: int = 24

    def __post_init__(self) -> None:
        problems: list[str] = []
        if not is_loopback(self.host) and self.password_hash is None:
            problems.append(
                f"dashboard.host is {self.host!r}, which other computers can reach, but dashboard.password_file is not set; "
                "set it to a file that holds a password, or listen on 127.0.0.1"
            )
        if not 0 <= self.port <= 65535:
            problems.append(f"dashboard.port is {self.port}; allowed: 0 to 65535")
        if problems:
            raise ConfigError(problems)


def read_password_file(path: Path) -> str:
    """The password hash in ``path``: its first line, either a hash made by ``python -m dashboard password`` or the
    password itself (which is then hashed here, so that it is nowhere kept in memory).

    Raises :class:`ConfigError` when the file cannot be read, is empty, or others than its owner can read it.
    """
    try:
        mode = path.stat().st_mode
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([f"dashboard.password_file: {path} cannot be read: {error}"]) from error
    line = lines[0].strip() if lines else ""
    if line.startswith("scrypt$"):
        return line
    if mode & 0o044:
        raise ConfigError(
            [
                f"dashboard.password_file: {path} holds a password that everybody on this computer can read; "
                f"run chmod 600 {path.name}, or put a hash there (python -m dashboard password)"
            ]
        )
    try:
        return hash_password(line)
    except ValueError as error:
        raise ConfigError([f"dashboard.password_file: {path}: {error}"]) from error
