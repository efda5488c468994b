"""What tables of several kinds share: a name, a time of day, and how a broker is met."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from daemon.config.quantities import StrictModel

if TYPE_CHECKING:
    from daemon.config.config import Config

Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]
_CLOCK = re.compile(r"^(\d{1,2})(?:[:.h](\d{2}))?\s*(am|pm)?$", re.IGNORECASE)
_SPAN = re.compile(r"\s*(?:\bto\b|\buntil\b|\btill\b|\band\b|[-–—,])\s*", re.IGNORECASE)


def clock_time(text: str) -> str:
    """A time of day on the 24-hour clock, however it is written; ValueError for anything else.

    >>> clock_time("06:30"), clock_time("7 pm"), clock_time("7.15")
    ('06:30', '19:00', '07:15')
    """
    match = _CLOCK.match(text.strip())
    hour, minute = (int(match.group(1)), int(match.group(2) or 0)) if match else (24, 0)
    if match and match.group(3):
        hour = hour % 12 + (12 if match.group(3).lower() == "pm" else 0) if 1 <= hour <= 12 else 24
    if hour > 23 or minute > 59:
        raise ValueError(f"{text!r} is not a time of day; write it as '06:30'")
    return f"{hour:02d}:{minute:02d}"


def clock_span(value: Any) -> tuple[str, str]:
    """Two times of day from one text or a list of two texts; ValueError for anything else.

    >>> clock_span("6:30 to 19:00"), clock_span("06:30-19")
    (('06:30', '19:00'), ('06:30', '19:00'))
    """
    parts = [part for part in _SPAN.split(value) if part] if isinstance(value, str) else value
    if not isinstance(parts, list | tuple) or len(parts) != 2 or not all(isinstance(part, str) for part in parts):
        raise ValueError(f"{value!r} is not two times of day; write '06:30 to 19:00' or [\"06:30\", \"19:00\"]")
    begin, end = (clock_time(part) for part in parts)
    return begin, end


ClockTime = Annotated[str, AfterValidator(clock_time)]
ClockSpan = Annotated[tuple[str, str], BeforeValidator(clock_span)]
"""Two times of day: "06:30 to 19:00" or ["06:30", "19:00"]."""


class TlsTable(StrictModel):
    """TLS of a broker. ``ca_file`` None trusts the system's authorities. ``insecure`` takes any certificate: health and log say
    so as long as it lasts, because anybody in between could then read and invent readings."""

    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    insecure: bool = False

    @model_validator(mode="after")
    def _pair(self) -> TlsTable:
        if self.key_file is not None and self.cert_file is None:
            raise ValueError("key_file is given without cert_file")
        return self

    def placed(self, config: Config) -> TlsTable:
        """With its files looked for beside the configuration."""
        files = {key: getattr(self, key) for key in ("ca_file", "cert_file", "key_file")}
        return self.model_copy(update={key: str(config.at(name)) for key, name in files.items() if name is not None})


class BrokerTable(StrictModel):
    """Where a broker is met, and as whom. The password is the first line of a file or an environment variable, read anew at every
    connection and never part of the settings."""

    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    version: Literal["3.1.1", "5"] = "3.1.1"
    user: str | None = None
    password_file: str | None = None
    password_env: str | None = None
    tls: TlsTable | None = None

    @model_validator(mode="after")
    def _password(self) -> Self:
        if self.password_file is not None and self.password_env is not None:
            raise ValueError("password_file and password_env are both given; one is enough")
        if self.user is None and (self.password_file is not None or self.password_env is not None):
            raise ValueError("a password is given without a user")
        return self
