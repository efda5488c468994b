"""A board made of a computer, for the node's script: a converter of 12 bits, and a watchdog that counts its meals.

Each pin carries mean + a sin(2 pi f t) + a3 sin(6 pi f t), in volts at the pin of 3.3 V: see ``SIGNALS``.
"""

import math
import time

SIGNALS = {
    # (0.5 + 4 * 2375/5000) / 2, (0.5 + 4 * 375/2500) / 2, and 9.41 A at 30 A a volt with a tenth of third harmonic
    26: (1.2, 0.015, 29.3, 0.0),
    27: (0.55, 0.010, 31.7, 0.0),
    28: (1.66, 9.41 / 30.0 * math.sqrt(2.0 / 1.01), 60.0, 0.1),
}
FED = []


class Pin:
    """A pin."""

    def __init__(self, number):
        self.number = number


class ADC:
    """What stands on it."""

    def __init__(self, pin):
        self.pin = pin

    def read_u16(self):
        """Twelve bits, spread over sixteen as boards do it."""
        mean, swing, hertz, third = SIGNALS[self.pin.number]
        phase = 6.283185307 * hertz * (time.ticks_us() % 10_000_000) * 1e-6
        volts = mean + swing * (math.sin(phase) + third * math.sin(3.0 * phase))
        count = min(max(int(volts / 3.3 * 4096), 0), 4095)
        return (count << 4) | (count >> 8)


class WDT:
    """The watchdog."""

    def __init__(self, timeout):
        FED.append(timeout)

    def feed(self):
        """One meal."""
        FED.append(time.ticks_ms())
