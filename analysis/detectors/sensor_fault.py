"""A channel cannot be trusted: silent, stuck, out of range, dead, drifting at rest, plugged, noisy, at odds with others."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from analysis.blocks import Block, Stat
from analysis.conditions import Condition
from analysis.detectors.channel_watch import PULSING, ChannelWatch
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known
from analysis.duct.fan import FanCurve
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding
from analysis.readings import CHANNELS, RunState

TO_CLAIM, TO_RELEASE = 4, 12
"""Bad blocks in a row until a claim, good ones until it is taken back."""
REST_PA = {"inlet_pa": 60.0, "filter_pa": 40.0, "pitot_pa": 40.0}
"""What a pressure may read with the fan at rest before its zero counts as drifted [Pa]. Stack effect and wind are a few
pascals (common practice, no source)."""
REST_A_SHARE, LEAST_REST_A = 0.04, 0.15
"""The same for the motor current, as a share of the full-load current, and at least [A]."""
DEAD_PA = {"inlet_pa": -40.0, "filter_pa": 8.0}
"""A pressure nearer to zero than this while everything else says that the fan runs is dead [Pa]."""
BEYOND, BEYOND_SD = 1.25, 3.0
"""No pressure in the ducts is more than what the fan gives at most. This share beyond it, for air colder and thicker than the
curve's, and so many standard deviations of the curve, is more than the fan can be blamed for (ours)."""
IDLE_SHARE = 0.25
"""Below this share of its full-load current no motor turns a fan: an induction motor idles at 30 to 50 %."""


class SensorFault(Telling):
    """One claim for each fitted channel, named in ``where``. Needs no duct model: it looks at the quality words of
    vetting, at how lively a pressure is against its usual self, at what it reads at rest, and at what cannot be (the motor
    runs, no suction; more pressure than the fan has). A wrong zero or a span that crept shows at rest, not while the fan
    runs.
    """

    condition = Condition.SENSOR_FAULT

    def __init__(self, channels: Iterable[str], full_load_a: float | None = None, fan: FanCurve | None = None) -> None:
        super().__init__()
        self._channels = {name: ChannelWatch(name) for name in channels}
        self._rest_a = None if full_load_a is None else max(LEAST_REST_A, REST_A_SHARE * full_load_a)
        self._full_load_a = full_load_a
        self._most_pa = math.inf if fan is None else fan.most_pa * (BEYOND + BEYOND_SD * fan.uncertainty)

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        if block.frames < 3 and block.state is not RunState.OFF:
            return
        odd = self._odd_one(block)
        for name, channel in self._channels.items():
            why = self._wrong(name, channel, block, odd)
            if why is not None and channel.judge(why, block.running, block.began_t, TO_CLAIM, TO_RELEASE):
                self._changed()

    def _wrong(self, name: str, channel: ChannelWatch, block: Block, odd: str) -> str | None:
        """What is wrong with the channel in this block; "" for nothing, None where the block cannot tell."""
        why = channel.quality(block)
        stat = block.stats.get(name)
        if stat is not None:
            channel.seen, channel.value = True, stat.mean
        if why is None or why or stat is None:
            return why
        if name == odd:
            return "says that the fan runs, and no pressure agrees"
        if block.state is RunState.OFF:
            return self._at_rest(name, stat.mean)
        if not block.running:
            return None
        why = channel.constant(stat) or self._beyond(name, stat.mean) or self._dead(name, stat.mean, block, odd)
        return why or self._lively(channel, stat)

    def _lively(self, channel: ChannelWatch, stat: Stat) -> str:
        """Whether it pulsates as it usually does, beside the others."""
        if channel.name not in PULSING:
            return ""
        others = [other for other in self._channels.values() if other is not channel]
        calm, calmer = not any(other.shaking for other in others), any(other.calmer for other in others)
        return channel.liveliness(stat, calm, calmer)

    def _odd_one(self, block: Block) -> str:
        """The motor current, where it alone says that the fan runs: too little to turn a fan, and no pressure anywhere."""
        motor, inlet, bags = (block.stats.get(name) for name in ("motor_a", "inlet_pa", "filter_pa"))
        if not block.running or motor is None or self._full_load_a is None or (inlet is None and bags is None):
            return ""
        low = motor.mean < IDLE_SHARE * self._full_load_a
        dead = (inlet is None or inlet.mean > DEAD_PA["inlet_pa"]) and (bags is None or bags.mean < DEAD_PA["filter_pa"])
        return "motor_a" if low and dead else ""

    def _at_rest(self, name: str, mean: float) -> str:
        limit = self._rest_a if name == "motor_a" else REST_PA.get(name)
        if limit is not None and abs(mean) > limit:
            return "does not return to zero with the fan at rest"
        return ""

    def _beyond(self, name: str, mean: float) -> str:
        if name not in DEAD_PA or abs(mean) <= self._most_pa:
            return ""
        return "reads more than this fan can give: wrong unit, wrong span, or a wrong fan in the drawing"

    def _dead(self, name: str, mean: float, block: Block, odd: str) -> str:
        limit = DEAD_PA.get(name)
        if limit is None or odd or (mean <= limit if limit < 0.0 else mean >= limit):
            return ""
        if (limit < 0.0 < mean - 20.0) or (limit > 0.0 > mean + 20.0):
            return "has the wrong sign: tubes swapped, or the wrong port of the sensor"
        other = "filter_pa" if name == "inlet_pa" else "inlet_pa"
        stat = block.stats.get(other)
        lively = stat is not None and abs(stat.mean) > 5.0 * abs(DEAD_PA[other])
        motor = block.stats.get("motor_a")
        if motor is not None and self._full_load_a is not None and motor.mean > 0.3 * self._full_load_a:
            lively = lively or stat is None
        return "reads nearly nothing although the fan moves air" if lively else ""

    def event(self, event: ShopEvent) -> None:
        """Where something was changed, how lively the channels usually are is learned anew."""
        if event.kind is EventKind.CHANGED:
            for channel in self._channels.values():
                channel.begin_anew()

    def _tell(self) -> tuple[Finding, ...]:
        return tuple(self._finding(name, channel) for name, channel in self._channels.items())

    def _finding(self, name: str, channel: ChannelWatch) -> Finding:
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
            confidence=min(0.98, 0.75 + 0.02 * channel.bad) if present else 0.9,
            since=channel.since,
            evidence=evidence,
            could_be=("a loose wire or plug", "a wet, kinked or plugged tube", "the node lost its power"),
            action=f"Check the sensor of the {info.words}: it {channel.why}." if present else "",
            reason=channel.why if present else "",
        )

    def snapshot(self) -> dict[str, object]:
        """How each channel usually is, and how it is now."""
        return {"channels": {name: channel.snapshot() for name, channel in self._channels.items()}}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        rows = data.get("channels")
        for name, channel in self._channels.items():
            row = rows.get(name) if isinstance(rows, Mapping) else None
            if isinstance(row, Mapping):
                channel.restore(row)
        self._changed()
