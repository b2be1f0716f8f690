# Compact blocks of scans for flash: the DELTA2 message, integers only ("The delta block" in the specification).
#
# A group is predicted as its own slow mean, plus the step that all groups make now, plus its own share of the sag so
# far (sag moves all groups, a resistive one more); `prefix` writes what is left. A block is one frame; prediction
# starts anew in each, so that a lost block costs only itself. Shares learnt in one block stand at the head of the next.
#
# `add` first measures the scan, then writes it only if it fits: no half scan, and nothing is allocated. Readings are
# int16 steps of 0.2 mV; `step` is how many of them make one stored step. No integer here reaches 2^30.

from array import array
from struct import pack_into

from evenboard.flash.prefix import LIMIT, SPECIAL, PrefixCode
from evenstring_protocol import wire
from micropython import const

_MAX_DT_MS = const(60000)
_SIZE_AT = wire.HEADER_SIZE + wire.DELTA2_SIZE  # where the extremes begin
_FAR = const(1 << 29)  # sorts behind every number
_PRIOR = const(1 << 14)  # a share is believed when the sag squared outweighs this


class DeltaEncoder:
    def __init__(self, groups, passes=2, currents=0, packs=0, temps=0, step_uv=1000):
        if step_uv < wire.READING_STEP_UV or step_uv % wire.READING_STEP_UV:
            raise ValueError("step_uv must be a multiple of %d" % wire.READING_STEP_UV)
        self.groups = groups
        self.passes = passes
        self.currents = currents
        self.packs = packs
        self.temps = temps
        self.step = step_uv // wire.READING_STEP_UV
        self.step_uv = step_uv
        # Order of the values: time step, temperatures; current; common step; pack voltage; groups.
        self._slow = 1 + temps
        self._common_at = self._slow + currents
        self._group_at = self._common_at + 1 + packs
        n = self._group_at
        self._last = array("i", bytes(4 * n))  # value before, for those in front of the groups
        self._now = array("i", bytes(4 * n))
        self._x = array("i", bytes(4 * groups))
        self._e = array("i", bytes(4 * groups))  # reading less prediction
        self._code = bytearray(groups)  # 0: a number; else 1 + place among the reading codes
        self._new = bytearray(groups)
        self._m = array("i", bytes(4 * groups))  # 256 x slow mean of the group, common level and share taken out
        self._follow = array("b", bytes(groups))
        self._sxy = array("i", bytes(4 * groups))  # sums for the shares: sag x rest, and sag squared
        self._sxx = 0
        self._drop = 0
        self._sii = 1 << 12  # sums for the drop: current steps squared, and current x common step
        self._sil = 0
        self._sort = [0] * groups  # a list: its sort runs in place and in C
        self.low = array("h", bytes(2 * groups))
        self.high = array("h", bytes(2 * groups))
        self._bits_at = _SIZE_AT + 5 * groups + 2
        self._bits = PrefixCode(n + groups, self._slow, self._bits_at)
        self.buf = self._bits.buf
        self.scans = 0
        self.begin(0)

    # Starts an empty block.
    def begin(self, flags):
        if self.scans:
            self._adapt()
        self.flags = flags
        self.scans = 0
        self.step_us = 0
        self.turn_us = 0
        self._bits.begin()
        self._level = 0
        self._calm = 0  # 16 x slow mean of the level
        self._pack = 0  # 16 x slow mean of the pack voltage, common level taken out
        self._lo = 0
        self._hi = 0
        self._start_lo = 0
        self._start_hi = 0
        for g in range(self.groups):
            self.low[g] = wire.NO_READING
            self.high[g] = wire.NO_READING
            self._code[g] = 0

    # The frame of this block, stuffed, shall take at most `room` bytes. What is in it already stays.
    def limit(self, room):
        self._bits.limit = min(room - 2 - (room - 1) // 255, LIMIT)

    # Shares and drop for the next block, from what this one left unexplained.
    def _adapt(self):
        by = (self._sxx + _PRIOR) >> 8
        for g in range(self.groups):
            self._follow[g] = max(-127, min(127, self._follow[g] + self._sxy[g] // by))
            self._sxy[g] = 0
        self._sxx = 0
        self._drop = max(-32767, min(32767, self._sil * 16 // (self._sii >> 8)))

    # One scan at uptime hi x 65536 + lo ms. `now` holds current, pack voltage and temperatures, as many as stated.
    # False: it does not fit (or comes too long after the last one): close, begin, add again.
    def add(self, lo, hi, readings, now):
        dt = 0
        if self.scans:
            rise = (hi - self._hi) & 0xFFFF
            if rise > 1:
                return False
            dt = (rise << 16) + lo - self._lo
            if dt < 0 or dt > _MAX_DT_MS or self.scans == 65535:
                return False
        self._set_side(dt, now)
        self._round(readings)
        if self.scans:
            self._predict()
        else:
            self._first()
        if not self._bits.fits():
            return False
        if not self.scans:
            self._start_lo = lo
            self._start_hi = hi
        self._lo = lo
        self._hi = hi
        self._bits.emit()
        self._learn()
        self._widen(readings)
        self.scans += 1
        return True

    def _set_side(self, dt, now):
        side = self._now
        side[0] = dt
        at = self.currents + self.packs
        for i in range(self.temps):
            side[1 + i] = now[at + i]
        if self.currents:
            side[self._slow] = now[0]
        if self.packs:
            side[self._common_at + 1] = now[self.currents]

    # Mean of the passes in stored steps, or the code that stands for no number.
    def _round(self, readings):
        n = self.groups
        step = self.step
        two = self.passes == 2
        x = self._x
        new = self._new
        for g in range(n):
            a = readings[g]
            b = readings[g + n] if two else a
            ca = _code_of(a) if a <= wire.LEAD_OPEN or a == wire.OVER_POSITIVE else 0
            cb = _code_of(b) if b <= wire.LEAD_OPEN or b == wire.OVER_POSITIVE else 0
            if ca == 0 and cb == 0:
                x[g] = (a + b + step) // (2 * step)
                new[g] = 0
            elif ca > 1 or cb == 0:  # trouble outweighs a number, a number outweighs a missing one
                self._put_one(g, a, b, ca, cb)
            else:
                self._put_one(g, b, a, cb, ca)

    def _put_one(self, g, a, b, ca, cb):
        if ca == 1 and cb == 0:
            ca = 0
            a = b
        self._new[g] = ca
        if ca == 0:
            self._x[g] = (2 * a + self.step) // (2 * self.step)

    # First scan of a block: the common step is 0, each group is predicted as the one before it.
    def _first(self):
        u = self._bits.u
        for i in range(self._group_at):
            u[i] = _fold(self._now[i])
        u[self._common_at] = 0
        at = self._group_at
        before = 0
        for g in range(self.groups):
            self._bits.mark[at + g] = 0
            if self._new[g]:
                u[at + g] = SPECIAL + self._new[g] - 1
            else:
                u[at + g] = _fold(self._x[g] - before)
                before = self._x[g]

    # Level of the middle half of the groups against their own means, less the level so far.
    def _common(self):
        v = self._sort
        n = 0
        m = self._m
        x = self._x
        level = self._level
        follow = self._follow
        for g in range(self.groups):
            if self._new[g] or self._code[g]:
                v[g] = _FAR
            else:
                v[g] = (x[g] << 8) - m[g] - follow[g] * level
                n += 1
        if n == 0:
            return 0
        v.sort()
        first = n >> 2
        total = 0
        for g in range(first, n - first):
            total += v[g]
        c = ((total // (n - 2 * first) + 128) >> 8) - level
        # Any value decodes; a wild one (a plug pulled) is not followed, so that all stays within its bits.
        return c if -32768 <= c <= 32767 and -32767 <= level + c <= 32767 else 0

    # What the change of current lets expect.
    def _expected(self):
        if not self.currents:
            return 0
        change = self._now[self._slow] - self._last[self._slow]
        return (max(-4096, min(4095, change)) * self._drop) >> 12

    def _pack_term(self, level):
        return level * self.groups * self.step // 50  # in 10 mV

    def _predict(self):
        u = self._bits.u
        now = self._now
        for i in range(self._common_at):
            u[i] = _fold(now[i] - self._last[i])
        at = self._common_at
        common = self._common()
        now[at] = common
        level = self._level + common
        u[at] = _fold(common - self._expected())
        if self.packs:
            p = ((self._pack + 8) >> 4) + self._pack_term(level)
            u[at + 1] = _fold(now[at + 1] - max(0, min(65535, p)))
        self._predict_groups(level)

    def _predict_groups(self, level):
        u = self._bits.u
        e = self._e
        m = self._m
        x = self._x
        new = self._new
        code = self._code
        mark = self._bits.mark
        follow = self._follow
        i = self._group_at
        for g in range(self.groups):
            mark[i] = 0
            if new[g] or code[g]:
                e[g] = 0
                if code[g]:
                    if new[g] == code[g]:
                        u[i] = -1
                        i += 1
                        continue
                    mark[i] = 1
                if new[g]:
                    u[i] = SPECIAL + new[g] - 1
                    i += 1
                    continue
            c = m[g] + level * (256 + follow[g])
            p = (c + 128) >> 8
            if p > 32767:
                p = 32767
            elif p < -32768:
                p = -32768
            r = x[g] - p
            e[g] = r
            if c < p << 8:  # the centre lies below its rounded value: a step down is the likelier one
                r = -r
            u[i] = 2 * r - 1 if r > 0 else -2 * r
            i += 1

    # What the decoder will know after this scan, and the sums for the next block.
    def _learn(self):
        at = self._common_at
        if self.scans == 0:
            before = 0
            for g in range(self.groups):
                if not self._new[g]:
                    before = self._x[g]
                self._m[g] = before << 8
                self._code[g] = self._new[g]
            if self.packs:
                self._pack = self._now[at + 1] << 4
        else:
            self._level += self._now[at]
            if self.currents:
                self._learn_drop(self._now[self._slow] - self._last[self._slow], self._now[at])
            if self.packs:
                self._pack += (((self._now[at + 1] - self._pack_term(self._level)) << 4) - self._pack) >> 3
            self._learn_groups()
        for i in range(self._group_at):
            self._last[i] = self._now[i]

    def _learn_drop(self, change, common):
        if -512 < change < 512 and -512 < common < 512:
            self._sii += change * change
            self._sil += change * common
        if self._sii > 1 << 25 or not -(1 << 25) < self._sil < 1 << 25:
            self._sii = (self._sii >> 1) + 256
            self._sil >>= 1

    def _learn_groups(self):
        level = self._level
        sag = level - (self._calm >> 4)
        self._calm += ((level << 4) - self._calm) >> 3
        if not -1000 < sag < 1000:
            sag = 0
        m = self._m
        e = self._e
        x = self._x
        follow = self._follow
        sxy = self._sxy
        for g in range(self.groups):
            c = self._new[g]
            self._code[g] = c
            if not c:
                m[g] += ((x[g] << 8) - level * (256 + follow[g]) - m[g]) >> 3
                r = e[g]
                if -256 < r < 256:
                    sxy[g] += sag * r
        self._sxx += sag * sag
        if self._sxx > 1 << 27 or self.scans & 1023 == 1023:
            self._sxx >>= 1
            for g in range(self.groups):
                sxy[g] >>= 1

    # Lowest and highest single readings.
    def _widen(self, readings):
        lows = self.low
        highs = self.high
        n = self.groups
        for i in range(n * self.passes):
            r = readings[i]
            if r == wire.NO_READING or r == wire.LEAD_OPEN:
                continue
            g = i if i < n else i - n
            if highs[g] == wire.NO_READING:
                lows[g] = r
                highs[g] = r
            elif r > highs[g]:
                highs[g] = r
            elif r < lows[g]:
                lows[g] = r

    # Completes the frame in `buf`, CRC left out, and returns its size so far.
    def close(self, seq):
        buf = self.buf
        at = self._bits.close()
        pack_into(wire.HEADER_FORMAT, buf, 0, wire.DELTA2, seq, self._start_lo, self._start_hi)
        pack_into(
            wire.DELTA2_FORMAT,
            buf,
            wire.HEADER_SIZE,
            self.flags,
            self.groups,
            self.passes,
            self.currents,
            self.packs,
            self.temps,
            self.step_uv,
            self.step_us,
            self.turn_us,
            self.scans,
            self._drop,
        )
        o = _SIZE_AT
        n = self.groups
        for g in range(n):
            pack_into("<h", buf, o + 2 * g, self.low[g])
            pack_into("<h", buf, o + 2 * (n + g), self.high[g])
            buf[o + 4 * n + g] = self._follow[g] & 0xFF
        pack_into("<H", buf, self._bits_at - 2, at - self._bits_at)
        return at


def _code_of(r):
    return 4 if r == wire.OVER_POSITIVE else r - wire.NO_READING + 1  # no_reading 1, over_negative 2, lead_open 3


def _fold(v):
    return 2 * v - 1 if v > 0 else -2 * v
