"""A channel cannot be trusted: silent, stuck, dead, off at rest, hanging on a plugged tube, or its scale has changed."""

from __future__ import annotations

import math
from collections.abc import Iterable

from analysis.blocks import Block, Stat
from analysis.conditions import Condition
from analysis.detectors.budget import certainty
from analysis.detectors.core import Core
from analysis.detectors.keeping import Keeping
from analysis.detectors.watch import Watch
from analysis.duct.fan import FanCurve
from analysis.events import EventKind, ShopEvent
from analysis.findings import Evidence, Finding
from analysis.readings import CHANNELS, Quality, RunState

TO_CLAIM, TO_RELEASE, TO_HEAR = 4, 12, 3
"""Bad blocks in a row until a claim, good ones until it is taken back; the last for silence, so that a node that is back within
two minutes raises no alarm."""
BAD_SHARE = 0.5
"""Share of a block's frames without a value that makes the block a bad one."""
WORDS = {
    Quality.SILENT: "sends nothing",
    Quality.STUCK: "repeats itself to the digit while the fan runs",
    Quality.OUT_OF_RANGE: "is out of the range that can be believed",
    Quality.JUMP: "jumps further than anything in the shop can",
    Quality.UNREADABLE: "sends what is no number",
    Quality.DOUBLED: "is sent by two senders that say different things",
}
HEARD = (WORDS[Quality.SILENT], WORDS[Quality.UNREADABLE])
"""What is over as soon as the channel speaks again, whatever the fan does."""
REST = {"inlet_pa": 60.0, "filter_pa": 40.0, "pitot_pa": 40.0}
"""What a pressure may read with the fan at rest before its zero counts as drifted [Pa]: stack effect and wind are some pascals
(common practice, no source)."""
REST_A_SHARE, LEAST_REST_A = 0.04, 0.15
"""The same for the motor current, as a share of the full-load current, and at least [A]."""
DEAD_PA = {"inlet_pa": 40.0, "filter_pa": 8.0}
DEAD_OF_USUAL = 0.04
"""A pressure nearer to zero than this with the fan running, and than this share of its usual reading, carries no air of it [Pa]:
with every gate shut the leaks alone make a tenth of the usual one."""
UNSEEN_S = 600.0
"""Running after which a pressure that was never alive counts as dead: a run may begin with every gate shut."""
LIVE_FACTOR = 5.0
DEAD_SHARE = 0.10
"""A running motor draws more than this share of its full-load current: an induction motor idles at 30 to 60 %."""
BEYOND, BEYOND_SD = 1.25, 3.0
"""No pressure in the ducts is more than what the fan gives at most: this share beyond it for colder, thicker air, and so many
standard deviations of the stated curve."""
FLAT_BLOCKS = 12
"""Blocks without any change, to the digit, of a channel that otherwise moves."""
FOLLOWS, STANDS = 0.12, 0.002
"""The other channels say that the flow changed by so much (logarithm) while this one moved by less than that: it hangs on a
plugged tube."""
HANGS = 5


class Channel(Keeping):
    """``bad``/``good`` blocks in a row, the standing claim ``since`` with its reason ``why``, the last good ``value``."""

    KEPT = ("bad", "good", "flat", "hangs", "moved", "seen", "running", "since", "began", "why", "value", "last",
        "usual")

    def __init__(self, name: str) -> None:
        self.name = name
        self.bad = self.good = self.flat = self.hangs = 0
        self.usual = 0.0
        self.moved = self.seen = self.running = False
        self.since: float | None = None
        self.began: float | None = None
        self.why = ""
        self.value: float | None = None
        self.last: float | None = None

    def quality(self, block: Block) -> str | None:
        """What vetting says of the block: words, "" for nothing wrong, None where there is nothing to judge."""
        counts = block.bad.get(self.name)
        if counts and sum(counts.values()) > BAD_SHARE * block.frames:
            worst = max(counts, key=lambda quality: counts[quality])
            return WORDS.get(worst, str(worst))
        return "" if self.name in block.stats else None

    def constant(self, stat: Stat) -> bool:
        """Is it flat to the digit although it used to move?"""
        if stat.count < 3:
            return False
        self.flat = self.flat + 1 if stat.high <= stat.low else 0
        self.moved = self.moved or stat.high > stat.low
        return self.moved and self.flat >= FLAT_BLOCKS

    def judge(self, why: str, running: bool, began_t: float) -> bool:
        """Take in the verdict on a block; True where the claim changed. What was found with the fan running is taken back by
        running only, what was found at rest by rest only; silence by being heard."""
        before = self.since
        if why:
            if self.bad == 0:
                self.began, self.running = began_t, running
            self.bad, self.good, self.why = self.bad + 1, 0, why
            if self.since is None and self.bad >= TO_CLAIM:
                self.since = self.began
        elif self.since is None or running is self.running or self.why in HEARD:
            self.good += 1
            if self.since is None or self.good >= (TO_HEAR if self.why in HEARD else TO_RELEASE):
                self.bad, self.since, self.began = 0, None, None
        return (self.since is None) is not (before is None)


class SensorFault(Watch):
    """One claim for each fitted channel, named in ``where``. What a single channel shows needs no model; a scale that changed
    is what :class:`.Isolation` finds, and a leaking tube at the bags what :class:`.filters.Falls` does."""

    condition = Condition.SENSOR_FAULT
    KEPT = ("_core", "_channels", "_tube")

    def __init__(
        self, core: Core, channels: Iterable[str], full_load_a: float | None = None, fan: FanCurve | None = None
    ) -> None:
        super().__init__()
        self._core = core
        self._channels = _Channels(channels)
        self._full_load_a = full_load_a
        self._most_pa = math.inf if fan is None else fan.most_pa * (BEYOND + BEYOND_SD * fan.uncertainty)
        self._tube: float | None = None
        self._scaled: str = ""

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._core.update(block)
        claim = self._core.isolation.claim
        scaled = "" if claim is None or claim.name == "fan" else claim.name
        if scaled != self._scaled:
            self._scaled, self._told = scaled, None
        if block.frames < 3 and block.state is not RunState.OFF:
            return
        self._follow(block)
        for name, channel in self._channels.by_name.items():
            why = self._wrong(name, channel, block)
            if why is not None and channel.judge(why, block.running, block.began_t):
                self._told = None
        carrying = (self._channels.by_name.get(name) for name in ("inlet_pa", "filter_pa", "motor_a"))
        self._core.trust(all(channel is None or channel.since is None for channel in carrying))

    def leaking_tube(self, since: float | None) -> None:
        """The tube at the bags leaks since then (None: mended)."""
        self._tube, self._told = since, None

    def faulty(self, name: str) -> bool:
        """Whether a claim on this channel stands."""
        channel = self._channels.by_name.get(name)
        return name == self._scaled or (name == "filter_pa" and self._tube is not None) or (
            channel is not None and channel.since is not None)

    def _wrong(self, name: str, channel: Channel, block: Block) -> str | None:
        """What is wrong with the channel in this block; "" for nothing, None where the block cannot tell."""
        why = channel.quality(block)
        stat = block.stats.get(name)
        if stat is not None:
            channel.seen, channel.value = True, stat.mean
        if why is None or why or stat is None:
            return why
        if block.state is RunState.OFF:
            limit = REST.get(name)
            if name == "motor_a" and self._full_load_a is not None:
                limit = max(LEAST_REST_A, REST_A_SHARE * self._full_load_a)
            return "does not return to zero with the fan at rest" if limit is not None and abs(stat.mean) > limit else ""
        if not block.running:
            return None
        if channel.constant(stat):
            return WORDS[Quality.STUCK]
        if channel.hangs >= HANGS:
            return "does not follow when the air changes: its tube is plugged or kinked"
        if name == "filter_pa" and block.gates is not None and not any(block.gates.values()):
            return None  # every gate is shut, say the switches: no air, no pressure over the bags
        return self._impossible(name, stat.mean, block)

    def _impossible(self, name: str, mean: float, block: Block) -> str:
        """What cannot be with the fan running."""
        if name == "motor_a":
            low = self._full_load_a is not None and mean < DEAD_SHARE * self._full_load_a
            return "reads no current although the fan moves air: the clamp is off or its wire broken" if low else ""
        if name not in DEAD_PA:
            return ""
        if abs(mean) > self._most_pa:
            return "reads more than this fan can give: wrong unit, wrong span, or a wrong fan in the drawing"
        sign = -1.0 if name == "inlet_pa" else 1.0
        channel = self._channels.by_name[name]
        if sign * mean >= DEAD_PA[name] or (channel.usual and sign * mean >= DEAD_OF_USUAL * channel.usual):
            channel.usual += 0.01 * (max(sign * mean, 0.0) - channel.usual) if channel.usual else sign * mean
            return ""
        if not channel.usual and block.run_s < UNSEEN_S and sign * mean > -20.0:
            return ""
        motor = block.stats.get("motor_a")
        other = "filter_pa" if name == "inlet_pa" else "inlet_pa"
        stat = block.stats.get(other)
        clamp = self._channels.by_name.get("motor_a")
        alive = stat is not None and abs(stat.mean) > LIVE_FACTOR * DEAD_PA[other]
        drawing = motor is not None and self._full_load_a is not None and motor.mean > 2.0 * DEAD_SHARE * self._full_load_a and (
            clamp is not None and not clamp.flat and clamp.since is None)
        if not alive and not drawing:
            return ""
        if sign * mean < -20.0:
            return "has the wrong sign: tubes swapped, or the wrong port of the sensor"
        return "reads nearly nothing although the fan runs"

    def _follow(self, block: Block) -> None:
        """Does each pressure follow when the others say that the flow changed?"""
        look = self._core.look
        if look is None or look.weight < 1.0:
            return
        now = {"inlet_pa": look.suction, "filter_pa": look.filter, "motor_a": look.current}
        moved = {}
        for name, channel in self._channels.by_name.items():
            value = now.get(name)
            if value is not None:
                moved[name] = None if channel.last is None else value - channel.last
                channel.last = value
        bags, current = moved.get("filter_pa"), moved.get("motor_a")
        slopes = self._core.isolation.curve
        for name, other in (("filter_pa", current), ("inlet_pa", bags)):
            own = moved.get(name)
            if own is None or other is None or name not in self._channels.by_name:
                continue
            expected = slopes.expected_move(name, other, look)
            channel = self._channels.by_name[name]
            if abs(own) > STANDS:
                channel.hangs = 0
            elif abs(expected) > FOLLOWS:
                channel.hangs += 1

    def event(self, event: ShopEvent) -> None:
        """A change at the unit may be the repair: what hung or leaked is judged anew; first of the list, it tells the core."""
        self._core.event(event)
        if event.kind is EventKind.CHANGED:
            self._tube = None
            for channel in self._channels.by_name.values():
                channel.hangs = 0

    def _tell(self) -> tuple[Finding, ...]:
        return tuple(self._one(name, channel) for name, channel in self._channels.by_name.items())

    def _one(self, name: str, channel: Channel) -> Finding:
        info, claim = CHANNELS[name], self._core.isolation.claim
        self._since, self._unable = channel.since, ""
        evidence = {} if channel.value is None else {
            "value": Evidence(channel.value, info.kind, f"last good value of the {info.words}")}
        sure, why = min(0.98, 0.75 + 0.02 * channel.bad), channel.why
        could_be: tuple[str, ...] = ("a loose wire or plug", "a wet, kinked or plugged tube", "the node lost its power")
        if self._since is None and claim is not None and claim.name == name:
            self._since = claim.since
            sure = certainty(claim.evidence, self._core.isolation.threshold)
            much = "much" if claim.size > 0.0 else "little"
            why = f"reads {100.0 * abs(math.expm1(claim.size)):.0f} % too {much} beside the others"
            evidence["scale"] = Evidence(math.exp(claim.size), "share", "of what it should read")
            could_be = (*(OTHER_WORDS[other] for other in claim.others),
                "a tube that leaks or came half off", "a scale that was changed")
        elif self._since is None and name == "filter_pa" and self._tube is not None:
            self._since, sure = self._tube, 0.85
            why = "fell while the suction before the fan did not move as a cleaning moves it: its tube leaks"
            could_be = ("the filter was cleaned at the same moment as something else changed",)
        if self._since is None and not channel.seen and not channel.bad:
            return self.unknown("nothing seen yet", name)
        present = self._since is not None
        return self._finding(
            sure if present else 0.9, evidence, could_be, where=name, reason=why if present else "",
            action=f"Check the sensor of the {info.words}: it {why}." if present else "")


OTHER_WORDS = {
    "inlet_pa": "the sensor of the suction before the fan", "motor_a": "the current clamp, or a motor that drags",
    "fan": "a fan that turns too slowly", "filter_pa": "the tube at the bags",
}


class _Channels(Keeping):
    def __init__(self, names: Iterable[str]) -> None:
        self.by_name = {name: Channel(name) for name in names}

    def snapshot(self) -> dict[str, object]:
        """Each channel's."""
        return {name: channel.snapshot() for name, channel in self.by_name.items()}

    def restore(self, data: object) -> None:
        """Take back what fits."""
        for name, channel in self.by_name.items():
            row = data.get(name) if isinstance(data, dict) else None
            if isinstance(row, dict):
                channel.restore(row)
