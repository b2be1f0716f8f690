# Compact blocks of scans for flash: the DELTA message, integers only ("The delta block" in the specification).
#
# A group is predicted as its own slow mean plus the step that the median group makes now (sag moves all groups
# together, noise moves each). The rest is a Rice code whose parameter follows each group's own restlessness.
# A block is one frame; prediction starts anew in each, so that a lost block costs only itself.
#
# `add` first measures the scan, then writes it only if it fits: no half scan, and nothing is allocated. Readings are
# int16 steps of 0.2 mV; `step` is how many of them make one stored step. No integer here exceeds 2^27.

from array import array
from struct import pack_into

from evenstring_protocol import wire

_LIMIT = 4078  # bytes of the unstuffed frame, CRC included: stuffed, it is never above one 4,096-byte flash sector
_ESCAPE = 12  # that many ones, then 18 bits as they are
_SPECIAL = 0x3FFFC  # first of four values of those 18 bits that stand for reading codes
_MAX_DT_MS = 60000
_LEAD = 1  # the time step stands before everything else
_SIZE_AT = 7 + 14  # header and fixed fields, up to the extremes


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
        side = _LEAD + currents + packs + temps
        self._side = side  # values that are coded against the one before; then the common step; then the groups
        n = side + 1 + groups
        self._n = n
        self._u = array("i", bytes(4 * n))  # what is written: magnitude, sign folded in; -1: the one bit "as before"
        self._k = bytearray(n)
        self._mark = bytearray(n)  # 1: a set bit stands before it ("no longer the same code")
        self._busy = array("i", bytes(4 * n))  # 16 x running mean of u
        self._last = array("i", bytes(4 * side))
        self._now = array("i", bytes(4 * side))
        self._x = array("i", bytes(4 * groups))
        self._code = bytearray(groups)  # 0: a number; else 1 + place among the reading codes
        self._new = bytearray(groups)
        self._s = array("i", bytes(4 * groups))  # 16 x slow mean of the group, common level taken out
        self._sort = array("i", bytes(4 * groups))
        self.low = array("h", bytes(2 * groups))
        self.high = array("h", bytes(2 * groups))
        self.buf = bytearray(_LIMIT)
        self._bits_at = _SIZE_AT + 4 * groups + 2
        self.scans = 0
        self.begin(0)

    # Starts an empty block.
    def begin(self, flags):
        self.flags = flags
        self.scans = 0
        self.step_us = 0
        self.turn_us = 0
        self._at = self._bits_at
        self._acc = 0
        self._held = 0  # bits in _acc, under 8
        self._level = 0
        self._lo = 0
        self._hi = 0
        self._start_lo = 0
        self._start_hi = 0
        for i in range(self._n):
            self._busy[i] = 256  # neighbours differ by some steps: the first scan costs less so
        for i in range(self._side):
            self._last[i] = 0
        for g in range(self.groups):
            self.low[g] = wire.NO_READING
            self.high[g] = wire.NO_READING
            self._code[g] = 0
            self._s[g] = 0

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
        side = self._now
        side[0] = dt
        for i in range(1, self._side):
            side[i] = now[i - 1]
        self._round(readings)
        if self.scans:
            self._predict(self._common())
        else:
            self._first()
        if not self._fits():
            return False
        if not self.scans:
            self._start_lo = lo
            self._start_hi = hi
        self._lo = lo
        self._hi = hi
        self._emit()
        self._learn(readings)
        self.scans += 1
        return True

    # Mean of the passes in stored steps, or the code that stands for no number.
    def _round(self, readings):
        n = self.groups
        step = self.step
        two = self.passes == 2
        for g in range(n):
            a = readings[g]
            b = readings[g + n] if two else a
            ca = _code_of(a)
            cb = _code_of(b)
            if ca == 0 and cb == 0:
                self._x[g] = (a + b + step) // (2 * step)
                self._new[g] = 0
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
        u = self._u
        for i in range(self._side):
            u[i] = _fold(self._now[i])
        self._ks()
        u[self._side] = 0
        at = self._side + 1
        before = 0
        for g in range(self.groups):
            self._mark[at + g] = 0
            if self._new[g]:
                u[at + g] = _SPECIAL + self._new[g] - 1
            else:
                u[at + g] = _fold(self._x[g] - before)
                before = self._x[g]

    # What the median group moved against its prediction.
    def _common(self):
        v = self._sort
        n = 0
        s = self._s
        x = self._x
        for g in range(self.groups):
            if self._new[g] or self._code[g]:
                continue
            r = x[g] - ((s[g] + 8) >> 4)
            i = n
            while i and v[i - 1] > r:
                v[i] = v[i - 1]
                i -= 1
            v[i] = r
            n += 1
        if n == 0:
            return 0
        c = v[n >> 1] - self._level
        # Any value decodes; a wild one (a plug pulled) is not followed, so that all stays within its bits.
        return c if -32768 <= c <= 32767 and -99999 < self._level + c < 99999 else 0

    def _predict(self, common):
        u = self._u
        for i in range(self._side):
            u[i] = _fold(self._now[i] - self._last[i])
        self._ks()
        u[self._side] = _fold(common)
        level = self._level + common
        self._level_next = level
        at = self._side + 1
        s = self._s
        x = self._x
        new = self._new
        code = self._code
        mark = self._mark
        for g in range(self.groups):
            i = at + g
            mark[i] = 0
            if code[g]:
                if new[g] == code[g]:
                    u[i] = -1
                    continue
                mark[i] = 1
            if new[g]:
                u[i] = _SPECIAL + new[g] - 1
                continue
            m = (s[g] + 8) >> 4
            p = level + m
            if p > 32767:
                p = 32767
            elif p < -32768:
                p = -32768
            r = x[g] - p
            if s[g] < m << 4:  # the mean lies below its rounded value: a step down is the likelier one
                r = -r
            u[i] = 2 * r - 1 if r > 0 else -2 * r

    def _ks(self):
        busy = self._busy
        k = self._k
        for i in range(self._n):
            t = busy[i] >> 5
            b = 0
            while t:
                b += 1
                t >>= 1
            k[i] = b

    def _fits(self):
        bits = self._held + 7
        u = self._u
        k = self._k
        for i in range(self._n):
            v = u[i]
            if v < 0:
                bits += 1
                continue
            q = v >> k[i]
            bits += self._mark[i] + (q + 1 + k[i] if q < _ESCAPE else _ESCAPE + 18)
        return self._at + (bits >> 3) <= _LIMIT - 4

    # Bits go out highest first. At most 7 are held back, and at most 18 join them at once.
    def _emit(self):
        buf = self.buf
        at = self._at
        acc = self._acc
        held = self._held
        for i in range(self._n):
            v = self._u[i]
            if v < 0:
                acc <<= 1
                held += 1
            else:
                k = self._k[i]
                q = v >> k
                if self._mark[i]:
                    acc = (acc << 1) | 1
                    held += 1
                if q < _ESCAPE:
                    acc = (acc << (q + 1)) | ((1 << (q + 1)) - 2)
                    held += q + 1
                else:
                    acc = (acc << _ESCAPE) | 0xFFF
                    held += _ESCAPE
                    k = 18
                while held >= 8:
                    held -= 8
                    buf[at] = (acc >> held) & 0xFF
                    at += 1
                acc = ((acc & 0xFF) << k) | (v & ((1 << k) - 1))
                held += k
            while held >= 8:
                held -= 8
                buf[at] = (acc >> held) & 0xFF
                at += 1
            acc &= 0xFF
        self._at = at
        self._acc = acc
        self._held = held

    # What the decoder will know after this scan.
    def _learn(self, readings):
        first = self.scans == 0
        busy = self._busy
        u = self._u
        for i in range(self._n):
            if first:
                busy[i] = 32
            elif 0 <= u[i] < _SPECIAL:
                v = u[i]
                busy[i] += (v if v < 4095 else 4095) - (busy[i] >> 4)
        for i in range(self._side):
            self._last[i] = self._now[i]
        if not first:
            self._level = self._level_next
        before = 0
        for g in range(self.groups):
            c = self._new[g]
            if first:
                if not c:
                    before = self._x[g]
                self._s[g] = before << 4
            elif not c:
                self._s[g] += (((self._x[g] - self._level) << 4) - self._s[g]) >> 3
            self._code[g] = c
        for i in range(self.groups * self.passes):
            r = readings[i]
            if r == wire.NO_READING or r == wire.LEAD_OPEN:
                continue
            g = i if i < self.groups else i - self.groups
            if self.high[g] == wire.NO_READING:
                self.low[g] = r
                self.high[g] = r
            elif r > self.high[g]:
                self.high[g] = r
            elif r < self.low[g]:
                self.low[g] = r

    # Completes the frame in `buf`, CRC left out, and returns its size so far.
    def close(self, seq):
        buf = self.buf
        at = self._at
        if self._held:
            buf[at] = (self._acc << (8 - self._held)) & 0xFF
            at += 1
        pack_into(wire.HEADER_FORMAT, buf, 0, wire.DELTA, seq, self._start_lo, self._start_hi)
        pack_into(
            wire.DELTA_FORMAT,
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
        )
        o = _SIZE_AT
        for g in range(self.groups):
            pack_into("<h", buf, o + 2 * g, self.low[g])
            pack_into("<h", buf, o + 2 * (self.groups + g), self.high[g])
        pack_into("<H", buf, self._bits_at - 2, at - self._bits_at)
        return at


def _code_of(r):
    if r > wire.LEAD_OPEN:
        return 4 if r == wire.OVER_POSITIVE else 0
    return r - wire.NO_READING + 1  # no_reading 1, over_negative 2, lead_open 3


def _fold(v):
    return 2 * v - 1 if v > 0 else -2 * v
