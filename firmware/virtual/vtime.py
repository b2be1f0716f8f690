# The module `time` of the virtual board: simulated time that runs as fast as the machine, or at a given pace.
#
# Until `begin` the clock follows real time, since the board waits for its host; from then on sleeping costs nothing.
# Whole numbers below 2^30 only, so that the models may run with the heap locked on a 32-bit MicroPython.

import time as _real

try:
    _real_ms = _real.ticks_ms
    _real_diff = _real.ticks_diff
    _real_sleep_ms = _real.sleep_ms
except AttributeError:  # CPython

    def _real_ms():
        return int(_real.monotonic() * 1000) & 0x3FFFFFFF

    def _real_diff(a, b):
        return ((a - b + 0x20000000) & 0x3FFFFFFF) - 0x20000000

    def _real_sleep_ms(ms):
        _real.sleep(ms / 1000)


_MASK = 0x3FFFFFFF
_state = [0, 0, 0, 0, 0, 0, 0]  # ms, us within the ms, us (wrapped), running, ms at begin, speed, real ms at begin
_MS, _SUB, _US, _RUNNING, _BEGAN, _SPEED, _REAL = range(7)


def set_start(ms):
    _state[_MS] = ms & _MASK


# Simulated time runs from here; speed 0 is as fast as possible, 1 is real time.
def begin(speed):
    _state[_RUNNING] = 1
    _state[_BEGAN] = _state[_MS]
    _state[_SPEED] = speed
    _state[_REAL] = _real_ms()


def running():
    return _state[_RUNNING]


# Milliseconds since `begin`, 0 before.
def elapsed_ms():
    return (_state[_MS] - _state[_BEGAN]) & _MASK if _state[_RUNNING] else 0


def advance_us(us):
    s = _state
    s[_US] = (s[_US] + us) & _MASK
    sub = s[_SUB] + us
    if sub >= 1000:
        s[_MS] = (s[_MS] + sub // 1000) & _MASK
        sub %= 1000
    s[_SUB] = sub


# Keep to the pace asked for.
def pace():
    speed = _state[_SPEED]
    if speed:
        ahead = elapsed_ms() // speed - _real_diff(_real_ms(), _state[_REAL])
        if ahead > 0:
            _real_sleep_ms(ahead)


def sleep_us(us):
    advance_us(us)


def sleep_ms(ms):
    if not _state[_RUNNING]:
        _real_sleep_ms(ms)
    s = _state
    s[_MS] = (s[_MS] + ms) & _MASK
    s[_US] = (s[_US] + (ms % 1000000) * 1000) & _MASK


def sleep(seconds):
    sleep_ms(int(seconds * 1000))


def ticks_ms():
    return _state[_MS]


def ticks_us():
    return _state[_US]


def ticks_diff(a, b):
    return ((a - b + 0x20000000) & _MASK) - 0x20000000


def ticks_add(a, b):
    return (a + b) & _MASK


def time():
    return 946684800 + _state[_MS] // 1000
