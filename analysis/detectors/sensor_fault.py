"""A channel cannot be trusted: silent, stuck, out of range, dead, drifting at rest, or at odds with the others."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.numbers import number
from analysis.detectors.words import not_yet_known
from analysis.events import ShopEvent
from analysis.findings import Claim, Evidence, Finding
from analysis.readings import CHANNELS, Quality, RunState

BAD_SHARE = 0.5
"""Share of a block's frames without a value that makes the block a bad one."""
TO_CLAIM, TO_RELEASE = 4, 12
"""Bad blocks in a row until a claim, good ones until it is taken back."""
STILL = 0.2
"""A running pressure whose pulsation falls below this share of its usual one hangs on a plugged or kinked tube."""
STILL_BLOCKS = 9
LEAST_STEP = 1e-9
"""A usual pulsation is never learned smaller than this: one that stands still to the digit has no logarithm."""
REST_PA = {"inlet_pa": 60.0, "filter_pa": 40.0, "pitot_pa": 40.0}
"""What a pressure may read with the fan at rest before its zero counts as drifted [Pa]. Stack effect and wind are a few
pascals (common practice, no source)."""
REST_A_SHARE = 0.04
"""The same for the motor current, as a share of the full-load current."""
DEAD_PA = {"inlet_pa": -40.0, "filter_pa": 8.0}
"""A pressure nearer to zero than this while everything else says that the fan runs is dead [Pa]."""

_WORDS = {
    Quality.SILENT: "nothing arrives",
    Quality.STUCK: "repeats itself to the digit while the fan runs",
    Quality.OUT_OF_RANGE: "out of the range that can be believed",
    Quality.JUMP: "jumps further than anything in the shop can",
    Quality.UNREADABLE: "sends what is no number",
}


@dataclass(slots=True)
class _Channel:
    bad: int = 0
    good: int = 0
    still: int = 0
    seen: bool = False
    usual_step: float | None = None
    since: float | None = None
    began: float | None = None
    why: str = ""
    value: float | None = None
    evidence: dict[str, Evidence] = field(default_factory=dict)


class SensorFault:
    """One claim for each fitted channel, named in ``where``. Needs no duct model: it looks at the quality words of vetting,
    at how lively a pressure is, at what it reads at rest, and at pairs that cannot be (the motor runs, no suction).
    """

    condition = Condition.SENSOR_FAULT

    def __init__(self, channels: Iterable[str], full_load_a: float | None = None) -> None:
        self._channels = {name: _Channel() for name in channels}
        self._rest_a = None if full_load_a is None else max(0.15, REST_A_SHARE * full_load_a)
        self._full_load_a = full_load_a
        self._t = 0.0

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        if block.frames < 3:
            return
        for name, channel in self._channels.items():
            why = self._wrong(name, channel, block)
            if why is None:
                continue
            if why:
                if channel.bad == 0:
                    channel.began = block.began_t
                channel.bad += 1
                channel.good = 0
                channel.why = why
                if channel.since is None and channel.bad >= TO_CLAIM:
                    channel.since = channel.began
            else:
                channel.good += 1
                if channel.since is None or channel.good >= TO_RELEASE:
                    channel.bad, channel.since, channel.began = 0, None, None

    def _wrong(self, name: str, channel: _Channel, block: Block) -> str | None:
        """What is wrong with the channel in this block; "" for nothing, None where the block cannot tell."""
        counts = block.bad.get(name)
        stat = block.stats.get(name)
        if stat is not None:
            channel.seen = True
            channel.value = stat.mean
        if counts:
            worst = max(counts, key=lambda quality: counts[quality])
            if sum(counts.values()) > BAD_SHARE * block.frames:
                return _WORDS.get(worst, str(worst))
        if stat is None:
            return None
        if block.state is RunState.OFF:
            return self._at_rest(name, stat.mean)
        if not block.running:
            return None
        return self._dead(name, stat.mean, block) or self._still(name, channel, stat.mean, stat.step_rms)

    def _at_rest(self, name: str, mean: float) -> str:
        limit = self._rest_a if name == "motor_a" else REST_PA.get(name)
        if limit is not None and abs(mean) > limit:
            return "does not return to zero with the fan at rest"
        return ""

    def _dead(self, name: str, mean: float, block: Block) -> str:
        limit = DEAD_PA.get(name)
        if limit is None or (mean <= limit if limit < 0.0 else mean >= limit):
            return ""
        if limit < 0.0 < mean or limit > 0.0 > mean:
            return "has the wrong sign: tubes swapped, or the wrong port of the sensor"
        other = "filter_pa" if name == "inlet_pa" else "inlet_pa"
        stat = block.stats.get(other)
        lively = stat is not None and abs(stat.mean) > 5.0 * abs(DEAD_PA[other])
        motor = block.stats.get("motor_a")
        if motor is not None and self._full_load_a is not None and motor.mean > 0.3 * self._full_load_a:
            lively = lively or stat is None
        return "reads nearly nothing although the fan moves air" if lively else ""

    def _still(self, name: str, channel: _Channel, mean: float, step: float | None) -> str:
        if name not in ("inlet_pa", "filter_pa", "pitot_pa") or step is None:
            return ""
        size = step / max(abs(mean), 1.0)
        if channel.usual_step is None:
            channel.usual_step = max(size, LEAST_STEP)
            return ""
        if size < STILL * channel.usual_step:
            channel.still += 1
            return "no longer pulsates: the tube is plugged or kinked" if channel.still >= STILL_BLOCKS else ""
        channel.still = 0
        gain = 0.05 if size > channel.usual_step else 0.01
        channel.usual_step *= math.exp(gain * math.log(max(size, LEAST_STEP) / channel.usual_step))
        return ""

    def event(self, event: ShopEvent) -> None:
        """Nothing that is done to the unit heals a sensor by itself."""

    def findings(self) -> tuple[Finding, ...]:
        """One claim a channel."""
        return tuple(self._finding(name, channel) for name, channel in self._channels.items())

    def _finding(self, name: str, channel: _Channel) -> Finding:
        if channel.since is None and not channel.seen and not channel.bad:
            return not_yet_known(self._t, self.condition, "nothing seen yet", name)
        info = CHANNELS[name]
        present = channel.since is not None
        evidence = {}
        if channel.value is not None:
            evidence["value"] = Evidence(channel.value, info.kind, f"last good value of the {info.words}")
        return Finding(
            t=self._t,
            condition=self.condition,
            claim=Claim.PRESENT if present else Claim.ABSENT,
            where=name,
            confidence=min(0.98, 0.7 + 0.02 * channel.bad) if present else 0.9,
            since=channel.since,
            evidence=evidence,
            could_be=("a loose wire or plug", "a wet, kinked or plugged tube", "the node lost its power"),
            action=f"Check the sensor of the {info.words}: it {channel.why}." if present else "",
            reason=channel.why if present else "",
        )

    def snapshot(self) -> dict[str, object]:
        """How lively each channel usually is."""
        return {name: {"usual_step": c.usual_step, "since": c.since, "why": c.why} for name, c in self._channels.items()}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        for name, channel in self._channels.items():
            row = data.get(name)
            if isinstance(row, Mapping):
                step = number(row.get("usual_step"))
                channel.usual_step = None if step is None else max(step, LEAST_STEP)
                channel.since = number(row.get("since"))
                channel.why = str(row.get("why") or "")
                channel.bad = TO_CLAIM if channel.since is not None else 0
