"""The tables of the configuration about telling: [alarm.CONDITION], the [[outlet]] tables by ``kind``, and [notices]."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from analysis.conditions import Urgency
from daemon.config.common import BrokerTable, ClockSpan, ClockTime, Name
from daemon.config.quantities import Duration, StrictModel


class AlarmTable(StrictModel):
    """[alarm.CONDITION]: how long a claim must last, and whether it is wanted at all."""

    on_delay: Duration | None = None
    off_delay: Duration | None = None
    latch: bool | None = None
    enabled: bool = True


class WantsTable(StrictModel):
    """What every [[outlet]] can say of the notices it takes: nothing less urgent than ``at_least`` ("stop", "soon" or
    "plan"); with ``escalated_only`` nothing but a "stop" that nobody answered; ``digest`` the weekly digest (default: yes,
    unless it takes escalations only)."""

    at_least: Urgency = Urgency.PLAN
    escalated_only: bool = False
    digest: bool | None = None

    @model_validator(mode="after")
    def _one_rule(self) -> WantsTable:
        if self.escalated_only and "at_least" in self.model_fields_set:
            raise ValueError("escalated_only and at_least cannot both be given: an escalation is always a stop")
        return self


class LogOutlet(WantsTable):
    """[[outlet]] kind = "log": notices into the daemon's log."""

    kind: Literal["log"]
    name: Name = "log"


class MqttOutlet(BrokerTable, WantsTable):
    """[[outlet]] kind = "mqtt": alarms (retained), the lamp and estimates onto a broker."""

    kind: Literal["mqtt"]
    name: Name = "mqtt"
    unit: Annotated[str, Field(pattern=r"^[^/+#\x00]+$")] = "unit"
    base: Annotated[str, Field(pattern=r"^[^+#\x00]+$")] = "ductwarden"


class AppriseOutlet(WantsTable):
    """[[outlet]] kind = "apprise": mail, push or chat by an apprise URL, kept in a file or a variable."""

    kind: Literal["apprise"]
    name: Name = "apprise"
    urls: tuple[str, ...] = ()
    urls_file: str | None = None
    urls_env: str | None = None


class WebhookOutlet(WantsTable):
    """[[outlet]] kind = "webhook": a JSON POST."""

    kind: Literal["webhook"]
    name: Name = "webhook"
    url: Annotated[str, Field(pattern=r"^https?://")] | None = None
    url_file: str | None = None
    secret_file: str | None = None
    secret_env: str | None = None

    @model_validator(mode="after")
    def _one_address(self) -> WebhookOutlet:
        if (self.url is None) == (self.url_file is None):
            raise ValueError("a webhook needs url, or url_file with the address in a file, and not both")
        return self


OutletTable = Annotated[LogOutlet | MqttOutlet | AppriseOutlet | WebhookOutlet, Field(discriminator="kind")]


class NoticesTable(StrictModel):
    """[notices]: when a person may be disturbed. A repeat or an escalation after "0 s" is none at all."""

    quiet_hours: ClockSpan | None = None
    repeat_stop_every: Duration | None = None
    repeat_soon_every: Duration | None = None
    escalate_after: Duration | None = None
    tell_cleared: bool = True
    tell_acknowledged: bool = False
    digest_day: Literal[
        "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday", "never"
    ] = "monday"
    digest_time: ClockTime = "06:00"
