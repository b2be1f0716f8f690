# Virtual time: takes the place of `time` on the virtual board. It moves only when somebody sleeps or a bus transfer
# takes its time, so a run is as quick as the machine, or `speed` times real time when that is set. It never allocates.

from micropython import const

_MASK = const(0x3FFFFFFF)

ms = 0  # since the virtual board was made
us = 0  # and microseconds of the running one
_tick_ms = 0
_tick_us = 0
pace = None  # function called with no arguments whenever a millisecond has gone, to keep in step with real time


# Where the wrapping counters stand at the beginning; only before the run.
def begin_at(tick_ms, tick_us=0):
    global _tick_ms, _tick_us  # noqa: PLW0603 -- a module stands in for a module
    _tick_ms = tick_ms & _MASK
    _tick_us = tick_us & _MASK


def advance(n):
    global us, _tick_us  # noqa: PLW0603 -- a module stands in for a module
    _tick_us = _tick_us - _MASK - 1 + n if _tick_us > _MASK - n else _tick_us + n
    us += n
    if us >= 1000:
        n = us // 1000
        us -= n * 1000
        _advance_ms(n)
        if pace:
            pace()


def _advance_ms(n):
    global ms, _tick_ms  # noqa: PLW0603 -- a module stands in for a module
    ms += n
    _tick_ms = _tick_ms - _MASK - 1 + n if _tick_ms > _MASK - n else _tick_ms + n


def ticks_ms():
    return _tick_ms


def ticks_us():
    return _tick_us


def sleep_us(n):
    advance(n)


# Whole days at once, for tests of the wraps.
def sleep_ms(n):
    while n > 500000:
        advance(500000000)
        n -= 500000
    advance(n * 1000)


# us since an instant kept as (ms, us); more than half a minute comes back as half a minute.
def since_us(then_ms, then_us):
    if ms - then_ms > 30000:
        return 30000000
    return (ms - then_ms) * 1000 + us - then_us
