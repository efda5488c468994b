"""Settings -> outlets, and all outlets as one thing for the pipeline."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence

from analysis.estimates import Estimate
from daemon.alarms.types import Alarm
from daemon.notices import Notice
from daemon.outlets.contract import MemoryLedger, Outlet, OutletHealth, SentLedger, ShowsPicture
from daemon.outlets.courier import Courier
from daemon.outlets.log import LogSender
from daemon.outlets.settings import (
    AppriseOutletSettings,
    LogOutletSettings,
    MqttOutletSettings,
    OutletSettings,
    WebhookOutletSettings,
)


def build_outlet(settings: OutletSettings, ledger: SentLedger) -> Outlet:
    """The outlet of one part of the configuration, not started."""
    # A kind that is not used is not loaded: together they cost more memory than the rest of the daemon's outlets.
    if isinstance(settings, MqttOutletSettings):
        from daemon.outlets.mqtt import MqttOutlet

        return MqttOutlet(settings, ledger)
    if isinstance(settings, AppriseOutletSettings):
        from daemon.outlets.apprise import AppriseSender

        return Courier(settings.name, "apprise", AppriseSender(settings), ledger, settings.queue, settings.wants)
    if isinstance(settings, WebhookOutletSettings):
        from daemon.outlets.webhook import WebhookSender

        return Courier(settings.name, "webhook", WebhookSender(settings), ledger, settings.queue, settings.wants)
    if isinstance(settings, LogOutletSettings):
        return Courier(settings.name, "log", LogSender(), ledger, settings.queue, settings.wants)
    raise TypeError(f"{type(settings).__name__} is not the settings of an outlet")


class Outlets:
    """All outlets. Nothing here blocks except ``stop``, and that within its limit.

    ``settings`` of each outlet; ``ledger`` knows what was sent. Raises ValueError if two outlets have one name: what
    was sent is remembered by it.
    """

    def __init__(self, settings: Iterable[OutletSettings], ledger: SentLedger | None = None) -> None:
        all_settings = tuple(settings)
        names = [one.name for one in all_settings]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two outlets are named {', '.join(map(repr, twice))}; each needs a name of its own")
        shared = ledger or MemoryLedger()
        self._outlets = [build_outlet(one, shared) for one in all_settings]
        self._pictures = [outlet for outlet in self._outlets if isinstance(outlet, ShowsPicture)]

    def start(self) -> None:
        """Start every outlet."""
        for outlet in self._outlets:
            outlet.start()

    def offer(self, notices: Iterable[Notice]) -> list[tuple[str, Notice]]:
        """Hand the notices to every outlet that wants them; returns which outlet (by name) took which."""
        return [(outlet.health.name, notice) for notice in notices for outlet in self._outlets if outlet.offer(notice)]

    def offer_again(self, outlet: str, notice: Notice, age_s: float) -> bool:
        """After a restart: hand one outlet a notice that it had not delivered, ``age_s`` [s] old."""
        return any(one.offer(notice, age_s) for one in self._outlets if one.health.name == outlet)

    def show_alarms(self, alarms: Sequence[Alarm]) -> None:
        """These alarms are open, and no other: for outlets that show a picture. At the start, then on change."""
        for picture in self._pictures:
            picture.show_alarms(alarms)

    def show_state(self, state: Mapping[str, object]) -> None:
        """What the unit does, as plain values, for outlets that show a picture."""
        for picture in self._pictures:
            picture.show_state(state)

    def show_estimate(self, estimate: Estimate) -> None:
        """The latest estimate, for outlets that show a picture."""
        for picture in self._pictures:
            picture.show_estimate(estimate)

    def health(self) -> tuple[OutletHealth, ...]:
        """The health of each outlet."""
        return tuple(outlet.health for outlet in self._outlets)

    def stop(self, grace_s: float = 2.0) -> None:
        """Let every outlet deliver what it can within ``grace_s`` [s], all at the same time, then end them."""
        leave_at = time.monotonic() + grace_s
        for outlet in self._outlets:
            outlet.ask_to_stop(grace_s)
        for outlet in self._outlets:
            outlet.stop(max(0.0, leave_at - time.monotonic()))
