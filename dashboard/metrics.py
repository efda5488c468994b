"""The numbers as OpenMetrics text, for programs that collect them. The library is imported only when asked for."""

from __future__ import annotations

from analysis.conditions import Condition
from analysis.readings import CHANNELS
from dashboard.shapes import Out, dig, number, text
from dashboard.snapshot import Snapshot

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
_UNITS = {
    "pressure": "pascals",
    "current": "amperes",
    "fraction": "ratio",
    "concentration": "micrograms_per_m3",
    "temperature": "celsius",
    "voltage": "volts",
}
_ESTIMATES = (
    ("flow_m3s", "air_flow_m3_per_second", "Air through the fan."),
    ("drag_ratio", "filter_drag_over_clean_ratio", "Drag of the filter bags over that of clean ones."),
    ("flow_lost", "flow_lost_to_filter_ratio", "Share of the air that the filter costs."),
    ("air_density_kgm3", "air_density_kg_per_m3", "Density of the air."),
)
_STATES = ("off", "starting", "running", "stopping", "unknown")


def metrics_text(snapshot: Snapshot, health: Out) -> bytes:
    """Everything worth collecting. What is not known is left out, never written as 0."""
    from prometheus_client import CollectorRegistry
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, StateSetMetricFamily
    from prometheus_client.openmetrics.exposition import generate_latest

    families: list[object] = []

    def gauge(name: str, words: str, value: float | None) -> None:
        if value is not None:
            families.append(GaugeMetricFamily(f"ductwarden_{name}", words, value=value))

    for name, info in CHANNELS.items():
        base = "air_humidity" if name == "air_rh" else name if info.kind == "fraction" else name.rsplit("_", 1)[0]
        gauge(f"{base}_{_UNITS[info.kind]}", f"{info.words.capitalize()}.", number(snapshot.now, "values", name))
        gauge(f"{base}_expected_{_UNITS[info.kind]}", f"Expected: {info.words}.", number(snapshot.now, "expected", name, "value"))
    for key, name, words in _ESTIMATES:
        gauge(name, words, number(snapshot.now, "estimate", key))
    if snapshot.t is not None:
        state = text(snapshot.now, "state", default="unknown")
        families.append(
            StateSetMetricFamily("ductwarden_fan_state", "What the fan does.", value={name: name == state for name in _STATES})
        )
    gauge("frame_age_seconds", "Event time since the latest frame.", health["frame_age_s"])
    gauge("daemon_silence_seconds", "Time since the daemon last wrote.", health["heard_s"])
    gauge("memory_bytes", "Resident memory of the daemon.", number(snapshot.daemon, "memory_bytes"))
    gauge("disk_free_bytes", "Room on the disk of the store.", number(snapshot.daemon, "disk_free_bytes"))
    gauge("store_bytes", "Size of the store.", number(snapshot.daemon, "store_bytes"))

    alarms = GaugeMetricFamily("ductwarden_alarms_open", "Open alarms that want to be looked at.", labels=["condition"])
    for condition in Condition:
        loud = sum(alarm.condition is condition and alarm.state.value not in _QUIET for alarm in snapshot.alarms)
        alarms.add_metric([condition.value], loud)
    families.append(alarms)
    frames = number(snapshot.daemon, "frames")
    if frames is not None:
        families.append(CounterMetricFamily("ductwarden_frames", "Frames taken in since the start.", value=frames))
    refused = CounterMetricFamily(
        "ductwarden_refused_inputs", "Inputs refused, by source and reason.", labels=["source", "reason"]
    )
    samples = CounterMetricFamily("ductwarden_samples", "Samples that arrived, by source.", labels=["source"])
    for source in snapshot.sources:
        name = text(source, "name", default="source")
        samples.add_metric([name], number(source, "samples") or 0)
        counts = dig(source, "refused")
        for reason, count in counts.items() if isinstance(counts, dict) else ():
            refused.add_metric([name, str(reason)], count if isinstance(count, int | float) else 0)
    families += [samples, refused]

    class Once:
        def collect(self) -> list[object]:
            return families

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Once())  # type: ignore[arg-type]
    return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


_QUIET = {"normal", "shelved", "suppressed_by_design", "out_of_service"}
