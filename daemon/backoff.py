"""Waiting before the next try: doubling, capped, reset on success, and always promptly stoppable."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import NamedTuple


class RetrySettings(NamedTuple):
    """How long to wait before a lost port or broker is tried again: ``first_s``, doubling, at most ``cap_s``."""

    first_s: float = 0.5
    cap_s: float = 60.0


@dataclass
class Backoff:
    """``wait`` sleeps ``first_s``, then twice as long each time up to ``cap_s``; ``reset`` after a success.

    The wait ends at once when ``stop`` is set.
    """

    stop: threading.Event
    first_s: float = 0.5
    cap_s: float = 60.0
    tries: int = field(default=0, init=False)

    def next_s(self) -> float:
        """The pause that the next :meth:`wait` will take."""
        return float(min(self.cap_s, self.first_s * 2.0 ** min(self.tries, 30)))

    def wait(self) -> bool:
        """Sleep the next pause. Returns True if told to stop meanwhile."""
        pause = self.next_s()
        self.tries += 1
        return self.stop.wait(pause)

    def reset(self) -> None:
        """Start over from the first pause."""
        self.tries = 0
