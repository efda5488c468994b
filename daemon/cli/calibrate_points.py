"""Calibrating one channel: heights to pour, points as a person writes them, the fitted line as configuration, the record."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from analysis import units
from analysis.readings import CHANNELS
from analysis.sensor_needs import needs
from analysis.units import System, show
from analysis.utube import (
    STANDARD_GRAVITY_MS2,
    KnownPoint,
    LineFit,
    column_height,
    column_pressure,
    column_sd,
    fit_line,
    local_gravity,
    water_density,
)
from daemon.calibrate import SensorSpec
from daemon.config.config import Config
from daemon.errors import ConfigError, StoreError

NOISE_SD = {"pressure": 1.0, "current": 0.05}
"""No reading is trusted better than this [SI] (ours)."""
CLAMP_SD_SHARE = 0.015
"""A clamp meter's share of error, as one standard deviation (common practice, no source)."""
SUCTION = frozenset({"inlet_pa"})
"""Channels whose true values are suctions, written as sizes: an argument must not begin with a minus."""
FINE, SLIP = 0.05, 0.10
"""A calibration that changes the scale by more than the first is no fine adjustment; by more than the second, a likely slip."""


@dataclass(frozen=True, slots=True)
class Standard:
    """The column of water: temperature [C], density [kg/m3], gravity [m/s2] and whether it is the place's own."""

    water_c: float
    water_kgm3: float
    gravity_ms2: float
    gravity_known: bool
    air_kgm3: float

    @classmethod
    def of(cls, config: Config, water_c: float, latitude: float | None) -> Standard:
        """The standard in this shop. Raises :class:`ConfigError`."""
        try:
            density = water_density(water_c)
            altitude = config.file.shop.altitude or 0.0
            gravity = STANDARD_GRAVITY_MS2 if latitude is None else local_gravity(latitude, altitude)
        except ValueError as error:
            raise ConfigError([str(error)]) from error
        return cls(water_c, density, gravity, latitude is not None, config.air.density_kgm3)

    def pressure(self, height_m: float) -> float:
        """Pressure [Pa] of a difference of levels [m]."""
        return column_pressure(height_m, self.water_c, self.gravity_ms2, self.air_kgm3)

    def height(self, pressure_pa: float) -> float:
        """Difference of levels [m] for a pressure [Pa]."""
        return column_height(pressure_pa, self.water_c, self.gravity_ms2, self.air_kgm3)


@dataclass(frozen=True, slots=True)
class Calibration:
    """Points with their raw numbers, the line, and scale and offset for the configuration (``unit`` as there)."""

    points: tuple[KnownPoint, ...]
    texts: tuple[str, ...]
    line: LineFit
    scale: float
    offset_si: float


def spec_of(config: Config, channel: str) -> SensorSpec:
    """The specification of a fitted channel. Raises :class:`ConfigError`."""
    for spec in config.sensors:
        if spec.channel == channel:
            return spec
    fitted = ", ".join(spec.channel for spec in config.sensors)
    raise ConfigError([f"{channel!r} is not fitted in {config.path}; fitted are: {fitted}"])


def heights_of(config: Config, spec: SensorSpec, standard: Standard, system: System) -> Iterator[tuple[float, float, float]]:
    """Five steps up to the largest pressure that the shop makes: height [m], pressure [Pa], one standard deviation [Pa]."""
    if CHANNELS[spec.channel].kind != "pressure":
        return
    need = next((need for need in needs(config.design) if need.channel == spec.channel), None)
    most = spec.high if need is None else max(-need.low, need.high)
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        height = _handy(standard.height(share * most), system)
        sd = column_sd(height, standard.water_c, gravity_known=standard.gravity_known)
        yield height, standard.pressure(height), sd


def heights(config: Config, spec: SensorSpec, standard: Standard, system: System) -> Iterator[str]:
    """What to pour, step by step."""
    steps = list(heights_of(config, spec, standard, system))
    if not steps:
        yield f"{spec.channel} is no pressure: hold a trusted meter beside it and give points, such as '9.4 A = 9.1'"
        return
    suction = spec.channel in SUCTION
    yield (f"{spec.channel}: a U-tube of water at {show(standard.water_c, 'temperature', system)} "
           f"({standard.water_kgm3:.1f} kg/m3, gravity {standard.gravity_ms2:.4f} m/s2)")
    yield "  difference of levels        makes          ± one standard deviation"
    for height, made, sd in steps:
        yield f"  {_length(height, system):<24} {made:8.1f} Pa ({made / units.INWG_PA:.3f} in. w.g.)   {sd:.1f} Pa"
    example = _length(steps[2][0], system)
    port = "that is open to the room (pushing there is the same as sucking at the duct)" if suction else "that hangs on the duct"
    yield f"Push air with a syringe into the tee at the sensor's port {port}."
    yield "Read the device's own numbers with: ductwarden listen PORT. Then give the points, zero first:"
    yield f'  ductwarden calibrate {config.path.name} {spec.channel} "{_length(0.0, system)} = ..." "{example} = ..."'
    if suction:
        yield "Heights are written without a minus: for this channel they are suctions."


def fitted(config: Config, spec: SensorSpec, texts: Sequence[str], standard: Standard) -> Calibration:
    """The line through points written as ``TRUE = READ``. Raises :class:`ConfigError` for what cannot be read or fitted."""
    channel, kind = spec.channel, CHANNELS[spec.channel].kind
    points: list[KnownPoint] = []
    problems: list[str] = []
    for text in texts:
        known, equals, read = text.partition("=")
        if not equals:
            problems.append(f"{text!r}: write a point as 'TRUE = READ', such as '10 in = 2478'")
            continue
        try:
            true, sd = _true(known.strip(), kind, standard)
            if channel in SUCTION:
                true = -abs(true) or 0.0
            points.append(KnownPoint(true, _raw(read.strip(), kind, spec), sd))
        except (units.UnitError, ValueError) as error:
            problems.append(f"{text!r}: {error}")
    if problems:
        raise ConfigError(problems)
    gain, noise = spec.gain, NOISE_SD.get(kind, 0.01)
    try:
        line = fit_line(points, gain, noise) if len(points) == 1 else fit_line(points, None, noise)
    except ValueError as error:
        raise ConfigError([str(error)]) from error
    factor = gain / spec.scale
    zero = 0.0 if not spec.unit else units.unit(spec.unit, kind).offset
    return Calibration(tuple(points), tuple(texts), line, line.slope / factor, line.offset - zero)


def words(found: Calibration, spec: SensorSpec, standard: Standard, system: System) -> Iterator[str]:
    """The points with what each misses, the line, and what is to be doubted."""
    kind = CHANNELS[spec.channel].kind
    yield f"{'point':<28} {'true':>12} {'raw':>12} {'line less true':>15}"
    for text, point, miss in zip(found.texts, found.points, found.line.misses, strict=True):
        yield f"{text:<28} {_si(point.true, kind):>12} {point.raw:>12.6g} {_si(-miss, kind):>15}"
    line = found.line
    if len(found.points) > 1:
        share = line.slope_sd / abs(line.slope)
        yield f"scale known to {share:.2%}, zero to {_si(line.offset_sd, kind)} (one standard deviation)"
    yield from (f"doubt: {doubt}" for doubt in doubts(found, spec))


def config_lines(found: Calibration, spec: SensorSpec) -> Iterator[str]:
    """The lines of ``[sensor.CHANNEL]`` that the calibration sets."""
    yield "Write into the configuration, and restart the daemon:"
    yield ""
    symbol = _SI_SYMBOL.get(CHANNELS[spec.channel].kind, "")
    yield f"[sensor.{spec.channel}]"
    if spec.raw_name != spec.channel:
        yield f'raw = "{spec.raw_name}"'
    if spec.unit:
        yield f'unit = "{spec.unit}"'
    yield f"scale = {found.scale:.6g}"
    yield f'offset = "{found.offset_si:.4g}{" " + symbol if symbol else ""}"'


def doubts(found: Calibration, spec: SensorSpec) -> Iterator[str]:
    """What is to be thought over, though it does not speak against the calibration."""
    if len(found.points) == 1:
        yield "one point sets the zero only; the scale is left as it was"
        return
    change = found.scale / spec.scale
    if FINE < abs(change - 1.0) <= SLIP:
        yield (f"the scale changes by {change - 1.0:+.1%}, which is no fine adjustment: look for a wrong unit or range "
               "first, a leak at the tee, or a bubble in the column")
    if len(found.points) == 2:
        yield "two points always fit a line: a third in the middle tells whether the sensor is straight"


def slips(found: Calibration, spec: SensorSpec) -> Iterator[str]:
    """What looks like a slip of the pen or of the hand: nothing is kept before its owner says that it is right."""
    if len(found.points) == 1:
        return
    guessed = _mistyped(found, spec)
    if guessed:
        yield guessed
    change = found.scale / spec.scale
    if change < 0.0 and not guessed:
        yield "the sign turns round: are the two tubes exchanged at the sensor, or the minus signs left out?"
    elif abs(change - 1.0) > SLIP and not guessed:
        yield f"the scale changes by {change - 1.0:+.0%}: a wrong unit or range, a leak at the tee, a bubble in the column?"
    for text, miss in zip(found.texts, found.line.misses, strict=True):
        if not guessed and abs(miss) > _tolerance(found, spec):
            off = _si(miss, CHANNELS[spec.channel].kind)
            yield f"{text!r} lies {off} off the line: read it again (air in the column, a leak?)"


def _tolerance(found: Calibration, spec: SensorSpec) -> float:
    """How far a point may lie off the line [SI]: three standard deviations, and a share of the span for a bent sensor."""
    if len(found.points) < 3:
        return math.inf
    true = [point.true for point in found.points]
    noise = max(*(point.sd for point in found.points), NOISE_SD.get(CHANNELS[spec.channel].kind, 0.01))
    return max(3.0 * noise, 0.02 * (max(true) - min(true)))


def _mistyped(found: Calibration, spec: SensorSpec) -> str:
    """The one slip that would explain the points: with it undone they lie on a line near the present scale. "" without one."""
    noise = NOISE_SD.get(CHANNELS[spec.channel].kind, 0.01)

    def straight(points: Sequence[KnownPoint]) -> float:
        """The largest miss, and how far the scale is from the present one, whichever is worse against what is allowed."""
        try:
            line = fit_line(points, None, noise)
        except ValueError:
            return math.inf
        worst = max(map(abs, line.misses)) / _tolerance(found, spec) if len(points) > 2 else 0.0
        return max(worst, abs(line.slope / spec.gain - 1.0) / SLIP)

    points = list(found.points)
    if min(straight(points), straight([replace(point, raw=-point.raw) for point in points])) <= 1.0:
        return ""
    tried: list[tuple[float, str]] = []
    for at, point in enumerate(points):
        turned = [*points[:at], replace(point, raw=-point.raw), *points[at + 1:]]
        tried.append((straight(turned), f"{found.texts[at]!r}: is its sign right? With {-point.raw:g} the points lie on a line"))
        for factor, words in ((10.0, "ten times as large"), (0.1, "a tenth of it")):
            moved = [*points[:at], replace(point, raw=factor * point.raw), *points[at + 1:]]
            tried.append((straight(moved), f"{found.texts[at]!r}: is its point right? With a number {words} they lie on a line"))
        for other in range(at):
            swapped = list(points)
            swapped[at], swapped[other] = replace(point, raw=points[other].raw), replace(points[other], raw=point.raw)
            tried.append((straight(swapped), f"{found.texts[other]!r} and {found.texts[at]!r}: exchanged? The other way round "
                          "they lie on a line"))
    best, words = min(tried)
    return words if best <= 1.0 else ""


def record_entry(found: Calibration, spec: SensorSpec, standard: Standard) -> dict[str, object]:
    """The calibration as values: what it was, what it is, and what it rests on."""
    return {
        "channel": spec.channel, "unit": spec.unit, "scale": found.scale, "offset_si": found.offset_si,
        "before": {"scale": spec.scale, "offset_si": spec.offset},
        "points": [
            {"text": text, "true": p.true, "raw": p.raw, "sd": p.sd} for text, p in zip(found.texts, found.points, strict=True)
        ],
        "misses": list(found.line.misses), "water_c": standard.water_c, "gravity_ms2": standard.gravity_ms2,
    }


def keep(config: Config, found: Calibration, spec: SensorSpec, standard: Standard, now: float) -> Iterator[str]:
    """Append the calibration to the dated record beside the configuration, and note it in the journal where there is one."""
    target = record_path(config)
    entry = {"t": datetime.fromtimestamp(now).astimezone().isoformat(timespec="seconds"), **record_entry(found, spec, standard)}
    try:
        with target.open("a", encoding="utf-8") as file:
            file.write(json.dumps(entry, ensure_ascii=False) + "\n")
    except OSError as error:
        yield f"NOT kept: {target} cannot be written ({error.strerror})"
        return
    yield ""
    yield f"kept in {target}"
    yield from _journal(config, found, spec)


def record_path(config: Config) -> Path:
    """The dated record: one JSON object a line, beside the configuration, never rewritten."""
    return config.path.with_name(f"{config.path.stem}.calibrations.jsonl")


def _journal(config: Config, found: Calibration, spec: SensorSpec) -> Iterator[str]:
    from daemon.store import requests

    path = config.at(config.file.store.file)
    text = f"calibrated {spec.channel}: scale {found.scale:.5g}, offset {found.offset_si:.4g} (SI), {len(found.points)} points"
    if not path.exists():
        yield "not in the journal: the daemon has not run yet"
        return
    try:
        number = requests.append(path, "journal_add", {"kind": "note", "text": text, "where": ""})
        answer = requests.wait_for_answer(path, number, 1.0)
    except StoreError as error:
        yield f"not in the journal: {error}"
        return
    yield f"in the journal: {answer.result}" if answer.done else "in the journal as soon as the daemon runs"


_SI_SYMBOL = {
    "pressure": "Pa", "current": "A", "voltage": "V", "temperature": "C", "concentration": "ug/m3", "fraction": "",
}


def _si(value: float, kind: str) -> str:
    number = f"{value:.1f}" if kind == "pressure" else f"{value:.4g}"
    return f"{'0.0' if number == '-0.0' else number} {_SI_SYMBOL.get(kind, '')}".rstrip()


def _true(text: str, kind: str, standard: Standard) -> tuple[float, float]:
    """What was truly there [SI] and one standard deviation."""
    if kind == "pressure":
        try:
            height = units.parse(text, "length")
        except units.UnitError:
            value = units.parse(text, kind)
            # A stated pressure comes from a gauge that is no better than the column would be.
            return value, column_sd(abs(value) / 9800.0, standard.water_c)
        return standard.pressure(height), column_sd(abs(height), standard.water_c, gravity_known=standard.gravity_known)
    value = units.parse(text, kind)
    return value, CLAMP_SD_SHARE * abs(value) if kind == "current" else 0.0


def _raw(text: str, kind: str, spec: SensorSpec) -> float:
    """The device's own number: bare as it sends it, or with a unit as the dashboard shows it today."""
    try:
        return float(text)
    except ValueError:
        return (units.parse(text, kind) - spec.shift) / spec.gain


def _handy(height_m: float, system: System) -> float:
    """A height that stands on a ruler's mark: half inches, or centimetres."""
    step = 0.5 * units.INCH_M if system == "us" else 0.01
    return round(height_m / step) * step


def _length(height_m: float, system: System) -> str:
    if system == "us":
        return f"{height_m / units.INCH_M:.1f} in"
    return f"{1000 * height_m:.0f} mm"
