"""Lines of a serial device: which form they have, what they carry, and the source table that reads them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from daemon.calibrate import Calibrator
from daemon.cli.hearing import Names, guess_all, quoted, sensor_lines
from daemon.config.model import SensorTable
from daemon.config.sensors import build_sensors
from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.fields import decode_json, escaped, literal
from daemon.sources.lines import strip_checksum
from daemon.sources.settings import WireSettings
from daemon.sources.wire import LineParser, as_text

MOST_COLUMNS = 20


def form_of(line: bytes) -> tuple[str, bool]:
    """``json``, ``pairs``, ``columns N`` or the reason why it is none; and whether it carried a good checksum.

    >>> form_of(b"$inlet_pa=-2100.5*3C"), form_of(b"-2100.5;310.2"), form_of(b"hello")
    (('pairs', True), ('columns 2', False), ('no values', False))
    """
    checked = not isinstance(strip_checksum(line, True), str)
    body = strip_checksum(line, False)
    if isinstance(body, str):
        return "bad checksum", False
    text = as_text(body)
    if text is None:
        return "not text", checked
    if text.startswith("{"):
        return ("json" if isinstance(decode_json(text), dict) else "no values"), checked
    if "=" in text:
        return "pairs", checked
    for separator in (";", ",", None):
        if separator is None or separator in text:
            cells = text.split(separator)
            good = sum(1 for cell in cells if literal(cell.strip()) == literal(cell.strip()))
            if cells and good == len(cells) <= MOST_COLUMNS:
                return f"columns {len(cells)}", checked
            return "no values", checked
    return "no values", checked


READABLE = ("json", "pairs", "columns")


def readable(line: bytes) -> bool:
    """Whether the line carries values."""
    return form_of(line)[0].startswith(READABLE)


class Lines:
    """Everything that one device said, understood with the daemon's own parser."""

    def __init__(self, lines: Sequence[bytes]) -> None:
        self.lines = list(lines)
        self.forms = Counter(form_of(line)[0] for line in self.lines)
        good = [form for form in self.forms if form.startswith(READABLE)]
        self.form = max(good, key=lambda form: self.forms[form]) if good else ""
        checked = [form_of(line)[1] for line in self.lines if readable(line)]
        self.checked = bool(checked) and all(checked)
        count = int(self.form.split()[1]) if self.form.startswith("columns") else 0
        self.columns = tuple(f"column_{number}" for number in range(1, count + 1))
        self.health = SourceHealth("device", "serial")
        parser = LineParser("device", WireSettings(columns=self.columns), self.health)
        self.samples = [sample for line in self.lines if (sample := parser.parse(line, 0.0)) is not None]
        self.names = Names()
        self.gates: set[str] = set()
        for sample in self.samples:
            self.gates |= set(sample.gates or ())
            for name, value in sample.values.items():
                self.names.take(name, value)

    def proposal(self, device: str, baud: int) -> list[str]:
        """The lines of configuration that read this device."""
        guesses = guess_all(list(self.names.heard.values()))
        lines = ["[[source]]", 'kind = "serial"', 'name = "shop node"', f"device = {quoted(device)}"]
        if baud != 115_200:
            lines.append(f"baud = {baud}")
        if self.columns:
            named = {guess.raw: guess.channel for guess in guesses}
            order = [f'"{named.get(column) or "-"}"' for column in self.columns]
            lines += ['format = "columns"', f"columns = [{', '.join(order)}]"]
            guesses = [
                type(guess)(guess.channel, guess.channel, guess.unit, guess.why, guess.asks) if guess.channel else guess
                for guess in guesses
            ]
        elif len([form for form in self.forms if form.startswith(READABLE)]) == 1:
            lines.append(f'format = "{self.form}"')
        if self.checked:
            lines.append('checksum = "required"  # every line carried one')
        return lines + sensor_lines(guesses)

    def renamed(self) -> list[Sample]:
        """The samples by the names that the proposal gives them."""
        if not self.columns:
            return self.samples
        named = {guess.raw: guess.channel for guess in guess_all(list(self.names.heard.values()))}
        return [
            Sample(one.source, one.t, {named[name] or name: value for name, value in one.values.items()}, one.gates)
            for one in self.samples
        ]

    def remarks(self) -> list[str]:
        """What is odd about what was heard."""
        found = [
            f"{count} lines: {escaped(form)}" for form, count in self.forms.items() if not form.startswith(READABLE)
        ]
        found += [f"{count} times: {reason}" for reason, count in self.health.refused.items()
                  if reason not in ("unknown form", "not json", "checksum", "not text")]
        if self.gates:
            found.append(f"gates are told: {', '.join(escaped(gate) for gate in sorted(self.gates))} (they need no line here)")
        if self.lines and not self.checked and self.form:
            found.append("no checksum: a device that can should end its lines with *HH, so that a garbled number is dropped")
        return found


def readings(samples: Sequence[Sample], sensors: dict[str, dict[str, object]]) -> dict[str, float | None]:
    """What the last value of each channel becomes through these sensor tables: the proof of a proposal."""
    specs, problems = build_sensors({name: SensorTable.model_validate(table) for name, table in sensors.items()}, frozenset())
    assert not problems, problems
    calibrator = Calibrator(specs)
    found: dict[str, float | None] = {}
    for sample in samples:
        for reading in calibrator.readings(sample):
            found[reading.channel] = reading.value
    return found
