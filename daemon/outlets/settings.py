"""What each outlet needs to know: frozen settings, checked when they are made, secrets never in their text.

The configuration builds these from the owner's file. A setting that cannot work raises ``ValueError`` with a sentence
that says what was found and what is allowed. Nothing here opens anything; secrets are read by the outlet's own thread.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from analysis.conditions import Urgency
from daemon.config.common import TlsTable
from daemon.errors import OutletError


def _need(good: bool, sentence: str) -> None:
    if not good:
        raise ValueError(sentence)


@dataclass(frozen=True, slots=True)
class Secret:
    """Something not to be shown: from a file, an environment variable, or (never printed) as it stands."""

    file: str | None = None
    env: str | None = None
    text: str | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        given = sum(x is not None for x in (self.file, self.env, self.text))
        _need(given == 1, f"a secret is given {given} times; give exactly one of a file, a variable or a text")

    def read(self) -> str:
        """The secret, without white space around it. Raises OutletError that names the place, never the content."""
        try:
            found = self.text if self.file is None else Path(self.file).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise OutletError(f"cannot read the secret in {self.file}: {type(error).__name__}") from None
        if self.env is not None:
            found = os.environ.get(self.env)
        if not (found or "").strip():
            raise OutletError(f"the secret in {self.file or self.env or 'the settings'} is empty or missing")
        return (found or "").strip()


@dataclass(frozen=True, slots=True)
class QueueSettings:
    """How an outlet waits: ``room`` notices at most, none older than ``stale_s`` [s]; pauses between tries double from
    ``first_s`` to ``cap_s`` [s]; what the other side refuses outright is tried ``refusals`` times."""

    room: int = 200
    stale_s: float = 6 * 3600.0
    first_s: float = 1.0
    cap_s: float = 300.0
    refusals: int = 3

    def __post_init__(self) -> None:
        _need(1 <= self.room <= 100_000, f"room is {self.room}; allowed are 1 to 100000")
        _need(self.stale_s > 0.0, f"stale_s is {self.stale_s}; allowed: more than 0 s")
        _need(0.0 < self.first_s <= self.cap_s,
              f"pauses from {self.first_s} to {self.cap_s} s; allowed: 0 < first <= cap")
        _need(self.refusals >= 1, f"refusals is {self.refusals}; allowed: 1 or more")


@dataclass(frozen=True, slots=True)
class Wants:
    """Which notices an outlet takes: nothing less urgent than ``at_least``; with ``escalated_only`` nothing but
    escalations; ``digest`` the weekly digest."""

    at_least: Urgency = Urgency.PLAN
    escalated_only: bool = False
    digest: bool = True

    def takes(self, event: str, urgency: Urgency) -> bool:
        """Whether a notice of this event and urgency is wanted."""
        if event == "digest":
            return self.digest
        if self.escalated_only:
            return event == "escalated"
        order = (Urgency.PLAN, Urgency.SOON, Urgency.STOP)
        return order.index(urgency) >= order.index(self.at_least)


@dataclass(frozen=True, slots=True)
class LogOutletSettings:
    """Notices into the daemon's log."""

    name: str = "log"
    queue: QueueSettings = field(default_factory=QueueSettings)
    wants: Wants = field(default_factory=Wants)


@dataclass(frozen=True, slots=True)
class MqttOutletSettings:
    """Alarms, lamp, state and estimates onto a broker, under ``base/unit/...``.

    ``estimate_every_s`` [s of event time] thins the estimates. ``version`` is "3.1.1" or "5".
    """

    host: str
    port: int = 1883
    name: str = "mqtt"
    base: str = "ductwarden"
    unit: str = "unit"
    version: Literal["3.1.1", "5"] = "3.1.1"
    client_id: str = ""
    username: str | None = None
    password: Secret | None = None
    tls: TlsTable | None = None
    keepalive_s: int = 30
    estimate_every_s: float = 5.0
    reconnect_cap_s: int = 60
    queue: QueueSettings = field(default_factory=QueueSettings)
    wants: Wants = field(default_factory=Wants)

    def __post_init__(self) -> None:
        _need(bool(self.host), f"outlet {self.name!r} names no broker")
        _need(0 < self.port < 65536, f"port is {self.port}; allowed are 1 to 65535")
        _need(self.version in ("3.1.1", "5"), f"version is {self.version!r}; allowed are 3.1.1 and 5")
        for what, text in (("base", self.base), ("unit", self.unit)):
            _need(bool(text) and not set("+#\0") & set(text) and not text.startswith(("/", "$")),
                  f"{what} is {text!r}; it must not be empty, begin with / or $, or hold + or #")
        _need("/" not in self.unit, f"unit is {self.unit!r}; it must be one level, without /")
        _need(self.password is None or self.username is not None, "a password is given without a username")
        _need(5 <= self.keepalive_s <= 3600, f"keepalive_s is {self.keepalive_s}; allowed are 5 to 3600")
        _need(self.estimate_every_s >= 0.0, f"estimate_every_s is {self.estimate_every_s}; allowed: 0 s or more")
        _need(self.reconnect_cap_s >= 1, f"reconnect_cap_s is {self.reconnect_cap_s}; allowed: 1 s or more")


@dataclass(frozen=True, slots=True)
class AppriseOutletSettings:
    """Mail, push or chat by apprise's addresses. They hold passwords: they are never shown, logged or stored.

    ``urls`` as given, ``more`` a secret with one address a line (lines that begin with # are left out).
    """

    urls: tuple[str, ...] = field(default=(), repr=False)
    more: Secret | None = None
    name: str = "apprise"
    queue: QueueSettings = field(default_factory=QueueSettings)
    wants: Wants = field(default_factory=Wants)

    def __post_init__(self) -> None:
        _need(bool(self.urls) or self.more is not None, f"outlet {self.name!r} has no address to send to")


@dataclass(frozen=True, slots=True)
class WebhookOutletSettings:
    """A JSON POST to ``url`` for each notice, signed if there is a ``secret``; ``timeout_s`` [s] for each step."""

    url: str = field(repr=False)
    name: str = "webhook"
    secret: Secret | None = None
    timeout_s: float = 10.0
    tls_ca_file: str | None = None
    queue: QueueSettings = field(default_factory=QueueSettings)
    wants: Wants = field(default_factory=Wants)

    def __post_init__(self) -> None:
        try:
            parts = urlsplit(self.url)
            usable = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
        except ValueError:
            usable = False
        _need(usable, f"outlet {self.name!r}: its url is not one of http:// or https:// with a host")
        _need(0.1 <= self.timeout_s <= 60.0, f"timeout_s is {self.timeout_s}; allowed are 0.1 to 60 s")


OutletSettings = LogOutletSettings | MqttOutletSettings | AppriseOutletSettings | WebhookOutletSettings
