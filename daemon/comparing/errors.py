"""What can be wrong with a comparison, for the owner to mend."""

from __future__ import annotations

from daemon.errors import DuctwardenError


class AddedRunDeclined(ValueError):
    """What was asked of the daemon cannot be done now; the text says why."""


class CompareError(DuctwardenError):
    """The comparison cannot be made as asked: the message says what is missing, and what would do."""

    exit_code = 2
