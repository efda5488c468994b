"""``ductwarden run``: the live daemon with its dashboard. Read without the library of the other commands, because what is
loaded here stays for months.

This is the one place that knows both the daemon and the dashboard.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, cast

if TYPE_CHECKING:
    from daemon.config.config import Config
    from daemon.service import Service
    from daemon.supervision import Side

WORDS = "Watch the shop: sources, store, alarms, notices, dashboard. Ctrl-C or SIGTERM ends it properly."
SILENT_AFTER_S = 4.0
"""The pages in this process say so when the loop has not turned for this long."""
STARTS_WITHIN_S = 120.0
"""A busy small computer takes its time; readings are stored meanwhile."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """Refuse in one line, as the other commands do."""
        print(f"ductwarden: run: {message}; see ductwarden run --help", file=sys.stderr)
        sys.exit(2)


def parser() -> argparse.ArgumentParser:
    """The words of the command."""
    made = _Parser("ductwarden run", description=WORDS, allow_abbrev=False)
    made.add_argument("shop", metavar="SHOP", type=Path, help="the shop's configuration")
    made.add_argument(
        "--dashboard", action=argparse.BooleanOptionalAction, default=True, help="serve the dashboard, or not",
    )
    made.add_argument(
        "--pace", type=_between(0.1, 1000.0), default=1.0, metavar="N", help="for rehearsals: seconds of event time a second",
    )
    made.add_argument("--log-level", default="info", metavar="LEVEL", help="debug, info, warning or error")
    made.add_argument("--log-format", default="text", metavar="FORM", help="text, keyvalue or json")
    made.add_argument("--log-file", type=Path, metavar="FILE", help="log here instead of to stderr; rotated by size")
    made.add_argument(
        "--wait-for-clock", type=_between(0.0, 1e9), default=120.0, metavar="SECONDS",
        help="how long to wait for a clock that is not set yet",
    )
    return made


class _between:
    """A number of the command line between two others."""

    def __init__(self, low: float, high: float) -> None:
        self._low, self._high = low, high

    def __call__(self, word: str) -> float:
        try:
            number = float(word)
        except ValueError:
            number = float("nan")
        if not self._low <= number <= self._high:
            raise argparse.ArgumentTypeError(f"{word!r}: a number from {self._low:g} to {self._high:g} is needed")
        return number


def main(words: Sequence[str]) -> None:
    """Read the words after ``run``, and watch until told to end. Raises SystemExit and DuctwardenError."""
    from daemon import logs
    from daemon.config.load import load

    given = parser().parse_args(words)
    makeable = not given.shop.exists() and given.shop.absolute().parent.is_dir()
    if makeable and given.dashboard and sys.stdin.isatty():
        from daemon.cli.init import serve_setup

        print(f"There is no configuration at {given.shop} yet: it is made by answering questions on a page.", flush=True)
        if not serve_setup(given.shop, 8765):
            sys.exit(2)
        os.execv(sys.executable, [sys.executable, *sys.orig_argv[1:]])  # what the page needed would stay for months
    logs.set_up(given.log_level, cast(logs.Format, given.log_format), given.log_file)
    serve(load(given.shop), given.dashboard, given.pace, given.wait_for_clock)


def serve(config: Config, dashboard: bool, pace: float = 1.0, wait_s: float = 120.0) -> None:
    """Run the daemon until SIGTERM or Ctrl-C. An error that nobody foresaw is logged and ends with exit code 1."""
    import signal

    from daemon import logs
    from daemon.errors import DuctwardenError
    from daemon.service import Service
    from daemon.supervision import spare_memory

    spare_memory()
    side = (lambda: _dashboard(config)) if dashboard and config.file.dashboard.enabled else None
    service = Service(config, side, pace=pace, wait_s=wait_s)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.stop())
    if signal.getsignal(signal.SIGHUP) != signal.SIG_IGN:  # as nohup leaves it
        signal.signal(signal.SIGHUP, lambda *_: _hung_up(service))
    try:
        service.run()
    except DuctwardenError:
        raise  # told by the command line, with its exit code
    except Exception as error:
        logs.log_end(error)
        sys.exit(1)


def _hung_up(service: Service) -> None:
    """A terminal that was closed ends what was started in it; anybody else who sends SIGHUP wants the configuration read."""
    import logging

    log = logging.getLogger("ductwarden")
    if any(os.isatty(stream) for stream in (0, 1, 2)):
        log.warning("the terminal was closed: the daemon ends")
        service.stop()
    else:
        log.warning("SIGHUP changes nothing: the configuration is read at the start only, so restart the daemon")


def _dashboard(config: Config) -> Side:
    from dashboard.serve import DashboardThread
    from dashboard.settings import DashboardSettings, read_password_file

    table = config.file.dashboard
    password = None if table.password_file is None else read_password_file(config.at(table.password_file))
    thread = DashboardThread(DashboardSettings(
        store=config.at(config.file.store.file), host=table.host, port=table.port, allow_hosts=table.allow_hosts,
        password_hash=password, view_without_password=table.view_without_password,
        silent_after_s=SILENT_AFTER_S,
    ))

    class Announced:
        def start(self) -> None:
            thread.start(STARTS_WITHIN_S)
            print(f"dashboard: {thread.url}", flush=True)

        def stop(self) -> None:
            thread.stop()

    return Announced()
