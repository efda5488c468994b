"""The node's arithmetic: plain Python without anything of a board in it, so that a test on a computer can run it.

Counts go in as the converter gives them (0 to 65535); means, RMS values, medians, SI values and whole lines come out. A
value that is not known is NaN, and is sent as such ("nan" in pairs, "null" in JSON): never a number that nobody measured.

Written for MicroPython: small whole numbers only where loops are long, because larger ones cost memory there.
"""

import math

NAN = float("nan")
TOP = 65535
_PART = 200  # so many squares of 12 bits still make a small whole number


def mean_of(counts, n):
    """Mean of the first n counts; NaN for none, or where one touches an end of the range."""
    if n == 0:
        return NAN
    total = 0
    for i in range(n):
        count = counts[i]
        if count == 0 or count >= TOP - 15:
            return NAN
        total += count
    return total / n


def rms_of(counts, n):
    """RMS of what swings about the mean of the first n counts; NaN for fewer than two, or where one touches an end."""
    mean = mean_of(counts, n)
    if n < 2 or mean != mean:
        return NAN
    middle = int(mean) >> 4
    squares = 0.0
    rest = 0
    i = 0
    while i < n:
        part = 0
        end = min(i + _PART, n)
        while i < end:
            off = (counts[i] >> 4) - middle  # 12 bits, as most converters have
            rest += off
            part += off * off
            i += 1
        squares += part
    spread = squares / n - (rest / n) ** 2
    return 16.0 * math.sqrt(max(spread, 0.0))


def median(values):
    """Median of the values that are numbers; NaN unless more than half of them are."""
    kept = sorted([value for value in values if value == value])
    n = len(kept)
    if 2 * n <= len(values):
        return NAN
    return kept[n // 2] if n % 2 else 0.5 * (kept[n // 2 - 1] + kept[n // 2])


def pressure_pa(settings, pin_volts):
    """Pressure of a transmitter: settings as in settings.py; NaN where the volts mean a fault."""
    volts = pin_volts * settings["divider"]
    if not settings["fault_below_v"] <= volts <= settings["fault_above_v"]:
        return NAN
    share = (volts - settings["low_v"]) / (settings["high_v"] - settings["low_v"])
    return settings["low_pa"] + share * (settings["high_pa"] - settings["low_pa"])


def current_a(settings, pin_volts_rms):
    """Current through a transformer, with what shows while the motor is off taken away in quadrature."""
    amps = pin_volts_rms * settings["amps_per_volt"]
    if amps != amps:
        return NAN
    return math.sqrt(max(0.0, amps * amps - settings["quiet_a"] ** 2))


def xor_of(text):
    """The checksum of NMEA 0183: exclusive or of the bytes between '$' and '*'."""
    total = 0
    for byte in text.encode():
        total ^= byte
    return total


def _number(value, decimals, unknown):
    if value != value or abs(value) * 10**decimals >= 4.0e9:
        return unknown
    text = ("{:." + str(decimals) + "f}").format(value)
    return text[1:] if text[0] == "-" and float(text) == 0.0 else text


def line_of(fields):
    """$name=value,name=value*HH with CR and LF, from (name, value, decimals)."""
    body = ",".join([name + "=" + _number(value, decimals, "nan") for name, value, decimals in fields])
    return f"${body}*{xor_of(body):02X}\r\n"


def json_of(fields):
    """{"name":value,"name":value}, from the same."""
    return "{" + ",".join(['"' + name + '":' + _number(value, decimals, "null") for name, value, decimals in fields]) + "}"
