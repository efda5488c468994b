"""Checks that run by themselves, on the plant model's healthy day and on readings that were spoilt on purpose."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis import self_checks
from analysis.blocks import Stat
from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import steady
from analysis.plant.simulate import simulate
from daemon.config.load import load

DESIGN = load(Path(__file__).parents[2] / "daemon" / "demo" / "chair-barn.toml").design
SDS = {"inlet_pa": 10.0, "filter_pa": 5.0, "motor_a": 0.1}
CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
FULL_A = 11.2


def seconds(ports: list[str], seed: int) -> Iterator[dict[str, float]]:
    """Two minutes of a shop that was built within the usual tolerances of its drawing, after a minute of rest."""
    plant = as_built(from_design(DESIGN), seed)
    script = steady(ports, 1_790_000_000.0, 120.0, [], idle_s=60.0)
    for block in simulate(plant, script, seed, channels=CHANNELS, idle_step_s=1.0):
        for _, values, _ in block.frames():
            yield values


@pytest.fixture(scope="module")
def stats() -> dict[str, dict[str, Stat | None]]:
    return watched(5)


def watched(seed: int) -> dict[str, dict[str, Stat | None]]:
    """Rest, running with all gates shut, running with the planer open."""
    shut, planer = list(seconds([], seed)), list(seconds(["planer"], seed))

    def columns(rows: list[dict[str, float]]) -> dict[str, Stat | None]:
        return {channel: self_checks.stat(row[channel] for row in rows) for channel in CHANNELS}

    rest = [row for row in shut if row["motor_a"] < 1.0][:50]
    return {
        "rest": columns(rest),
        "shut": columns([row for row in shut if row["motor_a"] > 3.0][20:80]),
        "planer": columns([row for row in planer if row["motor_a"] > 3.0][20:80]),
    }


def every(stats: dict[str, dict[str, Stat | None]]) -> list[self_checks.Check]:
    rest, running = stats["rest"], stats["planer"]
    shut = {channel: stat for channel, stat in stats["shut"].items() if stat is not None}
    return [
        *(self_checks.zero_at_rest(c, rest[c], SDS[c]) for c in ("inlet_pa", "filter_pa")),
        self_checks.current_at_rest(rest["motor_a"], FULL_A, SDS["motor_a"]),
        *(self_checks.signs(c, running[c]) for c in ("inlet_pa", "filter_pa")),
        *(self_checks.pulsation(c, running[c]) for c in ("inlet_pa", "filter_pa")),
        self_checks.current_in_range(running["motor_a"], FULL_A, 1.15),
        *self_checks.shut_off(DESIGN, shut, SDS),
    ]


def spoilt(stats: dict[str, dict[str, Stat | None]], channel: str, scale: float = 1.0, offset: float = 0.0) -> dict[
    str, dict[str, Stat | None]
]:
    """The same with one channel read wrongly."""
    def wrong(stat: Stat | None) -> Stat:
        assert stat is not None
        ends = sorted((scale * stat.low + offset, scale * stat.high + offset))
        step = None if stat.step_rms is None else abs(scale) * stat.step_rms
        return Stat(stat.count, scale * stat.mean + offset, ends[0], ends[1], step)

    return {when: {c: wrong(s) if c == channel else s for c, s in row.items()} for when, row in stats.items()}


def said(checks: list[self_checks.Check]) -> set[tuple[str, str]]:
    return {(check.name, check.channel) for check in checks if check.verdict == "look"}


@pytest.mark.parametrize("seed", range(1, 9))
def test_a_healthy_unit_passes_every_check(seed: int) -> None:
    checks = every(watched(seed))
    assert [check for check in checks if check.verdict != "good"] == []
    assert self_checks.looks(checks) == 0
    assert {check.kind for check in checks} == {"pressure", "current"}


def test_swapped_tubes(stats: dict[str, dict[str, Stat | None]]) -> None:
    wrong = said(every(spoilt(stats, "inlet_pa", scale=-1.0)))
    assert ("sign while running", "inlet_pa") in wrong
    assert ("all gates shut", "inlet_pa") in wrong


@pytest.mark.parametrize("scale", [1.3, 0.75])
def test_a_wrong_span_shows_at_shut_off(stats: dict[str, dict[str, Stat | None]], scale: float) -> None:
    assert said(every(spoilt(stats, "inlet_pa", scale=scale))) == {("all gates shut", "inlet_pa")}


def test_a_wrong_unit_shows_at_shut_off(stats: dict[str, dict[str, Stat | None]]) -> None:
    """Hectopascals taken for pascals: everything else still looks right."""
    assert ("all gates shut", "inlet_pa") in said(every(spoilt(stats, "inlet_pa", scale=0.01)))


def test_zeros(stats: dict[str, dict[str, Stat | None]]) -> None:
    small = every(spoilt(stats, "filter_pa", offset=25.0))
    zero = next(c for c in small if (c.name, c.channel) == ("zero at rest", "filter_pa"))
    assert zero.verdict == "good"
    assert "taken off by itself" in zero.words
    assert ("zero at rest", "filter_pa") in said(every(spoilt(stats, "filter_pa", offset=60.0)))
    assert ("current at rest", "motor_a") in said(every(spoilt(stats, "motor_a", offset=0.6)))


def test_a_transformer_whose_ratio_is_written_wrong(stats: dict[str, dict[str, Stat | None]]) -> None:
    low, high = every(spoilt(stats, "motor_a", scale=0.2)), every(spoilt(stats, "motor_a", scale=2.0))
    assert ("current while running", "motor_a") in said(low)
    assert ("current while running", "motor_a") in said(high)
    assert ("all gates shut", "motor_a") in said(high)


def test_a_plugged_tube(stats: dict[str, dict[str, Stat | None]]) -> None:
    still = self_checks.stat([-2480.0 + 0.1 * (n % 2) for n in range(60)])
    check = self_checks.pulsation("inlet_pa", still)
    assert check.verdict == "look"
    assert check.found == pytest.approx(0.1)


def test_nothing_to_look_at_is_not_yet_known() -> None:
    few = self_checks.stat([1.0, 2.0, 3.0])
    assert self_checks.stat([]) is None
    assert few == Stat(3, 2.0, 1.0, 3.0, 1.0)
    for none in (None, few):
        checks = every({when: dict.fromkeys(CHANNELS, none) for when in ("rest", "shut", "planer")})
        assert {check.verdict for check in checks} == {"not yet known"}
        assert all(check.found is None and check.words for check in checks)
