"""Configuration -> the parts, wired once. :mod:`daemon.pipeline` says in which order they work."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.blocks import BlockBuilder
from analysis.conditions import Condition
from analysis.detectors import build_detectors, build_recognisers
from analysis.estimator.estimator import Estimator
from analysis.estimator.sensors import Sensors
from analysis.run_state import RunDetector
from daemon.alarms.desk import AlarmDesk
from daemon.alarms.settings import DEFAULT_RULES, AlarmRule, AlarmSettings
from daemon.calibrate import Calibrator
from daemon.config.config import Config
from daemon.framing import Framer
from daemon.pipeline import Pipeline
from daemon.sources.contract import SourceHealth
from daemon.vetting import Vetter

FRAME_S = 1.0


def build_pipeline(config: Config, health: Mapping[str, SourceHealth] | None = None, *, grace_s: float = 0.0) -> Pipeline:
    """The pipeline of one shop, fresh, without sinks. ``health`` counts what no sensor listens to; ``grace_s`` is how
    long a tick waits for slower sources (live).
    """
    return Pipeline(
        calibrator=Calibrator(config.sensors, health or {}),
        vetter=Vetter(config.sensors),
        framer=Framer(config.sensors, RunDetector(config.running), period_s=FRAME_S, grace_s=grace_s),
        estimator=Estimator(config.design, baseline=None, sensors=build_sensor_sds(config)),
        blocks=BlockBuilder(frame_s=FRAME_S),
        recognisers=build_recognisers(config.design),
        detectors=[d for d in build_detectors(config.design) if _wanted(config, d.condition)],
        desk=AlarmDesk(build_alarm_settings(config)),
    )


def build_sensor_sds(config: Config) -> Sensors:
    """Which channels are fitted, and how far one reading of each can be trusted."""
    return Sensors(sd={spec.channel: spec.sd for spec in config.sensors if spec.sd > 0.0}, period_s=FRAME_S)


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
