"""The whole way: a simulated day in the barn through the pipeline into the store, and its record against what really was."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from analysis.energy import UNCERTAINTY
from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import Chore, Cut, Span
from analysis.plant.dust import DustState
from analysis.plant.motor import motor_from_plate
from analysis.plant.simulate import simulate
from daemon.record.gather import gather
from daemon.record.period import Month
from daemon.replaying import calibrated
from daemon.sources.contract import Sample
from daemon.store.reader import Reader
from daemon.store.writer import opened_store
from daemon.wiring import build_pipeline
from tests.daemon.record.shopping import barn

NINE = datetime(2026, 3, 3, 9, tzinfo=UTC).timestamp()


def test_a_simulated_day_against_its_truth(tmp_path: Path) -> None:
    config = barn(tmp_path)
    plant = as_built(from_design(config.design), 7)
    spans, t = [Span(NINE, NINE + 1800.0, False)], NINE + 1800.0
    for gates, minutes in ((("planer",), 14), (("bandsaw",), 14), (("bandsaw", "planer"), 10)):
        spans.append(Span(t, t + 60.0 * minutes, True, gates, (Cut(gates[0], 0.2, 0.003, 25.0, 10.0),)))
        t = spans[-1].t1
        spans.append(Span(t, t + 1200.0, False, (), (), (Chore("clean"),) if len(spans) == 4 else ()))
        t = spans[-1].t1
    drawn_j = fan_s = 0.0
    flows: dict[tuple[str, ...], list[float]] = {}
    slip = np.linspace(0.0005, 0.2, 4000)
    point = motor_from_plate(plant.motor).run(slip)
    with opened_store(config.at(config.file.store.file), config) as sink:
        pipeline = build_pipeline(calibrated(config))
        pipeline.sinks = [sink]
        for block in simulate(plant, spans, 7, state=DustState.at(plant.bags, 1.3, 0.1)):
            # Gate sensors tell the gates: whether they are told from readings alone is tested with the estimator.
            pipeline.feed([Sample("shop", float(t), dict(values), gates) for t, values, gates in block.frames()])
            truth = block.truth
            fan_s += float(truth.fan.sum()) if len(block.t) > 1 and block.t[1] - block.t[0] == 1.0 else 0.0
            steady = truth.fan & (truth.speed > 0.95)
            drawn_j += float(np.interp(truth.shaft_w[steady], point.shaft_w, point.drawn_w).sum())
            for flow, row in zip(truth.flow_m3s[steady], truth.gates[steady], strict=True):
                flows.setdefault(tuple(n for n, o in zip(block.ports, row, strict=True) if o), []).append(float(flow))
        pipeline.finish()
    with Reader(config.at(config.file.store.file)) as reader:
        found = gather(config, reader, Month.of("2026-03", UTC), t, UTC)
    assert found.run_s == pytest.approx(38 * 60.0, rel=0.02)
    assert found.run_s == pytest.approx(fan_s, rel=0.02)
    assert found.starts == 3
    assert found.energy_j == pytest.approx(drawn_j, rel=UNCERTAINTY)
    sets = {one.open_ports: one for one in found.gate_sets}
    for gates, values in flows.items():
        one = sets[tuple(sorted(gates))]
        assert one.flow_sd is not None
        # Three standard deviations of the estimate's own, which knows only the drawing.
        assert abs(one.means["flow_m3s"].value - np.mean(values)) < 3.0 * one.flow_sd
        assert one.seconds == pytest.approx(len(values), rel=0.15)
    assert [sensor.missing for sensor in found.sensors] == [{}, {}, {}]
    assert found.gaps == ()
