"""EWMA and CUSUM charts against the worked examples of the NIST/SEMATECH e-Handbook and published run lengths."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.stats.arl import cusum_arl, ewma_arl
from analysis.stats.cusum import Cusum
from analysis.stats.ewma import Ewma

# NIST/SEMATECH e-Handbook 6.3.2.4 (data and averages from memory; the upper limit and the whole row of averages
# follow from the data by the handbook's method, target 50, s 2.0539, lambda 0.3, k 3).
EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
             53.6, 52.1]
EWMA_ROW = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
            49.92, 50.73, 51.23, 51.94, 51.99]

# NIST/SEMATECH e-Handbook 6.3.2.3 (from memory; the sums follow from the data by the handbook's recursion).
CUSUM_DATA = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625,
              325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
CUSUM_HIGH = [0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.9400, 7.4475, 10.6300, 11.9875, 14.4450,
              16.0025, 19.0350]


def test_ewma_follows_the_handbook_example_and_stays_inside_its_limits() -> None:
    chart = Ewma(target=50.0, sd=2.0539, share=0.3, width=3.0)
    row = [chart.update(x) for x in EWMA_DATA]
    assert row == pytest.approx(EWMA_ROW, abs=0.006)
    assert chart.target + chart.half_width() == pytest.approx(52.5884, abs=1e-3)
    assert chart.target - chart.half_width() == pytest.approx(47.4115, abs=1e-3)
    assert chart.signal == 0


def test_cusum_signals_at_sample_14_of_the_handbook_example() -> None:
    chart = Cusum(target=325.0, k=0.3175, h=4.1959)
    highs, lows, signals = [], [], []
    for x in CUSUM_DATA:
        chart.update(x)
        highs.append(chart.high)
        lows.append(chart.low)
        signals.append(chart.signal)
    assert highs == pytest.approx(CUSUM_HIGH, abs=1e-4)
    assert [lows[i] for i in (1, 3, 6, 7, 8, 9, 10)] == pytest.approx(
        [0.0075, 0.3325, 0.5575, 0.7150, 0.1725, 0.2550, 0.3125], abs=1e-4)
    assert signals.index(1) == 13
    assert set(signals[:13]) == {0}
    assert chart.since_high == 8  # the change began at the 13th sample


# Two-sided CUSUM, k 0.5: NIST/SEMATECH e-Handbook 6.3.2.3.1 (table from memory; Montgomery prints the same row).
@pytest.mark.parametrize(("shift", "at_h4", "at_h5"), [
    (0.0, 167.7, 465.4), (0.25, 74.2, 139.5), (0.5, 26.6, 38.0), (0.75, 13.3, 17.1), (1.0, 8.38, 10.38),
    (1.5, 4.75, 5.75), (2.0, 3.34, 4.01), (3.0, 2.19, 2.57)])
def test_cusum_run_lengths_of_the_handbook(shift: float, at_h4: float, at_h5: float) -> None:
    assert cusum_arl(shift, 0.5, 4.0) == pytest.approx(at_h4, rel=0.01)
    assert cusum_arl(shift, 0.5, 5.0) == pytest.approx(at_h5, rel=0.01)


def test_one_sided_run_length_is_twice_the_two_sided_one_in_control() -> None:
    assert cusum_arl(0.0, 0.5, 4.0, two_sided=False) == pytest.approx(335.4, rel=0.01)
    assert cusum_arl(0.0, 0.5, 5.0, two_sided=False) == pytest.approx(930.9, rel=0.01)


# Lucas and Saccucci, Technometrics 32 (1990) 1-12, as printed by Montgomery (recomputed).
@pytest.mark.parametrize(("share", "width", "lengths"), [
    (0.05, 2.615, (500, 84.0, 28.8, 11.4, 5.2)), (0.1, 2.814, (500, 106.3, 31.3, 10.3, 4.4)),
    (0.2, 2.962, (500, 150.2, 41.8, 10.5, 3.7)), (0.25, 2.998, (500, 170.3, 48.3, 11.1, 3.6)),
    (0.4, 3.054, (500, 223.7, 71.2, 14.3, 3.5))])
def test_ewma_run_lengths_of_lucas_and_saccucci(share: float, width: float, lengths: tuple[float, ...]) -> None:
    found = [ewma_arl(shift, share, width) for shift in (0.0, 0.25, 0.5, 1.0, 2.0)]
    assert found == pytest.approx(lengths, rel=0.015)


# S. V. Crowder, Journal of Quality Technology 21 (1989): two-sided, in-control run length 250.
@pytest.mark.parametrize(("share", "width"), [(0.05, 2.32), (0.10, 2.55), (0.15, 2.65), (0.20, 2.72), (0.25, 2.76)])
def test_ewma_widths_of_crowder_give_250(share: float, width: float) -> None:
    assert ewma_arl(0.0, share, width) == pytest.approx(250.0, rel=0.03)  # widths are printed to two decimals


def test_the_charts_themselves_run_as_long_as_the_integral_equations_say() -> None:
    rng = np.random.default_rng(7)
    cusum_lengths, ewma_lengths = [], []
    for _ in range(600):
        cusum, ewma = Cusum(0.0, 0.5, 4.0), Ewma(0.0, 1.0, 0.2, 2.962)
        samples = iter(rng.normal(1.0, 1.0, 400).tolist())
        n = 0
        seen: dict[str, int] = {}
        while len(seen) < 2:
            n += 1
            x = next(samples)
            cusum.update(x)
            ewma.update(x)
            if cusum.signal:
                seen.setdefault("cusum", n)
            if ewma.signal:
                seen.setdefault("ewma", n)
        cusum_lengths.append(seen["cusum"])
        ewma_lengths.append(seen["ewma"])
    for lengths, expected in ((cusum_lengths, 8.38), (ewma_lengths, 10.5)):
        mean, error = float(np.mean(lengths)), float(np.std(lengths) / np.sqrt(len(lengths)))
        assert abs(mean - expected) < 3.5 * error


def test_correlated_noise_makes_a_chart_cry_wolf_and_blocks_do_not() -> None:
    """Why blocks are used: noise with lag-one correlation 0.9 alarms far more often than the tables promise."""
    rng = np.random.default_rng(3)
    noise = np.empty(40_000)
    noise[0] = 0.0
    steps = rng.normal(0.0, np.sqrt(1.0 - 0.9**2), noise.size).tolist()
    for i in range(1, noise.size):
        noise[i] = 0.9 * noise[i - 1] + steps[i]

    def alarms(values: np.ndarray) -> int:
        chart, count = Cusum(0.0, 0.5, 5.0), 0
        for x in (values / values.std()).tolist():
            chart.update(x)
            if chart.signal:
                count += 1
                chart.reset()
        return count

    blocks = noise.reshape(-1, 100).mean(axis=1)
    assert alarms(noise) > 10 * noise.size / 465.4
    assert alarms(blocks) <= 2 + 3 * blocks.size / 465.4


@pytest.mark.parametrize(
    ("share", "sd", "width"), [(0.0, 1.0, 3.0), (1.1, 1.0, 3.0), (0.2, 0.0, 3.0), (0.2, 1.0, -1.0)])
def test_ewma_refuses_impossible_settings(share: float, sd: float, width: float) -> None:
    with pytest.raises(ValueError, match="is"):
        Ewma(0.0, sd, share, width)


def test_cusum_refuses_impossible_settings() -> None:
    with pytest.raises(ValueError, match="h must be positive"):
        Cusum(0.0, 0.5, 0.0)


def test_exact_ewma_limits_start_narrow_and_reach_the_fixed_ones() -> None:
    chart = Ewma(0.0, 1.0, 0.2, 3.0, exact=True)
    fixed = Ewma(0.0, 1.0, 0.2, 3.0).half_width()
    chart.update(0.0)
    assert chart.half_width() == pytest.approx(3.0 * 0.2)
    for _ in range(60):
        chart.update(0.0)
    assert chart.half_width() == pytest.approx(fixed, rel=1e-6)
