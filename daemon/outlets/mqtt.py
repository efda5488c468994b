"""The MQTT outlet: alarms, lamp, state and estimates as retained topics, and notices as messages.

| topic under ``base/unit/`` | retained | payload |
| --- | --- | --- |
| ``alarm/<condition>``, ``alarm/<condition>/<where>`` | yes | JSON of the alarm; state "normal" when it is over |
| ``lamp`` | yes | ``ok``, ``look`` or ``stop`` |
| ``state`` | yes | JSON of what the fan does |
| ``estimate`` | yes | JSON of the estimate, thinned |
| ``online`` | yes | ``true``; ``false`` after a goodbye or, by the last will, after none |
| ``notice`` | no | JSON of the notice, with its stable ``id`` |

In ``<where>`` the characters that mean something in topics (``/ + #`` and control characters) are written ``_``.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from enum import Enum
from typing import Any

from analysis.estimates import Estimate
from daemon.alarms.picture import alarm_document, lamp, normal_document, stamp
from daemon.alarms.types import Alarm
from daemon.notices import Notice
from daemon.outlets.contract import OutletHealth, SentLedger
from daemon.outlets.courier import Courier
from daemon.outlets.mqtt_link import MqttLink
from daemon.outlets.settings import MqttOutletSettings
from daemon.outlets.webhook import document

_ACKNOWLEDGED_WITHIN_S = 10.0


def level(text: str) -> str:
    """``text`` as one level of a topic.

    >>> level("shaving horse"), level("saw 1/2+")
    ('shaving horse', 'saw 1_2_')
    """
    return "".join("_" if c in "/+#" or ord(c) < 32 or ord(c) == 127 else c for c in text)


class MqttOutlet:
    """Shows the picture of the unit on a broker and sends notices to it. Every ``show`` returns at once."""

    def __init__(self, settings: MqttOutletSettings, ledger: SentLedger) -> None:
        self._settings = settings
        self.root = f"{settings.base}/{settings.unit}"
        self._courier = Courier(settings.name, "mqtt", self, ledger, settings.queue, settings.wants)
        self._link = MqttLink(settings, f"{self.root}/online", f"{self.root}/alarm/#", self._courier.health,
                              self._courier.wake)
        self._shown: dict[str, tuple[str, str]] = {}
        self._next_estimate_t: float | None = None

    @property
    def health(self) -> OutletHealth:
        """Its health, updated in place."""
        return self._courier.health

    def start(self) -> None:
        """Begin to connect and to work."""
        self._link.start()
        self._courier.start()

    def offer(self, notice: Notice, age_s: float = 0.0) -> bool:
        """Take a notice on."""
        return self._courier.offer(notice, age_s)

    def ask_to_stop(self, grace_s: float = 2.0) -> None:
        """From now on deliver only what can be delivered within ``grace_s`` [s]."""
        self._courier.ask_to_stop(grace_s)

    def stop(self, grace_s: float = 2.0) -> None:
        """Deliver what can be delivered within ``grace_s`` [s], say goodbye, end."""
        self._courier.stop(grace_s)
        self._link.stop()

    # -- the picture ----------------------------------------------------------------------------------------------

    def show_alarms(self, alarms: Sequence[Alarm]) -> None:
        """These alarms are open, and no other. Also sets the lamp. To be called once at the start, then on change."""
        topics: dict[str, tuple[str, str]] = {}
        for alarm in alarms:
            topic = self.topic(alarm.condition.value, alarm.where)
            topics[topic] = (alarm.condition.value, alarm.where)
            self._link.put(topic, _json(alarm_document(alarm)))
        for topic, names in self._shown.items():
            if topic not in topics:
                self._link.put(topic, _json(normal_document(*names)))
        self._shown = topics
        self._link.put(f"{self.root}/lamp", lamp(alarms).encode())
        self._link.complete()

    def show_state(self, state: Mapping[str, object]) -> None:
        """What the unit does, as plain values."""
        self._link.put(f"{self.root}/state", _json(dict(state)))

    def show_estimate(self, estimate: Estimate) -> None:
        """The latest estimate; all but one in ``estimate_every_s`` of event time are left out."""
        due = self._next_estimate_t
        every_s = self._settings.estimate_every_s
        if due is not None and due - every_s <= estimate.t < due:
            return
        self._next_estimate_t = estimate.t + every_s
        self._link.put(f"{self.root}/estimate", _json(estimate_document(estimate)))

    def topic(self, condition: str, where: str) -> str:
        """The topic of one alarm."""
        return f"{self.root}/alarm/{condition}" + (f"/{level(where)}" if where else "")

    # -- the sender's part, in the courier's thread ---------------------------------------------------------------

    def deliver(self, notice: Notice) -> None:
        """Publish the notice and wait for the broker's acknowledgement."""
        self._link.send(f"{self.root}/notice", document(notice), _ACKNOWLEDGED_WITHIN_S)

    def tend(self) -> None:
        """The link tends itself."""

    def close(self) -> None:
        """The link is stopped after the courier."""


def estimate_document(estimate: Estimate) -> dict[str, Any]:
    """An estimate as plain JSON values, SI, unknown numbers null; ``gates`` null where not known."""
    return {
        "t": stamp(estimate.t), "flow_m3s": estimate.flow_m3s, "flow_sd": estimate.flow_sd,
        "filter_drag": estimate.filter_drag, "drag_ratio": estimate.drag_ratio, "flow_lost": estimate.flow_lost,
        "gates": None if estimate.gates is None else list(estimate.gates),
        "gate_probability": estimate.gate_probability,
        "expected": {name: {"value": e.value, "sd": e.sd} for name, e in estimate.expected.items()},
        "residual": dict(estimate.residual), "notes": list(estimate.notes),
    }


def _json(document: Mapping[str, object]) -> bytes:
    try:
        return json.dumps(document, ensure_ascii=False, allow_nan=False).encode()
    except (TypeError, ValueError):
        return json.dumps(_plain(document), ensure_ascii=False, allow_nan=False).encode()


def _plain(value: object) -> object:
    """``value`` without what JSON does not know: numbers that are not finite become null, anything odd its text."""
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return _plain(dataclasses.asdict(value))
    return str(value)
