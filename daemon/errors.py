"""Errors, split by who can recover, and the exit code that each one ends the process with.

| error | who recovers | exit code |
| --- | --- | --- |
| ConfigError | the owner: edit the configuration | 2 |
| SourceError | the source itself: it backs off and opens again | - |
| OutletError | the outlet itself: it backs off and sends again | - |
| StoreError | the owner (disk) or the next start | 4 |
| AlreadyRunning | nobody: another daemon owns the store | 5 |
| anything else | the supervisor restarts | 1 |
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
    """A source lost its sensor, port or broker; it will be opened again after a pause."""


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
