# Time since boot, right across every wrap, without an integer that a 32-bit board would put on the heap.
#
# `ticks_ms` wraps after 12.4 days on a board and elsewhere at other periods, so we mask it ourselves and add up the
# differences. Uptime is kept as two 16-bit halves of a 32-bit millisecond count, as it goes on the wire (wraps after
# 49.7 days, the receiver unwraps). `service` must run at least every 12 days; the main loop does it all the time.

import time

try:
    from micropython import const
except ImportError:  # on a computer
    const = int

MASK = const(0x3FFFFFFF)
_HALF = const(0x20000000)


def since(now, then):
    # Ticks from `then` to `now`, right across one wrap.
    return (now - then) & 0x3FFFFFFF


def due(now, at):
    # Whether the instant `at` has come: up to 6.2 days (ms) or 8.9 min (us) either way.
    return (now - at) & 0x3FFFFFFF < 0x20000000


class Clock:
    def __init__(self):
        self.lo = 0
        self.hi = 0
        self.wall_set = False
        self._wall = [0, 0, 0, 0]  # UTC in ms as 16-bit quarters, low first, at uptime _wall_lo/_wall_hi
        self._last = time.ticks_ms() & 0x3FFFFFFF

    def now_ms(self):
        # Masked ticks, for `since` and `due`.
        return time.ticks_ms() & 0x3FFFFFFF

    def now_us(self):
        return time.ticks_us() & 0x3FFFFFFF

    def service(self):
        now = time.ticks_ms() & 0x3FFFFFFF
        passed = (now - self._last) & 0x3FFFFFFF
        self._last = now
        lo = self.lo + (passed & 0xFFFF)
        self.hi = (self.hi + (passed >> 16) + (lo >> 16)) & 0xFFFF
        self.lo = lo & 0xFFFF
        if self.wall_set:
            self._add_wall(passed)

    def _add_wall(self, passed):
        wall = self._wall
        carry = wall[0] + (passed & 0xFFFF)
        wall[0] = carry & 0xFFFF
        carry = wall[1] + (passed >> 16) + (carry >> 16)
        wall[1] = carry & 0xFFFF
        carry = wall[2] + (carry >> 16)
        wall[2] = carry & 0xFFFF
        wall[3] = (wall[3] + (carry >> 16)) & 0xFFFF

    def set_wall(self, q0, q1, q2, q3):
        # UTC in ms as 16-bit quarters. Uptime is never moved: setting the clock back cannot reorder scans.
        self.service()
        wall = self._wall
        wall[0] = q0
        wall[1] = q1
        wall[2] = q2
        wall[3] = q3
        self.wall_set = True

    def wall(self):
        return self._wall
