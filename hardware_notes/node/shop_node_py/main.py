"""The shop node: two pressures and a motor current, once a second, as a line over the serial port (and to a broker).

    $inlet_pa=-2100.5,filter_pa=310.2,motor_a=9.42*18

It measures and tells; it decides nothing, and it switches nothing. All arithmetic is in signal_math.py, all that is fitted
in settings.py. Copy the four files to a board that runs MicroPython; it starts by itself.
"""

import sys
import time
from array import array

import settings
import signal_math
from machine import ADC, WDT, Pin

COUNTS = array("H", bytes(2 * settings.MOST_COUNTS))
PRESSURES = array("H", bytes(2 * (settings.MOST_COUNTS // 16)))
BAG_COUNTS = array("H", bytes(2 * (settings.MOST_COUNTS // 16)))
VOLTS_PER_COUNT = settings.ADC_VOLTS / 65536


def watch(inlet, bags, motor):
    """One window: inlet pressure, bag pressure and motor current.

    The current is read as fast as the board can, a pressure now and then between. The first reading after the converter
    has been switched to another pin still holds some of the old pin's voltage: it is thrown away.
    """
    n = pressures = 0
    read, ticks, since = motor.read_u16, time.ticks_us, time.ticks_diff
    counts, length = COUNTS, settings.WINDOW_US
    step = length // settings.MOST_COUNTS  # a fast board waits, so that its readings spread over the whole window
    read()
    began = ticks()
    at = 0
    while at < length:
        if at >= n * step:
            counts[n] = read()
            n += 1
            if n % 16 == 0:
                inlet.read_u16()
                PRESSURES[pressures] = inlet.read_u16()
                bags.read_u16()
                BAG_COUNTS[pressures] = bags.read_u16()
                pressures += 1
                read()
        at = since(ticks(), began)
    return (
        signal_math.pressure_pa(settings.INLET, signal_math.mean_of(PRESSURES, pressures) * VOLTS_PER_COUNT),
        signal_math.pressure_pa(settings.BAGS, signal_math.mean_of(BAG_COUNTS, pressures) * VOLTS_PER_COUNT),
        signal_math.current_a(settings.MOTOR, signal_math.rms_of(COUNTS, n) * VOLTS_PER_COUNT),
    )


def second(inlet, bags, motor):
    """The medians of a second's windows, as fields to be sent."""
    windows = [watch(inlet, bags, motor) for _ in range(settings.WINDOWS)]
    return (
        ("inlet_pa", signal_math.median([window[0] for window in windows]), 1),
        ("filter_pa", signal_math.median([window[1] for window in windows]), 1),
        ("motor_a", signal_math.median([window[2] for window in windows]), 2),
    )


def run(seconds=None):
    """For ever, or for so many seconds. The watchdog restarts a node that hangs for eight."""
    inlet, bags, motor = (ADC(Pin(one["pin"])) for one in (settings.INLET, settings.BAGS, settings.MOTOR))
    dog = WDT(timeout=8000)
    link = None
    if settings.MQTT:
        from mqtt_link import MqttLink

        link = MqttLink(settings, dog)
    while seconds is None or seconds > 0:
        began = time.ticks_ms()
        fields = second(inlet, bags, motor)
        sys.stdout.write(signal_math.line_of(fields))
        if link is not None:
            link.say(signal_math.json_of(fields))
        dog.feed()
        if seconds is not None:
            seconds -= 1
        while time.ticks_diff(time.ticks_ms(), began) < 1000:
            time.sleep_ms(1)


if __name__ == "__main__":
    run()
