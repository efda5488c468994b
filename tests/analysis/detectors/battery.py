"""The shared battery: what every detector and every recogniser must keep to, whatever it looks for."""

from __future__ import annotations

import json
import math
import pickle
from collections.abc import Callable, Sequence
from dataclasses import replace

from analysis.blocks import Block
from analysis.detectors.contract import Detector
from analysis.estimates import Estimate
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Finding
from analysis.readings import CHANNELS, Quality, RunState

Stream = Sequence[Block | ShopEvent]
Make = Callable[[], Detector]


def run(detector: Detector, stream: Stream) -> list[tuple[Finding, ...]]:
    """The findings after each block."""
    said = []
    for item in stream:
        if isinstance(item, ShopEvent):
            detector.event(item)
        else:
            detector.update(item)
            said.append(detector.findings())
    return said


def leaves_its_input_alone(make: Make, stream: Stream) -> None:
    """No block is altered."""
    before = [pickle.dumps(item) for item in stream]
    run(make(), stream)
    assert [pickle.dumps(item) for item in stream] == before


def says_the_same_of_the_same(make: Make, stream: Stream) -> None:
    """Two detectors that saw the same stream say the same; asking twice changes nothing."""
    first, second = make(), make()
    assert run(first, stream) == run(second, stream)
    assert first.findings() == first.findings()


def always_says_something_sound(make: Make, stream: Stream) -> None:
    """At least one finding at any time, of its own condition, with everything that a screen needs."""
    detector = make()
    for said in (detector.findings(), *run(detector, stream)):
        assert said
        for finding in said:
            assert finding.condition is detector.condition
            assert 0.0 <= finding.confidence <= 1.0
            if finding.claim is Claim.NOT_YET_KNOWN:
                assert finding.reason, "not yet known, but why?"
            else:
                assert finding.could_be or finding.claim is Claim.ABSENT
            if finding.claim is Claim.PRESENT:
                assert finding.since is not None
                assert finding.since <= finding.t
            for item in finding.evidence.values():
                assert math.isfinite(item.value)
                assert item.words
            forecast = (finding.forecast_low_s, finding.forecast_s, finding.forecast_high_s)
            if forecast[1] is not None:
                assert None not in forecast
                assert 0.0 <= forecast[0] <= forecast[1] <= forecast[2]  # type: ignore[operator]
    assert len({(f.condition, f.where) for f in detector.findings()}) == len(detector.findings())


def forgets_nothing_in_a_restart(make: Make, stream: Stream, at: int) -> None:
    """Stopped after ``at`` items and started again from its snapshot (through JSON), it says what it would have said."""
    whole, first, second = make(), make(), make()
    expected = run(whole, stream)[-1]
    run(first, stream[:at])
    second.restore(json.loads(json.dumps(first.snapshot())))
    after = run(second, stream[at:])
    assert [_core(f) for f in after[-1]] == [_core(f) for f in expected]
    assert json.loads(json.dumps(second.snapshot())).keys() == json.loads(json.dumps(whole.snapshot())).keys()


def _core(finding: Finding) -> tuple[object, ...]:
    """What counts after a restart; findings that are kept for a minute may be of another moment of it."""
    numbers = {name: round(item.value, 1) for name, item in finding.evidence.items()} if (
        finding.claim is Claim.PRESENT) else {}
    return finding.condition, finding.where, finding.claim, finding.since, tuple(sorted(numbers))


def bears_any_snapshot(make: Make, stream: Stream) -> None:
    """A snapshot of another version, or a spoiled one, is left aside, and the detector goes on."""
    sound = make()
    run(sound, stream[:200])
    data = sound.snapshot()
    spoils: list[object] = [None, "?", -1, [], {}, [[None]], {"a": "b"}, float("nan")]
    for spoil in spoils:
        for key in data:
            detector = make()
            detector.restore({**data, key: spoil})
            assert run(detector, stream[200:260])
    empty = make()
    empty.restore({})
    assert run(empty, stream[:50])


def bears_odd_blocks(make: Make, stream: Stream) -> None:
    """Gaps, clocks that jump, channels that come and go, estimates that know nothing, frames of no length."""
    detector = make()
    run(detector, stream[:150])
    base = next(item for item in reversed(stream[:150]) if isinstance(item, Block) and item.running)
    later = base.t
    for step, change in (
        (10.0, {"stats": {}}), (10.0, {"estimate": Estimate(base.t)}), (10.0, {"flow": None, "drag": None, "shape": None}),
        (10.0, {"gates": {"planer": True}}), (10.0, {"gates": None}), (-7 * 86400.0, {}), (10.0, {}),
        (400 * 86400.0, {}), (10.0, {"state": RunState.UNKNOWN, "run_s": 0.0}), (0.0, {"seconds": 0.0, "frames": 1}),
        (10.0, {"bad": {name: {Quality.SILENT: 10} for name in CHANNELS}, "stats": {}}),
        (10.0, {"run_s": 3.0, "started": True, "state": RunState.STARTING}),
        (10.0, {"estimate": replace(base.estimate, gates=("no such port",), gate_probability=1.0)}),
        (10.0, {"estimate": replace(base.estimate, filter_drag=0.0, drag_ratio=0.0)}),
        (10.0, {"stats": {**base.stats, "bag_level": base.stats["inlet_pa"]}}),
    ):
        later += step
        detector.update(replace(base, began_t=later - base.seconds, t=later, **change))
        for kind in EventKind:
            if step == 0.0:
                detector.event(ShopEvent(later, kind))
        assert detector.findings()
    run(detector, stream[150:250])


def stays_small(make: Make, stream: Stream, times: int) -> None:
    """However long it runs, what it remembers does not grow."""
    detector = make()
    shift = 0.0
    sizes = []
    length = stream[-1].t - stream[0].t + 60.0
    for _ in range(times):
        for item in stream:
            if isinstance(item, Block):
                detector.update(replace(item, began_t=item.began_t + shift, t=item.t + shift))
        shift += length
        sizes.append(len(json.dumps(detector.snapshot())))
    assert sizes[-1] < 1.3 * sizes[times // 2] + 2000
    assert sizes[-1] < 60_000
