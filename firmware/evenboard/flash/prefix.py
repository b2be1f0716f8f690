# The bits of a delta block: whole numbers, most of them small, as prefix codes ("The delta block", specification).
#
# Each place of a scan has its own running mean of what stood there; it chooses the code of the next value. `u` holds
# what is to be written: a magnitude with its sign folded in, or -1 for the single bit "the same reading code again";
# where `mark` is 1 a set bit stands before. Nothing is allocated after the constructor; no integer exceeds 2^27.

from array import array

from micropython import const

LIMIT = const(4078)  # bytes of the unstuffed frame, CRC included: stuffed, it is never above one 4,096-byte sector
SPECIAL = const(0x3FFFC)  # first of four 18-bit values that stand for reading codes
_ESCAPE = const(12)  # that many ones, then 18 bits as they are
_SHORT = const(64)  # in place of k: the code between those of k = 0 and k = 1
_SHORT_FROM = const(40)


class PrefixCode:
    # n: values of a scan; slow: how many of the first ones are left out while none of them changes; start: first byte.
    def __init__(self, n, slow, start):
        self._n = n
        self._slow = slow
        self._start = start
        self.u = array("i", bytes(4 * n))
        self.mark = bytearray(n)
        self._k = bytearray(n)
        self._busy = array("i", bytes(4 * n))  # 32 x running mean of u
        self.buf = bytearray(LIMIT)
        self.limit = LIMIT
        self.begin()

    def begin(self):
        self._first = True
        self._from = 0
        self._at = self._start
        self._acc = 0
        self._held = 0  # bits in _acc, under 8
        for i in range(self._n):
            self._busy[i] = 512  # neighbours differ by some steps: the first scan costs less so

    # Chooses the codes of the values in `u` and says whether they fit.
    def fits(self):
        self._choose()
        self._from = self._slow if not self._first and self._same() else 0
        bits = self._held + 8
        u = self.u
        ks = self._k
        mark = self.mark
        for i in range(self._from, self._n):
            v = u[i]
            if v < 0:
                bits += 1
                continue
            k = ks[i]
            if k == _SHORT:
                q = v - 1 if v > 1 else 1
                k = 0
            else:
                q = v >> k
            bits += mark[i] + (q + 1 + k if q < _ESCAPE else _ESCAPE + 18)
        return self._at + (bits >> 3) <= self.limit - 4

    def _choose(self):
        busy = self._busy
        ks = self._k
        for i in range(self._n):
            a = busy[i]
            if a < 64:
                ks[i] = _SHORT if a >= _SHORT_FROM else 0
                continue
            a >>= 6
            b = 0
            while a:
                b += 1
                a >>= 1
            ks[i] = b

    def _same(self):
        for i in range(self._slow):
            if self.u[i]:
                return False
        return True

    # Writes what `fits` was asked about. Bits go out highest first; at most 8 are held, and at most 19 join them.
    def emit(self):
        buf = self.buf
        at = self._at
        acc = self._acc
        held = self._held
        u = self.u
        ks = self._k
        mark = self.mark
        if not self._first:
            acc = acc << 1 | (0 if self._from else 1)
            held += 1
        for i in range(self._from, self._n):
            v = u[i]
            if v < 0:
                acc <<= 1
                held += 1
            else:
                k = ks[i]
                if k == _SHORT:
                    k = 1 if v < 2 else 0
                    q = v - 1 if v > 1 else 0
                else:
                    q = v >> k
                if mark[i]:
                    acc = acc << 1 | 1
                    held += 1
                if q < _ESCAPE:
                    acc = acc << (q + 1) | ((1 << (q + 1)) - 2)
                    held += q + 1
                else:
                    acc = acc << _ESCAPE | 0xFFF
                    held += _ESCAPE
                    k = 18
                while held >= 8:
                    held -= 8
                    buf[at] = (acc >> held) & 0xFF
                    at += 1
                acc = (acc & 0xFF) << k | (v & ((1 << k) - 1))
                held += k
            while held >= 8:
                held -= 8
                buf[at] = (acc >> held) & 0xFF
                at += 1
            acc &= 0xFF
        self._at = at
        self._acc = acc
        self._held = held
        self._learn()

    def _learn(self):
        busy = self._busy
        u = self.u
        if self._first:
            self._first = False
            for i in range(self._n):
                busy[i] = 48
            return
        for i in range(self._from, self._n):
            v = u[i]
            if 0 <= v < SPECIAL:
                busy[i] += (v if v < 4095 else 4095) - (busy[i] >> 5)

    # Fills the last byte up; returns where the bits end.
    def close(self):
        at = self._at
        if self._held:
            self.buf[at] = (self._acc << (8 - self._held)) & 0xFF
            at += 1
        return at
