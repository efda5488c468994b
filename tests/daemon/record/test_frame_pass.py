"""One pass over the frames, against pandas on the same rows."""

from __future__ import annotations

import random
from datetime import UTC
from typing import Any

import numpy as np
import pandas as pd
import pytest

from daemon.record.frame_pass import Sums, joined, pass_over
from daemon.record.period import Month
from daemon.store.schema import FRAME_COLUMNS

MARCH = Month.of("2026-03", UTC)
OFF, RUNNING, STARTING = 0, 1, 2


def row(t: float, state: int = RUNNING, gates: str | None = "planer", quality: str | None = None,
        **values: float) -> tuple[Any, ...]:
    """A row as the store gives it."""
    known = {"t_ms": round(t * 1000), "state": state, "gates": gates, "quality": quality, **values}
    return tuple(known.get(name) for name in FRAME_COLUMNS)


def days_of_work(seed: int) -> list[tuple[Any, ...]]:
    rng = random.Random(seed)
    rows, t = [], MARCH.start_t + 7 * 3600.0
    for _ in range(60):
        for _ in range(rng.randint(1, 40)):  # idle, a frame a minute
            t += 60.0
            rows.append(row(t, OFF, None, inlet_pa=rng.gauss(-3.0, 2.0), motor_a=rng.gauss(0.0, 0.02)))
        gates = rng.choice(["planer", "lathe", "", None, "lathe,planer"])
        for _ in range(rng.randint(30, 200)):
            t += 1.0
            values = {"inlet_pa": rng.gauss(-2100.0, 30.0), "flow_m3s": rng.gauss(0.3, 0.01)}
            if rng.random() < 0.1:
                values.pop("inlet_pa")
            rows.append(row(t, RUNNING, gates, None if "inlet_pa" in values else "inlet_pa=stuck,motor_a=silent", **values))
        if rng.random() < 0.1:
            t += rng.uniform(200.0, 90_000.0)
    return rows


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_gate_sets_zeros_missing_time_and_gaps(seed: int) -> None:
    rows = days_of_work(seed)
    seen = pass_over(iter(rows), MARCH)
    table = pd.DataFrame(rows, columns=list(FRAME_COLUMNS))
    table["t"] = table["t_ms"] / 1000.0
    table["step"] = table["t"].diff().fillna(0.0).clip(upper=10.0)
    running = table[table["state"] == RUNNING]
    wanted = running.groupby("gates", dropna=False)
    assert len(seen.gates) == wanted.ngroups
    for gates, part in wanted:
        found = seen.gates[None if pd.isna(gates) else str(gates)]
        assert found.seconds == pytest.approx(part["step"].sum())
        for name in ("inlet_pa", "flow_m3s"):
            mean = found.mean(name)
            assert mean is not None
            assert mean.n == part[name].count()
            assert mean.value == pytest.approx(part[name].mean())
            assert mean.sd == pytest.approx(part[name].std(ddof=0))
        assert found.mean("filter_pa") is None
    stuck = running[running["quality"].notna()]["step"].sum()
    assert seen.missing["inlet_pa"]["stuck"] == pytest.approx(stuck)
    assert seen.missing["motor_a"]["silent"] == pytest.approx(stuck)
    late = table["t"].diff() > 180.0
    assert [gap.end_t for gap in seen.gaps] == list(table["t"][late])
    assert (seen.first_t, seen.last_t) == (table["t"].iloc[0], table["t"].iloc[-1])


def test_the_zero_is_looked_for_a_minute_after_the_fan_has_stopped() -> None:
    t = MARCH.start_t + 3600.0
    rows = [row(t + s, OFF, inlet_pa=-40.0 if s < 60 else -4.0, filter_pa=2.0) for s in range(0, 301, 20)]
    seen = pass_over(iter(rows), MARCH)
    assert {name: joined(days.values()) for name, days in seen.rest.items()}["inlet_pa"].value == -4.0  # type: ignore[union-attr]
    assert set(seen.rest) == {"inlet_pa", "filter_pa"}
    assert seen.gates == {}


def test_sums_put_together_are_the_sums_of_all() -> None:
    rng = random.Random(5)
    lots = [[rng.gauss(-2000.0 * k, 3.0) for _ in range(k)] for k in (0, 1, 7, 300)]
    sums = []
    for lot in lots:
        one = Sums()
        for value in lot:
            one.add(value)
        sums.append(one)
    both, everything = joined(sums), np.concatenate(lots)
    assert both is not None
    assert (both.n, both.value) == (308, pytest.approx(everything.mean()))
    assert both.sd == pytest.approx(everything.std())
    assert joined([]) is None
