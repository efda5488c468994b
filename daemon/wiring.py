"""Configuration -> the parts, wired once. :mod:`daemon.pipeline` says in which order they work."""

from __future__ import annotations

import time
from collections.abc import Mapping

from analysis.baseline.model import Baseline
from analysis.blocks import BlockBuilder
from analysis.conditions import Condition
from analysis.detectors import build_detectors, build_recognisers
from analysis.detectors.limits import Limits
from analysis.duct.design import DuctDesign
from analysis.duct.tree import upstream_ports
from analysis.estimator.estimator import Estimator
from analysis.estimator.sensors import Sensors
from analysis.run_state import RunDetector
from daemon.alarms.desk import AlarmDesk
from daemon.alarms.settings import DEFAULT_RULES, AlarmRule, AlarmSettings
from daemon.calibrate import Calibrator
from daemon.config.config import Config
from daemon.framing import Framer, LiveFramer
from daemon.outlets.tables import minute_of_day
from daemon.pipeline import Pipeline
from daemon.sources.contract import SourceHealth
from daemon.vetting import Vetter

FRAME_S = 1.0


def build_pipeline(
    config: Config, health: Mapping[str, SourceHealth] | None = None, *, grace_s: float = 0.0,
    baseline: Baseline | None = None,
) -> Pipeline:
    """The pipeline of one shop, fresh, without sinks. ``health`` counts what no sensor listens to. ``grace_s`` is how long
    a tick waits for slower sources by the daemon's clock; 0 for sources that bring their own time (a recording).
    """
    fitted = tuple(spec.channel for spec in config.sensors)
    runs = RunDetector(config.running)
    every = build_detectors(config.design, fitted, build_limits(config), baseline)
    detectors = [detector for detector in every if _wanted(config, detector.condition)]
    return Pipeline(
        calibrator=Calibrator(config.sensors, health or {}),
        vetter=Vetter(config.sensors),
        framer=LiveFramer(config.sensors, runs, period_s=FRAME_S, grace_s=grace_s) if grace_s > 0.0
        else Framer(config.sensors, runs, period_s=FRAME_S),
        estimator=Estimator(config.design, baseline=baseline, sensors=build_sensor_sds(config)),
        blocks=BlockBuilder(frame_s=FRAME_S),
        recognisers=build_recognisers(every),
        detectors=detectors,
        desk=AlarmDesk(build_alarm_settings(config)),
        related=build_related(config.design),
    )


def build_sensor_sds(config: Config) -> Sensors:
    """Which channels are fitted, and how far one reading of each can be trusted."""
    return Sensors(sd={spec.channel: spec.sd for spec in config.sensors if spec.sd > 0.0}, period_s=FRAME_S)


def build_related(design: DuctDesign) -> dict[str, set[str]]:
    """Run -> the ports whose air passes through it, and port -> the runs that its air passes through."""
    related = {name: set(upstream_ports(design, name)) for name in design.run_names}
    for run, ports in list(related.items()):
        for port in ports:
            related.setdefault(port, set()).add(run)
    return related


def build_limits(config: Config) -> Limits:
    """What the owner agreed to, with the shop's hours by the computer's own time zone."""
    table, hours = config.file.limits, config.file.shop.hours
    return Limits(
        idle_run_s=table.idle_run,
        hours=None if hours is None else (minute_of_day(hours[0]), minute_of_day(hours[1])),
        out_of_hours_s=table.out_of_hours,
        starts_per_hour=table.starts_per_hour,
        overload_margin=table.overload_margin,
        suction_lost=table.suction_lost,
        local_minute=local_minute,
    )


def local_minute(t: float) -> tuple[int, int]:
    """Weekday (Monday 0) and minute of the day at event time ``t`` by the computer's time zone."""
    local = time.localtime(t)
    return local.tm_wday, local.tm_hour * 60 + local.tm_min


def build_alarm_settings(config: Config) -> AlarmSettings:
    """The default rules with the owner's changes."""
    rules: dict[Condition, AlarmRule] = dict(DEFAULT_RULES)
    for condition, table in config.file.alarm.items():
        usual = rules[condition]
        rules[condition] = AlarmRule(
            on_s=usual.on_s if table.on_delay is None else table.on_delay,
            off_s=usual.off_s if table.off_delay is None else table.off_delay,
            latch=usual.latch if table.latch is None else table.latch,
            re_alarm_s=usual.re_alarm_s,
            counts_off_time=usual.counts_off_time,
            raise_at=usual.raise_at,
            keep_at=usual.keep_at,
            reason=usual.reason,
        )
    return AlarmSettings(rules=rules)


def _wanted(config: Config, condition: Condition) -> bool:
    table = config.file.alarm.get(condition)
    return table is None or table.enabled
