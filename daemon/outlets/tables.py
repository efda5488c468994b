"""[[outlet]] and [notices] tables -> settings."""

from __future__ import annotations

from analysis.conditions import Urgency
from daemon.alarms.settings import NoticeSettings, QuietHours
from daemon.config.config import Config
from daemon.config.telling import AppriseOutlet, LogOutlet, MqttOutlet, OutletTable
from daemon.errors import ConfigError, OutletError
from daemon.outlets.settings import (
    AppriseOutletSettings,
    LogOutletSettings,
    MqttOutletSettings,
    OutletSettings,
    Secret,
    Wants,
    WebhookOutletSettings,
)
from daemon.weekly import DAYS


def outlet_settings(config: Config) -> list[OutletSettings]:
    """The settings of every outlet. Raises :class:`ConfigError`."""
    settings: list[OutletSettings] = []
    problems: list[str] = []
    for index, table in enumerate(config.file.outlet):
        try:
            settings.append(_settings(config, table))
        except ValueError as error:
            problems.append(f"{config.path}: outlet {index + 1} ({table.name}): {error}")
    names = [one.name for one in settings]
    problems += [
        f"{config.path}: outlet: two outlets are named {name!r}; each needs a name of its own"
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    if problems:
        raise ConfigError(problems)
    return settings


def notice_settings(config: Config) -> NoticeSettings:
    """When a person is told, and in whose units."""
    table, usual = config.file.notices, NoticeSettings()
    quiet = None
    if table.quiet_hours is not None:
        quiet = QuietHours(minute_of_day(table.quiet_hours[0]), minute_of_day(table.quiet_hours[1]))
    repeat = dict(usual.repeat_s)
    if table.repeat_stop_every is not None:
        repeat[Urgency.STOP] = table.repeat_stop_every or None
    if table.repeat_soon_every is not None:
        repeat[Urgency.SOON] = table.repeat_soon_every or None
    return NoticeSettings(
        shop=config.file.shop.name, units=config.units, quiet=quiet, repeat_s=repeat,
        escalate_after_s=usual.escalate_after_s if table.escalate_after is None else table.escalate_after or None,
        tell_cleared=table.tell_cleared, tell_acknowledged=table.tell_acknowledged,
    )


def digest_moment(config: Config) -> tuple[int, int] | None:
    """When the weekly digest is due: weekday (Monday 0) and minute of the day. None: the owner wants none, or no outlet
    takes it."""
    table = config.file.notices
    if table.digest_day == "never" or not any(one.wants.digest for one in outlet_settings(config)):
        return None
    return DAYS.index(table.digest_day), minute_of_day(table.digest_time)


def minute_of_day(text: str) -> int:
    """Minutes after midnight of ``HH:MM``.

    >>> minute_of_day("06:30")
    390
    """
    hours, minutes = text.split(":")
    return int(hours) * 60 + int(minutes)


def _wants(table: OutletTable) -> Wants:
    digest = table.digest if table.digest is not None else not table.escalated_only
    return Wants(at_least=table.at_least, escalated_only=table.escalated_only, digest=digest)


def _settings(config: Config, table: OutletTable) -> OutletSettings:
    wants = _wants(table)
    if isinstance(table, LogOutlet):
        return LogOutletSettings(table.name, wants=wants)
    if isinstance(table, MqttOutlet):
        return MqttOutletSettings(
            host=table.host, port=table.port, name=table.name, base=table.base, unit=table.unit, version=table.version,
            username=table.user, password=_secret(config, table.password_file, table.password_env),
            tls=table.tls.placed(config) if table.tls else None,
            wants=wants,
        )
    if isinstance(table, AppriseOutlet):
        urls = _secret(config, table.urls_file, table.urls_env)
        return AppriseOutletSettings(table.urls, urls, table.name, wants=wants)
    secret = _secret(config, table.secret_file, table.secret_env)
    return WebhookOutletSettings(table.url or _read(_secret(config, table.url_file, None)), table.name, secret, wants=wants)


def _read(secret: Secret | None) -> str:
    try:
        return "" if secret is None else secret.read()
    except OutletError as error:
        raise ValueError(str(error)) from error


def _secret(config: Config, file: str | None, env: str | None) -> Secret | None:
    if file is None and env is None:
        return None
    return Secret(file=_path(config, file), env=env)


def _path(config: Config, name: str | None) -> str | None:
    return None if name is None else str(config.at(name))
