"""Snapshot: everything the live pages are made from, read from the store in one go.

The status documents come as the daemon wrote them; every part may be missing, and a missing part is shown as not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from analysis.units import System
from daemon.store.reader import Alarm
from dashboard.shapes import number, system_of, text

Document = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What the store said at one moment.

    ``wall`` is the time by this computer's clock; ``heard`` when, by the same clock, the daemon last wrote. All other
    times are event time. ``problem`` says why there is nothing at all, ``gone`` that no daemon is at work any more,
    ``silent_after_s`` how long one may say nothing.
    """

    wall: float
    heard: float | None = None
    problem: str = ""
    gone: bool = False
    silent_after_s: float = 15.0
    now: Document = field(default_factory=dict)
    detectors: tuple[Document, ...] = ()
    sources: tuple[Document, ...] = ()
    outlets: tuple[Document, ...] = ()
    shop: Document = field(default_factory=dict)
    daemon: Document = field(default_factory=dict)
    ducts: Document = field(default_factory=dict)
    measuring: Document = field(default_factory=dict)
    tour: Document = field(default_factory=dict)
    added_run: Document = field(default_factory=dict)
    alarms: tuple[Alarm, ...] = ()
    cleaned_t: float | None = None
    emptied_t: float | None = None
    running_since_cleaned_s: float | None = None
    running_since_emptied_s: float | None = None

    @property
    def t(self) -> float | None:
        """Event time of the latest frame."""
        return number(self.now, "t")

    @property
    def clock(self) -> float | None:
        """Event time now, as far as is known: the later of the daemon's event clock, as it last told it, and the latest
        frame (which is newer where event time passes quickly)."""
        known = [t for t in (number(self.daemon, "event_t"), self.t) if t is not None]
        return max(known) if known else None

    @property
    def measuring_now(self) -> bool:
        """Whether a pressure or the current of the motor came in the last seconds, as far as the daemon told."""
        return self.measuring.get("ok") is not False

    @property
    def never_measured(self) -> bool:
        """Whether nothing has come since the daemon started."""
        return not self.measuring_now and number(self.measuring, "since") is None

    @property
    def shop_name(self) -> str:
        """What the shop is called."""
        return text(self.shop, "name", default="The shop")

    @property
    def units(self) -> System:
        """What the shop's owner likes to see first."""
        return system_of(text(self.shop, "units"))

    def silent_for(self) -> float | None:
        """Seconds since the daemon last wrote, None where it never did."""
        return None if self.heard is None else max(0.0, self.wall - self.heard)

    def silent_longer(self, than_s: float) -> bool:
        """Whether the daemon is gone, or has not written for so long."""
        return self.gone or (self.silent_for() or 0.0) > than_s

    @property
    def silent(self) -> bool:
        """Whether what was read is not the present any more."""
        return self.silent_longer(self.silent_after_s)
