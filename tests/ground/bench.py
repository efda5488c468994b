"""The families through the product's pipeline, scored.

    python -m tests.ground.bench --family choose --shops 20 --days 30 --know tour --seeds 1-20 --list

``--know`` says what the product knows: ``drawing`` (no tour, gates unknown), ``tour`` (a fitted tour), ``gates`` (a tour
and gate switches), ``switches`` (gate switches, no tour). ``--healthy`` leaves all faults out, ``--only a,b`` takes these
kinds of :data:`tests.ground.faults.KINDS` in turn. Shops run in processes of their own. A month takes a second to generate,
so none is kept.
"""

from __future__ import annotations

import argparse
import multiprocessing
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tests.ground.labels import labels
from tests.ground.record import Recording, record
from tests.ground.score import Said, Tally, score, table
from tests.ground.shops import FAMILIES, make
from tests.ground.write import shop_toml, when

OPENED_ONCE = "loft"
"""The family of which nothing is chosen."""
KNOW = {"drawing": (False, False), "tour": (True, False), "gates": (True, True), "switches": (False, True)}
"""Whether a tour was made, and whether gate switches are fitted."""


@dataclass
class Heard:
    """A sink that keeps what the product said."""

    start: float
    said: list[Said] = field(default_factory=list)
    events: list[tuple[float, str]] = field(default_factory=list)
    stops: list[tuple[float, str]] = field(default_factory=list)
    flows: list[tuple[float, float, float]] = field(default_factory=list)

    def frame(self, frame: Any, estimate: Any) -> None:
        """One estimate each minute is kept."""
        if estimate.flow_m3s is not None and frame.t % 60.0 < 1.0:
            self.flows.append((frame.t, estimate.flow_m3s, estimate.flow_sd or 0.0))

    def run(self, began_t: float, ended_t: float | None) -> None:
        """Runs are known."""

    def finding(self, finding: Any, raised: bool) -> None:
        """Raised and cleared."""
        words = ", ".join(f"{name} {item.value:.4g}" for name, item in finding.evidence.items())
        self.said.append(
            Said(
                finding.t - self.start,
                finding.condition.value,
                "raised" if raised else "cleared",
                finding.where,
                f"{finding.confidence:.3f} {words}",
            )
        )

    def transition(self, transition: Any) -> None:
        """Alarms that ask to stop the fan."""
        alarm = transition.alarm
        if transition.after.value == "unacknowledged" and transition.before.value == "normal" and alarm.urgency.value == "stop":
            self.stops.append((transition.t - self.start, alarm.condition.value))

    def event(self, event: Any) -> None:
        """What the product wrote into the journal by itself."""
        self.events.append((event.t - self.start, event.kind.value))


@dataclass
class Result:
    """One shop, played and scored."""

    name: str
    days: float
    tallies: dict[str, Tally]
    false: list[Said]
    false_stops: int
    invented: Counter[str]
    recognised: tuple[int, int]
    frames: int
    seconds: float
    flow_error: tuple[float, float, float] | None
    declined: bool


def samples(r: Recording, gates_known: bool, high: float = float("inf")) -> Iterator[Any]:
    """As a source yields them."""
    from daemon.sources.contract import Sample

    for t, values, gates in r.samples(gates_known, high=high):
        yield Sample("board", t, values, gates)


def told_events(r: Recording) -> list[Any]:
    """What the owner of this shop writes into the journal himself."""
    from analysis.events import EventKind, ShopEvent

    kinds = {"filter cleaned": EventKind.CLEANED, "bag emptied": EventKind.EMPTIED}
    return [ShopEvent(e["t"], kinds[e["what"]]) for e in r.events if e["told"]]


def play(r: Recording, know: str) -> tuple[Heard, int, float, bool]:
    """Through the pipeline, as a replay does it: what was said, frames, seconds of this process, whether a tour was fitted."""
    from daemon.config.load import parse
    from daemon.replaying import calibrated, seldom_collected
    from daemon.wiring import build_pipeline

    tour, gates_known = KNOW[know]
    config = parse(shop_toml(r.shop, "air_c" in r.told), Path("shop.toml"))
    baseline = fitted(r, config) if tour else None
    pipeline = build_pipeline(calibrated(config), baseline=baseline)
    heard = Heard(float(r.t[0] // 86400.0 * 86400.0))
    pipeline.sinks = [heard]
    waiting = sorted(told_events(r), key=lambda e: e.t)
    began = time.process_time()
    with seldom_collected():
        batch: list[Any] = []
        for sample in samples(r, gates_known):
            if waiting and sample.t >= waiting[0].t:
                pipeline.feed(batch)
                batch = []
                pipeline.happened(waiting.pop(0))
            batch.append(sample)
            if len(batch) >= 4000:
                pipeline.feed(batch)
                batch = []
        pipeline.feed(batch)
        pipeline.finish()
    return heard, pipeline.frames, time.process_time() - began, baseline is not None


def fitted(r: Recording, config: Any) -> Any:
    """The baseline that the product fits from this shop's tour with gate marks, just after a cleaning; None where it declines."""
    from analysis.baseline.fit import FitError, fit
    from daemon.replaying import Marks, calibrated
    from daemon.wiring import build_pipeline, build_sensor_sds

    marks = Marks(config.design, build_sensor_sds(config))
    pipeline = build_pipeline(calibrated(config))
    pipeline.sinks = [marks]
    pipeline.feed(samples(r, True, r.tour_until + 60.0))
    pipeline.finish()
    try:
        return fit(config.design, marks.data("first", clean=True))
    except FitError:
        return None


def one(task: tuple[str, int, int, str, bool, tuple[str, ...]]) -> Result:
    """One shop by its seed."""
    family, seed, days, know, healthy, only = task
    tour, gates_known = KNOW[know]
    shop = make(family, seed)
    if gates_known:  # a gate with a switch, or driven, stands open or shut: a switch cannot tell half open from a plug
        shop = replace(shop, habits={**shop.habits, "half": 0.0})
    loaded = 0.0 if tour else float(shop.rng("loaded").uniform(0.0, 0.6))  # nobody cleaned for a tour
    r = record(shop, days, tour=tour, healthy=healthy, only=only, loaded=loaded)
    heard, frames, seconds, fit = play(r, know)
    known = labels(r, gates_known=gates_known, tour=fit)
    tallies, false = score(heard.said, known)
    return Result(
        r.shop.name, days, dict(tallies), false, _false_stops(heard, known), _invented(heard, known),
        _recognised(heard, known), frames, seconds, _flow(r, heard), tour and not fit,
    )


def _false_stops(heard: Heard, known: dict[str, Any]) -> int:
    """Alarms that ask to stop the fan while no such thing is so."""
    return sum(
        not any(name in (f["kind"], *f["also"], *f["brings"]) and f["t0"] <= t <= f["t1"] + 3600.0 for f in known["faults"])
        for t, name in heard.stops
    )


def _invented(heard: Heard, known: dict[str, Any]) -> Counter[str]:
    """Cleanings and emptyings of the journal that nothing within half a day bears out."""
    words = {"cleaned": "filter cleaned", "replaced": "filter cleaned", "emptied": "bag emptied"}
    return Counter(
        kind
        for t, kind in heard.events
        if kind in words and not any(e["what"] == words[kind] and -3600.0 <= t - e["t"] <= 43200.0 for e in known["events"])
    )


def _recognised(heard: Heard, known: dict[str, Any]) -> tuple[int, int]:
    """Cleanings that nobody wrote down and the product found, of all such."""
    silent = [e["t"] for e in known["events"] if e["what"] == "filter cleaned" and not e["told"]]
    return sum(any(k in ("cleaned", "replaced") and -3600.0 <= t - s <= 43200.0 for t, k in heard.events) for s in silent), len(
        silent
    )


def _flow(r: Recording, heard: Heard) -> tuple[float, float, float] | None:
    """Bias and rms of the flow [%] at minutes whose gates have stood for 40 s, and how many 95 % intervals hold it [%]."""
    import numpy as np

    if not heard.flows:
        return None
    t = np.array([f[0] for f in heard.flows])
    at = np.clip(np.searchsorted(r.t, t), 60, len(r.t) - 1)
    good = r.on[at] & (r.stretch[at] == r.stretch[at - 40]) & (r.true["flow"][at] > 0.02)
    if not good.any():
        return None
    flow, sd = (np.array([f[i] for f in heard.flows])[good] for i in (1, 2))
    true = r.true["flow"][at][good]
    error = 100 * (flow / true - 1)
    return float(error.mean()), float(np.sqrt((error**2).mean())), float(100 * np.mean(np.abs(flow - true) < 1.96 * sd))


def main() -> None:
    """Play and print."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--family", choices=[f for f in FAMILIES if f != OPENED_ONCE], default="bench")
    ask.add_argument("--open", action="store_true", help=f"the family {OPENED_ONCE}: once, for the closing note of a release")
    ask.add_argument("--shops", type=int, default=20)
    ask.add_argument("--seeds", default="")
    ask.add_argument("--days", type=int, default=30)
    ask.add_argument("--know", choices=list(KNOW), default="tour")
    ask.add_argument("--healthy", action="store_true")
    ask.add_argument("--only", default="")
    ask.add_argument("--list", action="store_true", help="every false raise and every miss")
    ask.add_argument("--processes", type=int, default=2)
    told = ask.parse_args()
    family = OPENED_ONCE if told.open else told.family
    low, _, high = (told.seeds or f"1-{told.shops}").partition("-")
    only = tuple(told.only.split(",")) if told.only else ()
    tasks = [(family, seed, told.days, told.know, told.healthy, only) for seed in range(int(low), int(high or low) + 1)]
    totals: dict[str, Tally] = defaultdict(Tally)
    results: list[Result] = []
    began = time.time()
    with multiprocessing.Pool(min(told.processes, len(tasks)), maxtasksperchild=1) as pool:
        for result in pool.imap_unordered(one, tasks):
            results.append(result)
            for name, tally in result.tallies.items():
                totals[name].add(tally)
            flow = (
                ""
                if result.flow_error is None
                else ", flow {:+.1f} % bias, {:.1f} % rms, {:.0f} % held".format(*result.flow_error)
            )
            print(
                f"  {result.name}: false {len(result.false)}, missed {sum(t.missed for t in result.tallies.values())}, "
                f"{result.frames} frames, {1e6 * result.seconds / max(1, result.frames):.0f} us each{flow}"
                + (", its tour was declined" if result.declined else ""),
                flush=True,
            )
    days = sum(r.days for r in results)
    frames, seconds = sum(r.frames for r in results), sum(r.seconds for r in results)
    print(
        f"family {family}, known by {told.know}: {len(results)} shops, {days / 365.25:.2f} shop-years, "
        f"{frames} frames, {time.time() - began:.0f} s"
    )
    print("\n".join(table(totals, days)))
    invented = sum((r.invented for r in results), Counter())
    print(
        f"false calls to stop the fan: {sum(r.false_stops for r in results)}; "
        f"invented in the journal: {dict(invented) or 'nothing'}; "
        f"{sum(r.recognised[0] for r in results)} of {sum(r.recognised[1] for r in results)} unwritten cleanings recognised; "
        f"{1e6 * seconds / max(1, frames):.0f} us of processor time a frame"
    )
    if told.list:
        for result in sorted(results, key=lambda r: r.name):
            start = 1_725_235_200.0
            for said in result.false:
                print(f"  false  {result.name} {when(start + said.t)} {said.condition} {said.where}: {said.evidence}")
            for tally in result.tallies.values():
                for words in tally.missed_of:
                    print(f"  missed {words}")


if __name__ == "__main__":
    main()
