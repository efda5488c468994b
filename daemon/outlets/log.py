"""The plainest outlet: notices into the daemon's log."""

from __future__ import annotations

import logging

from analysis.conditions import Urgency
from daemon.notices import Notice

log = logging.getLogger("ductwarden.notice")


class LogSender:
    """Writes each notice as one record: "stop" as error, "soon" as warning, the rest as information."""

    def deliver(self, notice: Notice) -> None:
        """Write it."""
        level = {Urgency.STOP: logging.ERROR, Urgency.SOON: logging.WARNING}.get(notice.urgency, logging.INFO)
        if notice.event in ("cleared", "acknowledged", "digest"):
            level = logging.INFO
        log.log(level, "%s [%s]\n%s", notice.title, notice.id, notice.body)

    def tend(self) -> None:
        """Nothing to tend."""

    def close(self) -> None:
        """Nothing to close."""
