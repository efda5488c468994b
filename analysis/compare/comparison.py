"""The whole comparison of two periods: what changed, what explains it, what was drawn, and whether it is enough."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.baseline.model import Baseline
from analysis.compare.enough import Enough, enough
from analysis.compare.fit import fit
from analysis.compare.fitted import Fits
from analysis.compare.grouping import regrouped
from analysis.compare.judge import ChartPoint, MeasureChange, SetJudged, fan_line, judge
from analysis.compare.mixture import Interval
from analysis.compare.predicted import gap, predicted
from analysis.compare.resample import Plain, plain_change
from analysis.compare.stretch import Gates, Gathered, Stretch
from analysis.compare.unknowns import Assumed
from analysis.duct.design import DuctDesign
from analysis.estimator.sensors import MEASURED

SHORTEST_SIDE_S = 40.0
"""Running seconds that a gate set needs on each side (a step of a tour is that long)."""


@dataclass(frozen=True, slots=True)
class Period:
    """One side: event times, running seconds that could be used, runs, and seconds left out by reason."""

    began_t: float
    ended_t: float
    seconds: float
    runs: int
    left_out_s: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Drawn:
    """What the engine said of a measure: the relative change, and measured less drawn."""

    change: Interval
    gap: Interval


@dataclass(frozen=True, slots=True)
class SetCompared:
    """One gate set: the judged measures, the plain means of the readings with their block bootstrap, what was drawn (by
    measure and place), whether it is enough (by port), block means for plots, and the operating points."""

    judged: SetJudged
    plain: Mapping[str, Plain]
    drawn: Mapping[tuple[str, str], Drawn]
    enough: tuple[Enough, ...]
    blocks: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]]
    points: tuple[ChartPoint, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything about two periods. ``joined`` maps each run to the probability that it is the one that was cut into;
    ``fan`` is the fan's curve as fitted; ``only_before`` and ``only_after`` gate
    sets that cannot be compared, since the other side lacks them or has them for some seconds only; ``filter_seen``
    whether the pressure over the filter was there throughout."""

    before: Period
    after: Period
    sets: tuple[SetCompared, ...]
    joined: Mapping[str, float]
    leak_cm2: Interval
    hose_sd: float
    fan: tuple[ChartPoint, ...]
    only_before: tuple[tuple[Gates, ...], ...]
    only_after: tuple[tuple[Gates, ...], ...]
    notes: tuple[str, ...]
    filter_seen: bool = True

    def home(self, change: MeasureChange) -> SetCompared:
        """The gate set of a change."""
        return next(one for one in self.sets if one.judged.group == change.group)

    @property
    def ports(self) -> tuple[MeasureChange, ...]:
        """The flow at each port, from the gate set in which it stands open with the fewest others."""
        best: dict[str, MeasureChange] = {}
        for one in sorted(self.sets, key=lambda s: len(s.judged.open_ports)):
            for change in one.judged.changes:
                if change.measure == "flow":
                    best.setdefault(change.where, change)
        return tuple(best.values())


def compare_periods(
    design: DuctDesign, before: Gathered, after: Gathered, *, baseline: Baseline | None = None,
    assumed: Assumed | None = None, drawn: tuple[DuctDesign, DuctDesign] | None = None,
) -> Comparison:
    """Compare two periods measured in the shop of ``design`` (as drawn before the change).

    ``drawn`` are the drawings before and after, for what the engine says of the change. Raises
    :class:`analysis.compare.problem.NotEnough` where the periods have nothing in common, ValueError for unknown places.
    """
    before, after = regrouped(design, (before, after))
    long = _long_enough(before.stretches, after.stretches)
    sides = [[s for s in side.stretches if s.group in long] for side in (before, after)]
    # Where nothing is long enough the fit says what there is.
    found = fit(
        design, sides[0] or before.stretches, sides[1] or after.stretches, baseline=baseline, assumed=assumed)
    judged = judge(found)
    best = found.best
    said = {} if drawn is None else predicted(drawn[0], drawn[1], [one.open_ports for one in judged])
    sets = []
    for number, one in enumerate(judged):
        blocks = _blocks(best.stretches, best.side, one.group)
        sets.append(SetCompared(
            one, {name: plain_change(*sides) for name, sides in blocks.items() if name != "pitot_pa" or min(sides[0]) > 0},
            {
                (change.measure, change.where): Drawn(told, gap(change.duct, told))
                for change in one.changes
                if len(one.group) == 1 and (told := said.get((one.open_ports, change.measure, change.where))) is not None},
            enough(best, number, one.seconds), blocks, fan_line(found, number)[1]))
    groups = ({s.group for s in before.stretches}, {s.group for s in after.stretches})
    return Comparison(
        _period(before), _period(after), tuple(sets), _joined(found), _leak(found), best.hose_sd, fan_line(found, 0)[0],
        tuple(sorted(groups[0] - long)), tuple(sorted(groups[1] - long)),
        tuple(_notes(found, before, after, baseline)), not _lacking(found, "filter_pa"))


def _long_enough(before: Sequence[Stretch], after: Sequence[Stretch]) -> set[tuple[Gates, ...]]:
    """Gate sets with enough running on both sides to say anything of their own."""
    seconds: list[dict[tuple[Gates, ...], float]] = [{}, {}]
    for side, rows in enumerate((before, after)):
        for s in rows:
            seconds[side][s.group] = seconds[side].get(s.group, 0.0) + s.seconds
    return {group for group, whole in seconds[0].items() if min(whole, seconds[1].get(group, 0.0)) >= SHORTEST_SIDE_S}


def _period(side: Gathered) -> Period:
    rows = side.stretches
    return Period(
        min(s.began_t for s in rows), max(s.t for s in rows), side.seconds, len({s.run for s in rows}), dict(side.left_out_s))


def _blocks(
    stretches: Sequence[Stretch], side: Sequence[int], group: tuple[Gates, ...]
) -> dict[str, tuple[tuple[float, ...], tuple[float, ...]]]:
    found = {}
    for name in MEASURED:
        rows: list[list[float]] = [[], []]
        for stretch, k in zip(stretches, side, strict=True):
            if stretch.group == group and name in stretch.blocks:
                rows[k].extend(stretch.blocks[name])
        if all(len(row) >= 2 for row in rows) and sum(rows[0]) != 0.0:
            found[name] = (tuple(rows[0]), tuple(rows[1]))
    return found


def _joined(found: Fits) -> dict[str, float]:
    names = found.best.design.run_names
    if len(found.fits) == 1:
        lay = found.best.layout
        wide = [1.0 / lay.precision[p, p] for p in range(lay.leaks.start, lay.leaks.stop)]
        chosen = [name for name, v in zip(names, wide, strict=True) if v == max(wide)]
        return {name: 1.0 / len(chosen) for name in chosen}
    return dict(zip(names, found.weight.tolist(), strict=True))


def _leak(found: Fits) -> Interval:
    """Leakage in all that the change brought [cm2], from the most probable fit."""
    from analysis.compare.mixture import Mixture

    means, sds = [], []
    best = found.best
    lay = best.layout
    for x, covariance in zip(best.x, best.covariance, strict=True):
        means.append(float(x[lay.leaks].sum()))
        sds.append(float(covariance[lay.leaks, lay.leaks].sum()) ** 0.5)
    return Mixture(tuple(best.weight.tolist()), tuple(means), tuple(sds)).interval()


def _lacking(found: Fits, channel: str) -> str:
    """On which side some of the running lacks a channel: ``before``, ``after``, ``before and after``, or nothing."""
    best = found.best
    sides = {k for s, k in zip(best.stretches, best.side, strict=True) if channel not in s.blocks}
    return " and ".join(word for k, word in enumerate(("before", "after")) if k in sides)


def _notes(found: Fits, before: Gathered, after: Gathered, baseline: Baseline | None) -> list[str]:
    rows = found.best.stretches
    notes = []
    missing = {what for s in rows for what in s.air_missing}
    if missing:
        notes.append(
            f"{' and '.join(sorted(missing))} not measured: season and weather are unknown, and the intervals are wider for it")
    if any(s.log_volts is None for s in rows):
        notes.append("the line voltage is not measured: the motor current tells less of the flow")
    for channel, missing_words, what in (
        ("inlet_pa", "the pressure before the fan", "the other readings must tell what the ducts did"),
        ("filter_pa", "the pressure over the filter", "its part can hardly be told from the ducts' part"),
        ("motor_a", "the motor current", "the flow through the fan rests on the pressures alone"),
    ):
        where = _lacking(found, channel)
        if where:
            notes.append(f"{missing_words} was not measured, or not well, {where}: {what}")
    if baseline is None:
        notes.append("there is no baseline of this shop: fan, ducts and motor are taken as drawn, with wide uncertainties")
    if not all(s.zero_known for s in rows):
        notes.append("the fan never stood still before some of the readings: the zeros of the sensors are not known there")
    if not all(s.marked for s in rows):
        notes.append("the gates were not reported: they are the estimator's, used where it was 90 % sure")
    if any(len(s.group) > 1 for s in rows):
        notes.append(
            "gate sets that draw nearly the same air are compared as one group, since a change could make one look like another;"
            " a guided check, or gate marks, would tell the ports apart")
    strange: dict[str, float] = {}
    for one in found.best.dropped:
        gates = " or ".join(" and ".join(gates) or "all gates shut" for gates in one.group)
        strange[gates] = strange.get(gates, 0.0) + one.seconds / 60.0
    for gates, minutes in strange.items():
        notes.append(f"{minutes:.0f} min with {gates} fit nothing else and were left out: was another gate open?")
    return notes
