"""Errors, split by who can recover, and the exit code that each one ends a command with: :data:`EXIT_CODES`.

A source or an outlet that fails backs off and begins again by itself: SourceError and OutletError end nothing.
"""

from __future__ import annotations


class DuctwardenError(Exception):
    """The root of all errors that ductwarden raises on purpose."""

    exit_code = 1


class ConfigError(DuctwardenError):
    """The configuration cannot be used. ``problems`` are whole sentences: where, what was found, what is allowed."""

    exit_code = 2

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class SourceError(DuctwardenError):
    """A source lost its sensor, port or broker; the daemon opens it again after a pause, a command ends with this."""

    exit_code = 6


class OutletError(DuctwardenError):
    """An outlet could not deliver a notice; it will be tried again after a pause."""


class StoreError(DuctwardenError):
    """The store cannot be written or read."""

    exit_code = 4


class DamagedStore(StoreError):
    """The database is damaged: it is set aside and a new one begun."""


class AlreadyRunning(StoreError):
    """Another daemon holds the store."""

    exit_code = 5


class CompareError(DuctwardenError):
    """A comparison cannot be made as asked: the message says what is missing, and what would do."""

    exit_code = 2


class AddedRunDeclined(ValueError):
    """What was asked of the check of an added run cannot be done now; the text says why."""


NOT_DONE = 3
"""A command ended as it should, and the answer is no."""
NO_FILE = 6

EXIT_CODES: dict[int, str] = {
    0: "done; `ductwarden run`: told to end (SIGTERM, Ctrl-C)",
    DuctwardenError.exit_code: "an error that nobody foresaw, its traceback in the log; the supervisor starts the daemon anew",
    ConfigError.exit_code: "the configuration or the command line is missing or wrong, the dashboard's port is taken, or a"
    " comparison cannot tell",
    NOT_DONE: "the answer is no: the daemon declined, nothing arrived, or a guided check was left before its end",
    StoreError.exit_code: "the store cannot be opened, read or written (disk, permissions, a newer program's)",
    AlreadyRunning.exit_code: "another daemon owns the store",
    NO_FILE: "another file, a port or a broker, which is named, cannot be read or written",
}
"""What the exit codes of all commands mean; README has the same table."""
