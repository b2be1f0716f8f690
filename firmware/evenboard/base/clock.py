# Time since boot, right across every wrap, without an integer that a 32-bit board would put on the heap.
#
# `ticks_ms` wraps after 12.4 days on a board and elsewhere at other periods, so we mask it ourselves and add up the
# differences. Uptime is kept as two 16-bit halves of a 32-bit millisecond count, as it goes on the wire (wraps after
# 49.7 days, the receiver unwraps). `service` must run at least every 12 days; the main loop does it all the time.

import time

from micropython import const

MASK = const(0x3FFFFFFF)  # the largest number that is not a heap object on a 32-bit board
_LONG = const(0x1FFFFFFF)


class Clock:
    def __init__(self):
        self.low = 0
        self.high = 0
        self.wall_set = False
        self.wall = [0, 0, 0, 0]  # UTC in ms as 16-bit quarters, low first
        self._last = time.ticks_ms() & MASK

    def service(self):
        now = time.ticks_ms() & MASK
        passed = (now - self._last) & MASK
        self._last = now
        low = self.low + (passed & 0xFFFF)
        self.high = (self.high + (passed >> 16) + (low >> 16)) & 0xFFFF
        self.low = low & 0xFFFF
        if self.wall_set:
            self._add_wall(passed)

    # ms from that instant of uptime to the latest `service`; 6.2 days or more come back as 6.2 days.
    def since(self, low, high):
        low = self.low - low
        high = self.high - high
        if low < 0:
            low += 0x10000
            high -= 1
        high &= 0xFFFF
        return (high << 16) | low if high < 0x2000 else _LONG

    # UTC in ms as 16-bit quarters. Uptime is never moved: a clock set back cannot reorder scans.
    def set(self, q0, q1, q2, q3):
        self.service()
        wall = self.wall
        wall[0] = q0
        wall[1] = q1
        wall[2] = q2
        wall[3] = q3
        self.wall_set = True

    def _add_wall(self, passed):
        wall = self.wall
        carry = wall[0] + (passed & 0xFFFF)
        wall[0] = carry & 0xFFFF
        carry = wall[1] + (passed >> 16) + (carry >> 16)
        wall[1] = carry & 0xFFFF
        carry = wall[2] + (carry >> 16)
        wall[2] = carry & 0xFFFF
        wall[3] = (wall[3] + (carry >> 16)) & 0xFFFF
