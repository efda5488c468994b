"""MicroPython's clock, in its place as ``time``: every look at it costs 20 us, sleeping what it says.

The real clock of a MicroPython in a browser's engine stands still for milliseconds at a time, which no board's does.
"""

_OVER = 1 << 30
_now = [_OVER - 1_500_000]


def ticks_us():
    """Microseconds, running over at 2^30."""
    _now[0] += 20
    return _now[0] % _OVER


def ticks_ms():
    """Milliseconds, running over at 2^30."""
    return _now[0] // 1000 % _OVER


def sleep_ms(ms):
    """Wait."""
    _now[0] += 1000 * ms


def ticks_diff(after, before):
    """The difference of two ticks, whichever ran over."""
    return (after - before + _OVER // 2) % _OVER - _OVER // 2
