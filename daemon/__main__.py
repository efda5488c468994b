"""The command line: ``ductwarden COMMAND``. All commands but ``run`` are read by :mod:`daemon.cli.commands`."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any

from daemon.errors import NO_FILE, DuctwardenError

if TYPE_CHECKING:
    from daemon.cli.commands import app as app


# Looking through every installed package for plug-ins of the checking library costs a twentieth of a short command's time.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")


def __getattr__(name: str) -> Any:
    """``app``, the application of all commands, loaded when it is asked for: ``run`` lives for months without it."""
    if name == "app":
        from daemon.cli.commands import app

        return app
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def _said(app: Any) -> None:
    """Run a command of the application. What its owner typed wrong, and a file that the system refuses, becomes one sentence."""
    from typer.exceptions import TyperException

    try:
        code = app(prog_name="ductwarden", standalone_mode=False)
    except TyperException as error:
        context = getattr(error, "ctx", None)
        words = (error.format_message() if hasattr(error, "format_message") else str(error)).rstrip(".")
        if context is not None and context.command_path != "ductwarden":
            name = context.command_path.removeprefix("ductwarden ")
            words = f"{name}: {words.removeprefix('Invalid value: ')}; see {context.command_path} --help"
        print(f"ductwarden: {words}", file=sys.stderr)
        sys.exit(getattr(error, "exit_code", 2))
    except OSError as error:
        if error.filename is None or error.strerror is None:
            raise
        print(f"ductwarden: {error.filename}: {error.strerror[:1].lower()}{error.strerror[1:]}", file=sys.stderr)
        sys.exit(NO_FILE)
    sys.exit(code if isinstance(code, int) else 0)


def main() -> None:
    """Run a command; an error made on purpose becomes a sentence and its exit code, never a traceback."""
    try:
        if sys.argv[1:2] == ["run"]:
            from daemon.cli.watch import main as watch

            watch(sys.argv[2:])
        else:
            from daemon.cli.commands import app

            _said(app)
    except DuctwardenError as error:
        print(f"ductwarden: {error}", file=sys.stderr)
        sys.exit(error.exit_code)


if __name__ == "__main__":
    main()
