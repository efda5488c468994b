"""``python -m dashboard serve STORE`` shows a store without a daemon; ``python -m dashboard password`` makes a hash."""

from __future__ import annotations

import argparse
import getpass
import sys
from pathlib import Path

from daemon.errors import DuctwardenError
from dashboard.access import hash_password
from dashboard.settings import DashboardSettings, read_password_file

SILENT_AFTER_S = 150.0
"""A daemon in another process writes what it does to the disk once a minute while the fan is off, to spare the card. That it
has ended or was stopped shows at once, by its lock; this is for one that hangs."""


def main(arguments: list[str] | None = None) -> int:
    """The command line of the dashboard alone; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m dashboard", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    serve = commands.add_parser("serve", help="show a store")
    serve.add_argument("store", type=Path)
    serve.add_argument("--host", default="127.0.0.1")
    serve.add_argument("--port", type=int, default=8765)
    serve.add_argument("--password-file", type=Path)
    serve.add_argument("--allow-host", action="append", default=[])
    serve.add_argument("--view-without-password", action="store_true")
    commands.add_parser("password", help="ask for a password twice and print its hash for dashboard.password_file")
    given = parser.parse_args(arguments)
    try:
        return _password() if given.command == "password" else _serve(given)
    except (DuctwardenError, ValueError) as error:
        print(error, file=sys.stderr)
        return getattr(error, "exit_code", 2)


def _password() -> int:
    first = getpass.getpass("Password: ")
    if getpass.getpass("Again: ") != first:
        raise ValueError("the two differ")
    print(hash_password(first))
    return 0


def _serve(given: argparse.Namespace) -> int:
    from dashboard.serve import listening_socket, make_server

    settings = DashboardSettings(
        given.store,
        host=given.host,
        port=given.port,
        allow_hosts=tuple(given.allow_host),
        password_hash=None if given.password_file is None else read_password_file(given.password_file),
        view_without_password=given.view_without_password,
        silent_after_s=SILENT_AFTER_S,
        alone=True,
    )
    sock = listening_socket(settings)
    print(f"http://{settings.host}:{sock.getsockname()[1]}/")
    make_server(settings).run(sockets=[sock])
    return 0


if __name__ == "__main__":
    sys.exit(main())
