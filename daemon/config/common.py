"""What tables of several kinds share: a name, a time of day, and how a broker is met."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import Field

from daemon.config.quantities import StrictModel

Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]
_CLOCK = re.compile(r"^([01]\d|2[0-3]):[0-5]\d$")


def clock_time(text: str) -> str:
    """The text again where it is a time of day, hours and minutes of the 24-hour clock; ValueError otherwise.

    >>> clock_time("06:30")
    '06:30'
    """
    if not _CLOCK.match(text):
        raise ValueError(f"{text!r} is not a time of day; write it as '06:30'")
    return text


class TlsTable(StrictModel):
    """TLS of a broker."""

    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    insecure: bool = False


class BrokerTable(StrictModel):
    """Where a broker is met, and as whom."""

    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    version: Literal["3.1.1", "5"] = "3.1.1"
    user: str | None = None
    password_file: str | None = None
    password_env: str | None = None
    tls: TlsTable | None = None
